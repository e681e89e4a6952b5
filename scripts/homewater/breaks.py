"""Gradient or break: places where differentiation between neighbouring sites exceeds what distance explains there.

Each edge of the shortest tree by water is a candidate. What distance explains at an edge is learnt from the other
edges: the median step a km of all others, the smaller of the two nearest steps on one side, or of those on the other,
whichever is largest, so neither does one break beside it pass for the rule nor the start of a steeper stretch for a
break. The excess of an edge is the mean, over the nearest sites on either side, of F / (1 - F) less that. Its error
comes from leaving out chromosomes; sites are never permuted. The largest of three is a noisy yardstick: alone it hid
one weak break in eight. So what must stand after correction for all edges is the excess beyond the median step, and
the excess beyond the steps nearby must be beyond chance at that edge.

A break also raises the excess of the edges beside it, so it is placed where the excess, that of the two facing sites
counted once more, is the largest around. Where an edge passes, the sites are split there and each side is searched
again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from homewater.break_rules import NEAR_SITES, BreakRules, Cut, grade_of, is_mixture, reading_of
from homewater.contrasts import Replicates, least_step_rate, mean_between, mixture, step_rate, to_fst
from homewater.site_tree import edge_hops, nearest, segments, sides, spanning_tree

NEAR_EDGES = 2  # edges on each side from which the local step is learnt


@dataclass(frozen=True)
class Search:
    """What a search for breaks works on.

    Attributes:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, no NaN.
        edges: int64 (n - 1, 2), the tree.
        rules: settings.
    """

    replicates: Replicates
    km: np.ndarray
    edges: np.ndarray
    rules: BreakRules

    @property
    def median_km(self) -> float:
        """Median length of the edges of the tree."""
        return float(np.median(self.km[self.edges[:, 0], self.edges[:, 1]]))

    def median_rate(self, edge: int | None, cut: np.ndarray) -> np.ndarray:
        """Return the median step a km of all edges but the one under test and those cut, float64 (n_blocks + 1,)."""
        others = np.flatnonzero(~cut)
        return step_rate(self.replicates, self.km, self.edges[others[others != edge] if edge is not None else others])

    def rate_of_distance(self, edge: int | None, members: np.ndarray, cut: np.ndarray) -> np.ndarray:
        """Return what distance explains near an edge, F / (1 - F) a km, float64 (n_blocks + 1,), never negative.

        Args:
            edge: the edge under test, which is left out; None for the whole tree.
            members: int, sites of the part under test.
            cut: bool (n_edges,), edges already taken for breaks or contact zones; they are left out.
        """
        rates = [self.median_rate(edge, cut)]
        if edge is not None:
            for side in sides(self.edges, members, edge):
                inside = np.flatnonzero(np.isin(self.edges, side).all(axis=1))
                among = np.append(inside, edge)
                hops = edge_hops(self.edges, among, edge)[:-1]
                local = inside[np.lexsort((inside, hops))]
                rates.append(least_step_rate(self.replicates, self.km, self.edges[local[~cut[local]][:NEAR_EDGES]]))
        stacked = np.stack(rates)
        known = np.isfinite(stacked)
        highest = np.where(known, np.maximum(stacked, 0.0), -np.inf).max(axis=0)
        return np.where(known.any(axis=0), highest, np.nan)

    def near(self, edge: int, members: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the sites nearest to an edge on its two sides, at most NEAR_SITES each."""
        i, j = self.edges[edge].tolist()
        one, other = sides(self.edges, members, edge)
        return nearest(self.km, i, one, NEAR_SITES), nearest(self.km, j, other, NEAR_SITES)

    def test(self, edge: int, members: np.ndarray, cut: np.ndarray, level: int) -> Cut:
        """Return the evidence for a break at an edge inside a part of the tree.

        Args:
            edge: number of the edge.
            members: int, sites of the part.
            cut: as in `rate_of_distance`.
            level: level of the hierarchy; the correction is over all edges of the tree times this level.
        """
        i, j = self.edges[edge].tolist()
        one, other = self.near(edge, members)
        rate = self.rate_of_distance(edge, members, cut)
        known = bool(np.isfinite(rate[0]))
        between, far = mean_between(self.replicates.linear, one, other), mean_between(self.km, one, other)
        explained = np.where(np.isfinite(rate), rate, 0.0)
        beyond = between - explained * far
        excess = to_fst(beyond)
        low, high = self.replicates.interval(excess)
        median = np.maximum(np.nan_to_num(self.median_rate(edge, cut)), 0.0)
        p = self.replicates.p_greater(to_fst(between - median * far))
        expected = float(explained[0] * self.km[i, j])
        found = Cut(
            edge=edge,
            level=level,
            excess=float(excess[0]),
            ci_low=float(low),
            ci_high=float(high),
            p_value=p,
            p_nearby=self.replicates.p_greater(excess),
            p_adjusted=min(1.0, p * len(self.edges) * level) if np.isfinite(p) else float("nan"),
            facing=float(to_fst(self.replicates.linear[0, i, j] - expected)),
            step=float(to_fst(beyond[0] + expected)),
            expected_step=float(to_fst(expected)) if known else float("nan"),
            median_step=float(to_fst(explained[0] * self.median_km)) if known else float("nan"),
            reading="",
            grade="",
        )
        return self.read(found)

    def read(self, cut: Cut) -> Cut:
        """Return the evidence with its reading and grade."""
        cut = replace(cut, reading=reading_of(cut, self.rules))
        return replace(cut, grade=grade_of(cut, self.rules))


def find_breaks(replicates: Replicates, km: np.ndarray, rules: BreakRules) -> tuple[np.ndarray, list[Cut]]:
    """Return the tree and the evidence at each of its edges, the breaks first.

    Args:
        replicates: pairwise figures of the sites that have animals enough.
        km: float64 (n, n), distances by water, no NaN.
        rules: settings.

    Returns:
        edges, int64 (n - 1, 2); one `Cut` an edge: breaks (reading `boundary`) in the order in which they were found,
        each with the numbers of the level at which it was accepted, then the other edges in the order of the tree, with
        the numbers of the last level at which they were tested.
    """
    edges = spanning_tree(km)
    search = Search(replicates, km, edges, rules)
    accepted: list[Cut] = []
    last: dict[int, Cut] = {}
    gone = np.zeros(len(edges), dtype=bool)  # breaks, and edges inside or beside contact zones
    parts = [(np.arange(len(km)), 1)] if len(km) else []
    while parts:
        members, level = parts.pop(0)
        inside = np.flatnonzero(np.isin(edges, members).all(axis=1) & ~gone)
        tested = [search.test(int(e), members, gone, level) for e in inside]
        last |= {cut.edge: cut for cut in tested}
        for best in _passing(search, tested, members)[:1]:
            one, other = sides(edges, members, best.edge)
            broken = np.array([edges[c.edge] for c in tested if c.reading == "boundary" and c is not best]).reshape(
                -1, 2
            )
            # a part that holds a break itself is no mixture, though its mean may look like one
            whole = [s for s in (one, other) if not np.isin(broken, s).all(axis=1).any()]
            aside = next((s for s in whole if _lies_between(search, s, members, accepted, best, gone)), None)
            if aside is None:
                accepted.append(best)
                gone[best.edge] = True
                parts += [(one, level + 1), (other, level + 1)]
            else:
                for edge in (best.edge, *np.flatnonzero(np.isin(edges, aside).all(axis=1))):
                    last[int(edge)] = replace(last[int(edge)], reading="contact_zone", grade="weak")
                    gone[edge] = True
                parts.append((np.setdiff1d(members, aside), level))
    taken = {cut.edge for cut in accepted}
    return edges, accepted + [last[e] for e in sorted(last) if e not in taken]


def _passing(search: Search, tested: list[Cut], members: np.ndarray) -> list[Cut]:
    """Return the cuts that pass and are the largest around, the largest first."""

    def size(cut: Cut) -> float:
        return cut.excess + np.nan_to_num(cut.facing)

    ranked = sorted((c for c in tested if np.isfinite(c.excess)), key=lambda c: (-size(c), c.edge))
    found = []
    for place, cut in enumerate(ranked):
        around = np.concatenate(search.near(cut.edge, members))
        larger = [c.edge for c in ranked[:place] if np.isin(search.edges[c.edge], around).all()]
        if cut.reading == "boundary" and not larger:
            found.append(cut)
    return found


def _lies_between(
    search: Search, part: np.ndarray, members: np.ndarray, accepted: list[Cut], proposed: Cut, gone: np.ndarray
) -> bool:
    """Whether a part that a proposed break would separate is a mixture of its two flanks."""
    edges, rest = search.edges, np.setdiff1d(members, part)
    end = next(int(i) for i in edges[proposed.edge] if i in part)
    breaks = np.zeros(len(edges), dtype=bool)
    breaks[[cut.edge for cut in accepted]] = True
    label = segments(edges, breaks, len(search.km))
    for cut in accepted:
        i, j = edges[cut.edge].tolist()
        for here, there in ((i, j), (j, i)):
            if here in part:
                beyond = nearest(search.km, there, np.flatnonzero(label == label[there]), NEAR_SITES)
                flank = nearest(search.km, end, rest, NEAR_SITES)
                rate = search.rate_of_distance(proposed.edge, members, gone)
                if is_mixture(mixture(search.replicates, search.km, rate, part, beyond, flank), search.rules):
                    return True
    return False


def accepted(table: pd.DataFrame, location_ids: list[str], edges: np.ndarray) -> np.ndarray:
    """Return which edges table breaks holds for boundaries, bool (n_edges,).

    Args:
        table: table breaks.
        location_ids: sites, in the order of the numbers in `edges`.
        edges: int64 (n - 1, 2), the tree on which the table was made.
    """
    rows = table[table["reading"] == "boundary"]
    broken = set(zip(rows["side_a_nearest_site"], rows["side_b_nearest_site"], strict=True))
    return np.array([(location_ids[i], location_ids[j]) in broken for i, j in edges], dtype=bool)


def breaks_table(edges: np.ndarray, cuts: list[Cut], location_ids: list[str], km: np.ndarray) -> pd.DataFrame:
    """Return table breaks: one row an edge, breaks first.

    Args:
        edges: int64 (n - 1, 2), as `find_breaks` returns it.
        cuts: likewise.
        location_ids: sites, in the order of the numbers in `edges`.
        km: float64 (n, n), distances by water; NaN where not joined.
    """
    first = [int(edges[cut.edge, 0]) for cut in cuts]
    second = [int(edges[cut.edge, 1]) for cut in cuts]
    return pd.DataFrame(
        {
            "break": [f"break_{k + 1}" for k in range(len(cuts))],
            "side_a_nearest_site": [location_ids[i] for i in first],
            "side_b_nearest_site": [location_ids[j] for j in second],
            "fst_beyond_distance": [cut.excess for cut in cuts],
            "ci_low": [cut.ci_low for cut in cuts],
            "ci_high": [cut.ci_high for cut in cuts],
            "p_value": [cut.p_value for cut in cuts],
            "grade": [cut.grade for cut in cuts],
            "reading": [cut.reading for cut in cuts],
            "level": [cut.level for cut in cuts],
            "p_adjusted": [cut.p_adjusted for cut in cuts],
            "p_value_nearby": [cut.p_nearby for cut in cuts],
            "step_fst": [cut.step for cut in cuts],
            "expected_step_fst": [cut.expected_step for cut in cuts],
            "median_step_fst": [cut.median_step for cut in cuts],
            "sea_km": [float(km[i, j]) for i, j in zip(first, second, strict=True)],
        }
    )
