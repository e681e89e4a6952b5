"""The evidence for a break at one place between neighbouring sites: what distance explains there, and what it does not.

What distance explains at an edge is learnt from the other edges, as a step a km. Three steps are read: the median of
all other edges, the smaller of the two nearest steps on one side, and the smaller of the two nearest on the other. The
largest of the three counts. Because it is the smaller of two, a break beside the edge does not pass for the rule.
Because the nearest steps count, the start of a steeper stretch of coast does not pass for a break.

The excess of an edge is the mean of F / (1 - F) over pairs of the nearest sites on its two sides, less what distance
explains. Its error comes from leaving out chromosomes; sites are never permuted.

The largest of three steps is a noisy yardstick: alone, it hid one weak break in eight. So two tests are made. The
excess beyond the median step must stand after correction for all edges. The excess beyond the steps nearby must be
beyond chance at that edge alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from homewater.units.break_rules import NEAR_SITES, BreakRules, Cut, grade_of, reading_of
from homewater.units.replicates import Replicates, least_step_rate, mean_between, step_rate, to_fst
from homewater.water.site_tree import edge_hops, nearest, sides

NEAR_EDGES = 2  # edges on each side from which the local step is learnt


@dataclass(frozen=True)
class Search:
    """What a search for breaks works on.

    Attributes:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, no NaN.
        edges: int64 (n_edges, 2), the tree, and any edges added between parts of it that breaks cut off.
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
