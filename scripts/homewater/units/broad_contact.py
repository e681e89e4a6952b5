"""Two stocks without a line: places where neighbouring sites are mixtures of what lies beyond them on either side.

Where two stocks meet and interbreed, their shares change from site to site, over one site or twenty. No single step
need be large then. But every site between is a mixture of the two ends, and f3 is negative in mixtures alone: drift,
distance and lines never make it so. So each stretch of coast between two sites is tried, with up to three sites at
either end as the sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import optimize, special

from homewater.statistics.intervals import t_quantile
from homewater.units.additive_coast import Ways
from homewater.units.break_evidence import Search
from homewater.units.break_rules import CONTACT_SHARE, LEAST_F3_SHARE, MIN_F3_T, NEAR_SITES, is_mixed_place
from homewater.units.mixtures import f3, mixture_shares, spread
from homewater.units.replicates import to_fst
from homewater.water.site_tree import nearest, sides

FULL_F3 = 0.98  # the shortest stretch with this share of the most negative f3: beyond pure sites f3 gains nothing
SEVERAL_SITES = 0.9  # sources of several sites go before single ones where f3 is as negative to this share
FITTED_SITES = 3  # from so many sites of a contact on, a curve through all shares tells its sites best


def _logistic(widths: np.ndarray) -> np.ndarray:
    return special.expit(4 * widths)


def _normal(widths: np.ndarray) -> np.ndarray:
    return special.ndtr(np.sqrt(2 * np.pi) * widths)


SHAPES = (_logistic, _normal)  # of a cline, from places in widths from its centre


@dataclass(frozen=True)
class Contact:
    """Two stocks that meet.

    Attributes:
        one: int64, sites of the first source.
        other: int64, sites of the second source.
        way: int64, sites between the sources, from the first to the second.
        share: float64 (n_way,), share of the second stock at each of them, 0 to 1.
        zone: bool (n_way,), sites where both have more than a tenth.
        edge: number of the edge of the tree at which the second source's share passes one half.
        difference: float64 (n_blocks + 1,), F_ST between the sources beyond distance and own drift.
    """

    one: np.ndarray
    other: np.ndarray
    way: np.ndarray
    share: np.ndarray
    zone: np.ndarray
    edge: int
    difference: np.ndarray


def find_contact(search: Search, members: np.ndarray, cut: np.ndarray) -> Contact | None:
    """Return the contact of two stocks inside a part of the tree, or None.

    A stretch counts where f3 of a site inside is below 0 beyond chance (Student's t over chromosomes, corrected for all
    sites of all stretches) and by at least LEAST_F3_SHARE of the difference of the sources, where that site's share is
    that of a mixture too, and where the sources differ by the least F_ST beyond what distance explains. Of those, the
    one with the most negative f3 is taken; and of those nearly as negative, the shortest, whose sources lie closest
    beyond the contact.

    Args:
        search: what the search has measured.
        members: int, sites of the part.
        cut: bool (n_edges,), edges already taken for lines or contact zones.
    """
    replicates, drift = search.replicates, search.replicates.drift
    if replicates.degrees < 1 or len(members) < 3 or not np.isfinite(drift[:, members][:, :, members]).all():
        return None
    stretches = _stretches(search, members)
    tried = sum(len(way) for _, _, way in stretches)
    if not tried:
        return None
    # one-sided, corrected: the two-sided quantile of twice the level
    limit = min(MIN_F3_T, -float(t_quantile(replicates.degrees, 1 - 2 * search.rules.break_level / tried)))
    passing = []
    for one, other, way in stretches:
        negative = f3(drift, way, one, other)
        apart = spread(drift, one, other)
        found = (replicates.t_value(negative) < limit) & (negative[0] < -LEAST_F3_SHARE * apart[0])
        if found.any() and apart[0] > 0:
            passing.append((float(negative[0][found].min()), len(way), one, other, way[found], way))
    if not passing:
        return None
    # own drift of a source of one site cannot be taken off its shares, so sources of several go before
    several = [p for p in passing if min(len(p[2]), len(p[3])) > 1]
    if several and min(p[0] for p in several) <= SEVERAL_SITES * min(p[0] for p in passing):
        passing = several
    deepest = min(p[0] for p in passing)
    full = [p for p in passing if p[0] <= FULL_F3 * deepest]
    for _, _, one, other, mixed, way in sorted(full, key=lambda p: (p[1], p[0], p[2][0], p[3][0])):
        contact = contact_of(search, cut, (one, other, way))
        # f3 is never so negative in a site that is nearly pure: there it is noise
        if contact is not None and np.isin(mixed, contact.way[contact.zone]).any():
            return contact
    return None


def _stretches(search: Search, members: np.ndarray) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Return (first source, second source, sites between) of every stretch with a site between its ends."""
    tree = Ways(search.km, search.edges, members)
    sources: dict[tuple[int, int], np.ndarray] = {}

    def source(end: int, edge: tuple[int, int]) -> np.ndarray:
        """Return the sites nearest to an end, itself first, that do not lie beyond an edge."""
        at = search.number[edge]
        if (end, at) not in sources:
            first, second = sides(search.edges, members, at)
            sources[end, at] = nearest(search.km, end, first if end in first else second, NEAR_SITES)
        return sources[end, at]

    found = []
    for a, i in enumerate(members.tolist()):
        for j in members[a + 1 :].tolist():
            path = tree.between(i, j)
            if len(path) < 2:
                continue
            way, here = [], i
            for edge in path[:-1]:
                here = edge[1] if edge[0] == here else edge[0]
                way.append(here)
            found.append((source(i, path[0]), source(j, path[-1]), np.array(way)))
    return found


def contact_of(search: Search, cut: np.ndarray, stretch: tuple[np.ndarray, np.ndarray, np.ndarray]) -> Contact | None:
    """Return the contact of a stretch, or None where its sources do not differ by the least F_ST beyond doubt.

    Args:
        search: what the search has measured.
        cut: bool (n_edges,), edges already taken for lines or contact zones.
        stretch: sites of the first source, of the second, and between them.
    """
    one, other, way = stretch
    drift, replicates = search.replicates.drift, search.replicates
    measured = mixture_shares(drift, way, one, other)
    share, (low, high) = np.clip(measured[0], 0.0, 1.0), CONTACT_SHARE
    if ((share > low) & (share < high)).sum() >= FITTED_SITES:
        share = smooth_shares(search.km, stretch, share, np.nan_to_num(replicates.error(measured)))
    zone = (share > low) & (share < high)
    line = np.concatenate([[one[0]], way, [other[0]]])
    along = np.concatenate([[0.0], share, [1.0]])
    # the half is passed where the share rises the most from one half or less to more
    rises = [k for k in range(len(line) - 1) if along[k] <= 0.5 < along[k + 1]]
    if not rises or not zone.any():
        return None
    at = max(rises, key=lambda k: along[k + 1] - along[k])
    edges = [search.number[min(a, b), max(a, b)] for a, b in pairwise(line.tolist())]
    outside = cut.copy()
    outside[edges] = True
    enough = (~outside & ~search.lone & np.isfinite(search.change[0])).sum() >= NEAR_SITES
    rate = np.maximum(np.nan_to_num(search.median_rate(None, outside)), 0.0) * enough
    difference = to_fst(spread(drift, one, other) - rate * spread(search.km[None], one, other)[0])
    beyond_doubt = replicates.p_greater(difference) < search.rules.break_level
    if not (difference[0] >= search.rules.min_break_fst and beyond_doubt):
        return None
    return Contact(one, other, way, share, zone, edges[at], difference)


def smooth_shares(
    km: np.ndarray, stretch: tuple[np.ndarray, np.ndarray, np.ndarray], share: np.ndarray, error: np.ndarray
) -> np.ndarray:
    """Return the shares on the curve that lies nearest to the measured ones, float64 (n_way,).

    Two shapes of one width are tried: the logistic, which selection against hybrids keeps, and the normal distribution,
    to which exchange between neighbours widens a contact; its tails are lighter. The nearer one is taken.

    The sources count as no purer than the curve is at their places: what was measured between them as 0 to 1 is the
    curve between its values there. So a contact that reaches into the sources is not told as narrower than it is.

    Args:
        km: float64 (n, n), distances by water.
        stretch: sites of the first source, of the second, and between them.
        share: float64 (n_way,), measured shares.
        error: float64 (n_way,), their standard errors.

    Source: Szymura & Barton (1986) Evolution 40:1141-1159 for the logistic; Endler (1977) Geographic Variation,
        Speciation, and Clines, for neutral contacts (from memory: the diffusion equation from a step gives the normal
        distribution, with width, the inverse of the steepest slope, sqrt(2 pi) standard deviations); least squares by
        scipy.
    """
    one, other, way = stretch
    start, end = float(km[one[0], way[0]]), float(km[way[-1], other[0]])
    along = start + np.concatenate([[0.0], np.cumsum(km[way[:-1], way[1:]])])
    length = float(along[-1]) + end
    before, beyond = -km[one[0], one], length + km[other[0], other]
    weight = 1 / np.maximum(error, max(float(np.median(error)), 1e-3))

    def curve(shape, parameters: np.ndarray, places: np.ndarray) -> np.ndarray:
        centre, log_width = parameters
        return shape((places - centre * length) / (np.exp(log_width) * length))

    def misfit(parameters: np.ndarray, shape) -> np.ndarray:
        low, high = curve(shape, parameters, before).mean(), curve(shape, parameters, beyond).mean()
        return ((curve(shape, parameters, along) - low) / max(high - low, 1e-6) - share) * weight

    centre = float(np.interp(0.5, np.maximum.accumulate(share), along)) / length if length > 0 else 0.5
    starts = [np.array([np.clip(centre, 0.05, 0.95), np.log(width)]) for width in (0.2, 0.6)]
    bounds = ([-0.5, np.log(0.01)], [1.5, np.log(3.0)])
    fits = [(optimize.least_squares(misfit, at, bounds=bounds, args=(of,)), of) for of in SHAPES for at in starts]
    found, shape = min(fits, key=lambda fit: fit[0].cost)
    return curve(shape, found.x, along)


def is_between(search: Search, site: int, one: np.ndarray, other: np.ndarray) -> bool:
    """Whether a site with a line on either side is a mixture of what lies beyond them, and no stock of its own.

    Args:
        search: what the search has measured.
        site: site number.
        one: int, sites beyond one line.
        other: int, sites beyond the other.
    """
    drift, here = search.replicates.drift, np.array([site])
    one, other = (nearest(search.km, site, flank, NEAR_SITES) for flank in (one, other))
    share = mixture_shares(drift, here, one, other, search.ordinary_drift())[:, 0]
    negative, apart = f3(drift, here, one, other)[:, 0], spread(drift, one, other)
    own = negative + share * (1 - share) * apart
    t = float(np.nan_to_num(search.replicates.t_value(negative)))
    low = float(search.replicates.interval(own, confidence=0.9)[0])
    return is_mixed_place(float(share[0]), float(apart[0]), low, t, search.rules)
