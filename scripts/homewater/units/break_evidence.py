"""The evidence for a line between neighbouring sites: what changes there, and what distance explains of it.

What changes across an edge is read from the additive coast of the nearest sites on its two sides, so that what those
sites drifted by themselves is not taken for a change between them. What distance explains of it is learnt from the
other edges, as a change a km. Three rates are read: the median of all other edges, the smaller of the two nearest on
one side, and the smaller of the two nearest on the other. The largest of the three counts. Because it is the smaller of
two, a line beside the edge does not pass for the rule. Because the nearest edges count, the start of a steeper stretch
of coast does not pass for a line. What is left is the excess. Its error comes from leaving out chromosomes.

Across a long edge, a wide unsampled stretch, that would multiply the noise of single short edges. There the rate comes
from all pairs of sites on either side, one rate for both unless one side is beyond chance the steeper (`long_rates`).

The largest of three rates is a noisy yardstick, so two tests are made. The excess beyond the median rate must stand
after correction for all edges. The excess beyond the rates nearby must be beyond chance at that edge alone.

Across the one edge of a site at an end of the coast, its own drift and the change cannot be told apart. The median own
drift of the other sites is taken off; what is left counts as a change where rates are learnt, and never as a line: such
a site is judged by its drift (`site_drift`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD
from homewater.units.additive_coast import ENOUGH_SITES, CoastFit, Ways, change_a_km, fit_coast
from homewater.units.break_rules import MIN_ERRORS, NEAR_SITES, BreakRules, Cut, grade_of, reading_of
from homewater.units.replicates import Replicates, to_fst, weighted_median
from homewater.water.site_tree import edge_hops, nearest, segments, side_by_side, sides, spanning_tree

NEAR_EDGES = 2  # edges on each side from which the local rate is learnt
LONG_EDGE = 3.0  # an edge so many times as long as the median of the others is long (chosen, no source)


@dataclass(frozen=True)
class Place:
    """An edge under test.

    Attributes:
        edge: its number.
        level: level of the hierarchy.
        length: its length, km.
        spread: by how much an edge of its length varies among the others, F / (1 - F).
        lone: whether a single site lies on one side of it.
    """

    edge: int
    level: int
    length: float
    spread: float
    lone: bool


@dataclass
class Search:
    """What a search for lines works on, and what it has learnt so far.

    Attributes:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, no NaN.
        rules: settings.
        edges: int64 (n_edges, 2), the tree.
        number: {(lower site, higher site): number of the edge}.
        beside: int64 (n_pairs, 2), all sites that lie side by side, the tree among them.
        change: float64 (n_blocks + 1, n_edges), change across each edge as last measured; NaN before.
        lone: bool (n_edges,), edges with a single site on one side when they were last measured.
        own: float64 (n_blocks + 1, n), own drift of each site as last measured; NaN before and at ends of the coast.
    """

    replicates: Replicates
    km: np.ndarray
    rules: BreakRules
    edges: np.ndarray = field(init=False)
    number: dict[tuple[int, int], int] = field(init=False)
    beside: np.ndarray = field(init=False)
    change: np.ndarray = field(init=False)
    lone: np.ndarray = field(init=False)
    own: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.edges = spanning_tree(self.km)
        self.number = {tuple(edge): k for k, edge in enumerate(self.edges.tolist())}
        self.beside = side_by_side(self.km)
        blocks = len(self.replicates.drift)
        self.change = np.full((blocks, len(self.edges)), np.nan)
        self.own = np.full((blocks, len(self.km)), np.nan)
        self.lone = np.zeros(len(self.edges), dtype=bool)

    @property
    def lengths(self) -> np.ndarray:
        """Length of each edge, float64 (n_edges,), km."""
        return self.km[self.edges[:, 0], self.edges[:, 1]]

    def measure(self, members: np.ndarray) -> CoastFit:
        """Measure own drift and the changes across all edges inside a part of the tree, and return its coast.

        Args:
            members: int, sites of the part.
        """
        ways = Ways(self.km, self.beside, members)
        whole = fit_coast(self.replicates.drift, ways, members)
        inner = ~whole.is_end
        self.own[:, members[inner]] = whole.own[:, inner]
        ordinary = self.ordinary_drift()
        for e in self.inside(members).tolist():
            window = np.sort(self.near(e, members))
            change = fit_coast(self.replicates.drift, ways, window).change_across(*self.edges[e].tolist())
            lone = sum(len(side) == 1 for side in sides(self.edges, members, e))
            self.lone[e] = lone > 0
            self.change[:, e] = np.maximum(change - lone * ordinary, 0.0) if lone else change
        return whole

    def ordinary_drift(self) -> np.ndarray:
        """Return the median own drift of the sites where it could be measured, float64 (n_blocks + 1,), 0 if none."""
        known = np.isfinite(self.own[0])
        return np.median(self.own[:, known], axis=1) if known.any() else np.zeros(len(self.own))

    def inside(self, members: np.ndarray) -> np.ndarray:
        """Return the numbers of the edges inside a part, int64."""
        return np.flatnonzero(np.isin(self.edges, members).all(axis=1))

    def rates(self, chosen: np.ndarray) -> np.ndarray:
        """Return the change a km across some edges, float64 (n_blocks + 1, n_chosen); NaN for edges of no length."""
        lengths = self.lengths[chosen]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(lengths > 0, self.change[:, chosen] / lengths, np.nan)

    def others(self, edge: int | None, cut: np.ndarray) -> np.ndarray:
        """Return the edges that tell what distance explains at an edge, int64: all but itself and those cut.

        Edges with a single site on one side, whose change is mixed up with that site's drift, are left out where
        NEAR_SITES others remain.
        """
        found = np.flatnonzero(~cut & np.isfinite(self.change[0]))
        found = found[found != edge] if edge is not None else found
        inner = found[~self.lone[found]]
        return inner if len(inner) >= NEAR_SITES else found

    def median_rate(self, edge: int | None, cut: np.ndarray) -> np.ndarray:
        """Return the median change a km of all edges but the one under test and those cut, float64 (n_blocks + 1,).

        Each edge weighs as much as it is long, so a minority of lines among them does not move it.
        """
        others = self.others(edge, cut)
        return weighted_median(self.rates(others), self.lengths[others])

    def step_spread(self, edge: int | None, cut: np.ndarray, length: float) -> float:
        """Return by how much an edge of some length varies among the others, as a normal standard deviation of y.

        Changes add up along the coast, so that of a longer edge varies with the root of its length.

        Args:
            edge: the edge under test, which is left out; None for an edge of none.
            cut: as in `median_rate`.
            length: km.
        """
        others = self.others(edge, cut)
        rates, lengths = self.rates(others)[:1], self.lengths[others]
        deviation = weighted_median(np.abs(rates - weighted_median(rates, lengths)), lengths)[0]
        return float(np.nan_to_num(deviation) * MEDIAN_DEVIATION_TO_SD * np.sqrt(length * np.median(self.lengths)))

    def rates_of_distance(self, edge: int, members: np.ndarray, cut: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what distance explains at an edge, two changes a km, float64 (n_blocks + 1,).

        Args:
            edge: the edge under test, which is left out.
            members: int, sites of the part under test.
            cut: bool (n_edges,), edges already taken for lines or contact zones; they are left out.

        Returns:
            That near the edge, NaN where nothing tells it; and that of no place in particular, the median rate or that
            of both sides of a long edge. Neither is negative.
        """
        long = self.long_rates(edge, members, cut)
        if long is not None:
            return long[1], long[0]
        median = self.median_rate(edge, cut)
        found = [median]
        for side in sides(self.edges, members, edge):
            inside = self.inside(side)
            among = np.append(inside, edge)
            hops = edge_hops(self.edges, among, edge)[:-1]
            near = inside[np.lexsort((inside, hops))]
            near = self.rates(near[~cut[near]][:NEAR_EDGES])
            known = np.isfinite(near)
            found.append(np.where(known.any(axis=1), np.where(known, near, np.inf).min(axis=1, initial=np.inf), np.nan))
        stacked = np.stack(found)
        known = np.isfinite(stacked)
        highest = np.where(known, np.maximum(stacked, 0.0), -np.inf).max(axis=0)
        return np.where(known.any(axis=0), highest, np.nan), np.maximum(np.nan_to_num(median), 0.0)

    def long_rates(self, edge: int, members: np.ndarray, cut: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        """Return what distance explains at a long edge, two changes a km, float64 (n_blocks + 1,), never negative.

        Args:
            edge: the edge under test.
            members: as in `rates_of_distance`.
            cut: as in `rates_of_distance`.

        Returns:
            That of both sides, and that of the steeper side where it exceeds the first by MIN_ERRORS standard errors,
            else again the first. None where the edge is not long, or has too few sites on either side.
        """
        others = self.others(edge, cut)
        if not len(others) or self.lengths[edge] <= LONG_EDGE * np.median(self.lengths[others]):
            return None
        broken = cut.copy()
        broken[edge] = True
        label = segments(self.edges, broken | ~np.isin(self.edges, members).all(axis=1), len(self.km))
        beside = [[side[label[side] == k] for k in np.unique(label[side])] for side in sides(self.edges, members, edge)]
        both = change_a_km(self.replicates.drift, self.km, beside[0] + beside[1])
        if both is None:
            return None
        steeper = both
        for groups in beside:
            many = [group for group in groups if len(group) > ENOUGH_SITES]  # a side by itself needs more to go by
            rate = change_a_km(self.replicates.drift, self.km, many)
            if rate is not None and self.replicates.t_value(rate - both) > MIN_ERRORS:
                steeper = rate
        return np.maximum(both, 0.0), np.maximum(steeper, 0.0)

    def near(self, edge: int, members: np.ndarray) -> np.ndarray:
        """Return the sites nearest to an edge, at most NEAR_SITES on either side."""
        i, j = self.edges[edge].tolist()
        one, other = sides(self.edges, members, edge)
        return np.concatenate([nearest(self.km, i, one, NEAR_SITES), nearest(self.km, j, other, NEAR_SITES)])

    def test(self, edge: int, members: np.ndarray, cut: np.ndarray, level: int) -> Cut:
        """Return the evidence for a line at an edge inside a part of the tree that has been measured.

        Args:
            edge: number of the edge.
            members: int, sites of the part.
            cut: as in `rates_of_distance`.
            level: level of the hierarchy; the correction is over all edges of the tree times this level.
        """
        i, j = self.edges[edge].tolist()
        rate, median = self.rates_of_distance(edge, members, cut)
        lone = min(len(side) for side in sides(self.edges, members, edge)) == 1
        length = float(self.km[i, j])
        place = Place(edge, level, length, self.step_spread(edge, cut, length), lone)
        return self.read(place, self.change[:, edge], rate, median)

    def test_beside(self, pair: tuple[int, int], parts: tuple[np.ndarray, np.ndarray], cut: np.ndarray) -> Cut:
        """Return the evidence for a line between two sites side by side that no edge of the tree joins.

        Args:
            pair: a site of each of two parts.
            parts: int, sites of the first part, sites of the second.
            cut: as in `rates_of_distance`.
        """
        ways = Ways(self.km, self.beside, np.sort(np.concatenate(parts)))
        window = [nearest(self.km, end, part, NEAR_SITES) for end, part in zip(pair, parts, strict=True)]
        change = fit_coast(self.replicates.drift, ways, np.sort(np.concatenate(window))).change_across(*pair)
        lone = sum(len(part) == 1 for part in parts)
        if lone:
            change = np.maximum(change - lone * self.ordinary_drift(), 0.0)
        rate = self.median_rate(None, cut)
        median = np.maximum(np.nan_to_num(rate), 0.0)
        rate = np.where(np.isfinite(rate), median, np.nan)
        length = float(self.km[pair])
        spread = self.step_spread(None, cut, length)
        return self.read(Place(len(self.edges), 1, length, spread, False), change, rate, median)

    def read(self, place: Place, change: np.ndarray, rate: np.ndarray, median: np.ndarray) -> Cut:
        """Return the evidence for a line with its reading and grade.

        Args:
            place: the edge.
            change: float64 (n_blocks + 1,), change across it.
            rate: float64 (n_blocks + 1,), rate of distance near it.
            median: float64 (n_blocks + 1,), median rate.
        """
        length = place.length
        known = bool(np.isfinite(rate[0]))
        excess = to_fst(change - np.nan_to_num(rate) * length)
        low, high = self.replicates.interval(excess)
        p = self.replicates.p_greater(to_fst(change - median * length))
        expected = float(np.nan_to_num(rate[0]) * length)
        cut = Cut(
            edge=place.edge,
            level=place.level,
            excess=float(excess[0]),
            ci_low=float(low),
            ci_high=float(high),
            p_value=p,
            p_nearby=self.replicates.p_greater(excess),
            p_adjusted=min(1.0, p * len(self.edges) * place.level) if np.isfinite(p) else float("nan"),
            step=float(to_fst(change[0])),
            expected_step=float(to_fst(expected)) if known else float("nan"),
            median_step=float(to_fst(np.nan_to_num(rate[0]) * np.median(self.lengths))) if known else float("nan"),
            spread=float(to_fst(place.spread)),
            n_contact_sites=0,
            reading="",
            grade="",
        )
        cut = replace(cut, reading="end_of_coast" if place.lone and known else reading_of(cut, self.rules))
        return replace(cut, grade=grade_of(cut, self.rules))
