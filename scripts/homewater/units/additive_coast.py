"""An additive coast: what each site drifted by itself, and what changes from each site to the next.

Two sites differ because each drifted on its own, and because something changes along the water between them. With y the
differentiation of a pair (`Replicates.drift`), d a site's own drift and c the change across an edge,

    y_ij = d_i + d_j + sum of c_e over the edges e on the way from i to j,    all d and c at least 0.

This holds exactly where frequencies changed along the water by independent steps and every site drifted on its own from
there. It is fitted by least squares over all pairs. At an end of the coast, a site's own drift and the change across
its one edge occur together only: they cannot be told apart, and the fit gives their sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.sparse import csgraph

ENOUGH_SITES = 4  # three sites have three pairs, which their three drifts explain alone


@dataclass(frozen=True)
class CoastFit:
    """An additive coast fitted to some sites.

    Attributes:
        sites: int64 (n_sites,), site numbers.
        own: float64 (n_blocks + 1, n_sites), own drift; 0 at an end of the coast, where it stands in the edge's change.
        is_end: bool (n_sites,), sites with one neighbour.
        steps: int64 (n_steps, 2), site numbers of the edges on the ways between the sites, lower first.
        change: float64 (n_blocks + 1, n_steps), change across each edge; with own drift at an end of the coast.
    """

    sites: np.ndarray
    own: np.ndarray
    is_end: np.ndarray
    steps: np.ndarray
    change: np.ndarray

    def change_across(self, i: int, j: int) -> np.ndarray:
        """Return the change across the edge between two sites, float64 (n_blocks + 1,)."""
        at = np.flatnonzero((self.steps == [min(i, j), max(i, j)]).all(axis=1))
        return self.change[:, at[0]]


def change_a_km(drift: np.ndarray, km: np.ndarray, groups: list[np.ndarray]) -> np.ndarray | None:
    """Return one change a km for some groups of sites, float64 (n_blocks + 1,); None where too few sites tell it.

    The additive coast with changes in proportion to distance, y_ij = d_i + d_j + r km_ij, over the pairs inside each
    group, by least squares and without bounds, so that noise of either sign cancels. A site apart drifted by itself,
    wherever it lies, and does not move r.

    Args:
        drift: float64 (n_blocks + 1, n, n), as `Replicates.drift`.
        km: float64 (n, n), distances by water.
        groups: int, sites of each group; those of fewer than ENOUGH_SITES tell nothing and are left out.
    """
    groups = [group for group in groups if len(group) >= ENOUGH_SITES]
    if not groups:
        return None
    sites = np.concatenate(groups)
    pairs = np.concatenate([group[np.column_stack(np.triu_indices(len(group), 1))] for group in groups])
    first, second = pairs.T
    design = (first[:, None] == sites).astype(np.float64) + (second[:, None] == sites)
    design = np.column_stack([design, km[first, second]])
    y = drift[:, first, second]
    known = np.isfinite(y).all(axis=0)
    return np.linalg.lstsq(design[known], y[:, known].T, rcond=None)[0][-1]


class Ways:
    """The shortest ways by water between sites, along pairs of sites that lie side by side.

    Args:
        km: float64 (n, n), distances by water, no NaN.
        beside: int64 (n_pairs, 2), sites that lie side by side; the shortest tree is part of them.
        members: int64 (n_members,), site numbers through which the ways may lead.
    """

    def __init__(self, km: np.ndarray, beside: np.ndarray, members: np.ndarray) -> None:
        self.place = {int(site): k for k, site in enumerate(members)}
        self.members = members
        inside = beside[np.isin(beside, members).all(axis=1)]
        graph = np.zeros((len(members), len(members)))
        for i, j in inside.tolist():
            graph[self.place[i], self.place[j]] = max(km[i, j], 1e-6)  # 0 would mean that they are not joined
        self.beside = set(map(tuple, np.sort(inside, axis=1).tolist()))
        self.before = np.zeros((0, 0))
        if len(members):
            self.before = csgraph.shortest_path(graph, directed=False, return_predecessors=True)[1]

    def between(self, i: int, j: int) -> list[tuple[int, int]]:
        """Return the edges from one site to another, each from its lower to its higher site; empty where not joined."""
        if (min(i, j), max(i, j)) in self.beside:
            return [(min(i, j), max(i, j))]
        start, end, way = self.place[i], self.place[j], []
        while end != start:
            previous = int(self.before[start, end])
            if previous < 0:
                return []
            a, b = int(self.members[previous]), int(self.members[end])
            way.append((min(a, b), max(a, b)))
            end = previous
        return way[::-1]


def fit_coast(drift: np.ndarray, ways: Ways, sites: np.ndarray) -> CoastFit:
    """Return the additive coast that explains the differentiation of some sites best.

    Args:
        drift: float64 (n_blocks + 1, n, n), as `Replicates.drift`.
        ways: the ways between the sites.
        sites: int64 (n_sites,), site numbers among the ways' members.

    Source: non-negative least squares, Lawson & Hanson (1974) Solving Least Squares Problems, chapter 23; the model is
        ours: the additivity of drift along branches is Cavalli-Sforza & Edwards (1967) Evolution 21:550-570.
    """
    n = len(sites)
    first, second = np.triu_indices(n, 1)
    paths = [ways.between(int(sites[a]), int(sites[b])) for a, b in zip(first, second, strict=True)]
    steps = sorted({step for path in paths for step in path})
    column = {step: n + k for k, step in enumerate(steps)}
    design = np.zeros((len(paths), n + len(steps)))
    for row, (a, b, path) in enumerate(zip(first, second, paths, strict=True)):
        design[row, [a, b]] = 1
        for step in path:
            design[row, column[step]] += 1
    known = np.array([bool(path) for path in paths], dtype=bool)
    y = drift[:, sites[first], sites[second]]
    known &= np.isfinite(y).all(axis=0)
    flat = np.array(steps, dtype=np.int64).reshape(-1, 2)
    degree = np.array([(flat == site).any(axis=1).sum() for site in sites.tolist()])
    is_end = degree <= 1
    used = np.concatenate([~is_end, np.ones(len(steps), dtype=bool)])
    solved = np.zeros((len(drift), design.shape[1]))
    if known.any():
        # rows are many and columns few: the triangle of the design has the same solution
        q, triangle = np.linalg.qr(design[known][:, used])
        solved[:, used] = [optimize.nnls(triangle, q.T @ of_block)[0] for of_block in y[:, known]]
    else:
        solved[:] = np.nan
    return CoastFit(sites, solved[:, :n], is_end, flat, solved[:, n:])
