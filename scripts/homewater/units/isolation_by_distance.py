"""Isolation by distance: how differences rise with the distance by water, over all sites and inside each unit.

Two lines are fitted. The first is by least squares: F / (1 - F) of every pair against its distance (Rousset 1997); its
p value takes sites as given, and a site that drifted far on its own, at an end of the coast, makes it small. The second
gives every site an effect of its own, shared by all its pairs, so that drift of a site's own is no distance. It is
fitted to half the squared difference of frequencies, which adds up along any tree of drift (Patterson and others 2012):
F / (1 - F) does not where drift is strong.

What is stated rests on the second alone, and asks for three things:

- the slope is above 0 against the chance of markers, by leaving out chromosomes;
- it is among the largest that the same sites give when they change places: sites that are kin in pairs or in patches
  that have nothing to do with distance differ beyond chance too;
- it does not vanish when any one site is left out.
"""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pandas as pd

from homewater.running.seeds import Draws
from homewater.statistics.intervals import permutation_p
from homewater.tables.unit_names import sorted_units
from homewater.units.replicates import Replicates

MIN_SITES = 3  # for a line
# For a statement. Own drift of three sites explains any three differences, and of five evenly spaced sites 8 of 120
# orders give as large a slope as a perfect gradient.
MIN_STATED_SITES = 6
LEVEL = 0.05  # of the stated p value; convention
# Level with one site left out. At 0.05 a weak gradient over six sites (0.001 a step) was laid on one site in 37 of 200
# drawn studies, at 0.2 in 3; islands were called a gradient in 0 and 1 of 200.
LEFT_OUT_LEVEL = 0.2
MAX_SITES_ENUMERATED = 7  # all 5,040 orders; with more sites so many orders are drawn
DRAWN_ORDERS = 4999
PAIRS_AT_A_TIME = 4_000_000  # of sites, over all orders: 32 MB

# readings of table isolation_by_distance; the report's catalogue holds the words
ISOLATION_BY_DISTANCE, ONE_SITE_ALONE = "isolation_by_distance", "one_site_alone"
NOT_DETECTED, TOO_FEW_SITES = "not_detected", "too_few_sites"


def isolation_table(
    replicates: Replicates, km: np.ndarray, units: list[str], sites: list[str], draws: Draws
) -> pd.DataFrame:
    """Return table isolation_by_distance: a row for all sites and one for each unit of MIN_SITES sites or more.

    Args:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, NaN where not joined; such pairs are left out.
        units: unit of each site, empty where it has none or two meet.
        sites: locationID of each site.
        draws: random numbers, one task a scope.

    Source: Rousset (1997) Genetics 145:1219-1228, one dimension: the slope against distance.
    """
    scopes = [("all", np.arange(len(km)))]
    scopes += [(u, np.flatnonzero(np.array(units) == u)) for u in sorted_units(units)]
    rows = []
    for name, own in scopes:
        if name == "all" or len(own) >= MIN_SITES:
            row = row_of(replicates, km, name, own, draws)
            number = row["site_that_matters_most"]
            rows.append(row | {"site_that_matters_most": "" if number is None else sites[number]})
    return pd.DataFrame(rows)


def row_of(replicates: Replicates, km: np.ndarray, scope: str, sites: np.ndarray, draws: Draws) -> dict:
    """Return one row: slopes, p values and the reading; estimates are NaN below MIN_SITES sites.

    Args:
        replicates: pairwise figures of all sites.
        km: float64 (n, n), distances by water, NaN where not joined.
        scope: what the row is of.
        sites: int (n_sites,), the sites that count.
        draws: random numbers; the task is named by the scope, so that a scope gets the same row wherever it is asked.

    Returns:
        Columns of table isolation_by_distance; `site_that_matters_most` is the number of a site, or None.
    """
    first, second = (sites[index] for index in np.triu_indices(len(sites), 1))
    distance, linear, additive = km[first, second], replicates.linear[:, first, second], replicates.drift
    known = np.isfinite(distance) & np.isfinite(linear).all(axis=0)
    first, second, distance, linear = first[known], second[known], distance[known], linear[:, known]
    numbers = ("slope", "correlation", "p_value", "ci_low", "ci_high", "slope_site_effects",
               "ci_low_site_effects", "ci_high_site_effects", "p_value_site_effects", "p_value_places",
               "p_value_stated", "p_value_without_one", "slope_without_one")  # fmt: skip
    row = {"scope": scope, "n_sites": len(sites), "n_pairs": len(distance)} | dict.fromkeys(numbers, float("nan"))
    row |= {"site_that_matters_most": None, "reading": TOO_FEW_SITES}
    if len(sites) < MIN_SITES or len(distance) < MIN_SITES or np.ptp(distance) == 0:
        return row
    plain = slopes(distance, linear)
    low, high = replicates.interval(plain)
    row |= {"slope": float(plain[0]), "p_value": replicates.p_greater(plain), "ci_low": float(low)}
    row["ci_high"] = float(high)
    if linear[0].std() > 0:
        row["correlation"] = float(np.corrcoef(distance, linear[0])[0, 1])
    values = additive[:, first, second]
    with_sites = slopes_with_site_effects(first, second, distance, values)
    row |= {"slope_site_effects": float(with_sites[0]), "p_value_site_effects": replicates.p_greater(with_sites)}
    low, high = replicates.interval(with_sites)
    row |= {"ci_low_site_effects": float(low), "ci_high_site_effects": float(high)}
    joined = np.unique(np.concatenate([first, second]))
    if len(joined) < MIN_STATED_SITES:
        return row
    row["p_value_places"] = p_of_places(first, second, distance, values[0], draws(f"isolation by distance, {scope}"))
    row["p_value_stated"] = max(row["p_value_site_effects"], row["p_value_places"])
    row |= _without_each(replicates, first, second, distance, values)
    row["reading"] = reading_of(row["p_value_stated"], row["p_value_without_one"])
    return row


def reading_of(p_value: float, p_value_without_one: float) -> str:
    """Return what is stated, by the one rule.

    Args:
        p_value: the larger of the p values against markers and against places; NaN where one is not known.
        p_value_without_one: the largest p value with one site left out; NaN where it is not known.
    """
    if math.isnan(p_value) or math.isnan(p_value_without_one):
        return TOO_FEW_SITES
    if p_value >= LEVEL:
        return NOT_DETECTED
    return ISOLATION_BY_DISTANCE if p_value_without_one < LEFT_OUT_LEVEL else ONE_SITE_ALONE


def slopes(distance: np.ndarray, linear: np.ndarray) -> np.ndarray:
    """Return the least-squares slope of each replicate, float64 (replicates,).

    Args:
        distance: float64 (n_pairs,).
        linear: float64 (replicates, n_pairs).
    """
    centred = distance - distance.mean()
    return linear @ centred / (centred @ centred)


def site_effects_taken_off(first: np.ndarray, second: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return what is left of the values of pairs when the best sum of an effect of either site is taken off.

    Args:
        first: int (n_pairs,), one site of each pair.
        second: int (n_pairs,), the other.
        values: float64 (n_pairs,).

    Returns:
        float64 (n_pairs,), least-squares residuals of value = effect of first + effect of second.
    """
    of_site, index = np.unique(np.concatenate([first, second]), return_inverse=True)
    n, one, other = len(of_site), index[: len(first)], index[len(first) :]
    normal = np.zeros((n, n))  # of the normal equations: pairs of a site on the diagonal, 1 where two sites are a pair
    for a, b in ((one, other), (other, one)):
        np.add.at(normal, (a, a), 1.0)
        np.add.at(normal, (a, b), 1.0)
    right = np.bincount(one, values, n) + np.bincount(other, values, n)
    effect = np.linalg.lstsq(normal, right, rcond=None)[0]
    return values - effect[one] - effect[other]


def slopes_with_site_effects(
    first: np.ndarray, second: np.ndarray, distance: np.ndarray, values: np.ndarray
) -> np.ndarray:
    """Return the slope on distance beside free site effects, float64 (replicates,); NaN where they explain distance.

    Value of a pair = effect of one site + effect of the other + slope x distance, by least squares over pairs. The
    slope is that of the values on the part of distance that no sum of site effects gives.

    Args:
        first: int (n_pairs,).
        second: int (n_pairs,).
        distance: float64 (n_pairs,).
        values: float64 (replicates, n_pairs).
    """
    rest = site_effects_taken_off(first, second, distance)
    if rest @ rest <= 1e-9 * (distance @ distance):
        return np.full(len(values), np.nan)
    return values @ rest / (rest @ rest)


def p_of_places(
    first: np.ndarray, second: np.ndarray, distance: np.ndarray, values: np.ndarray, rng: np.random.Generator
) -> float:
    """Return the share of orders in which the sites, put in each other's places, give no smaller a slope.

    All orders of up to MAX_SITES_ENUMERATED sites, else the given one and DRAWN_ORDERS drawn ones. Where water joins
    the sites in parts, sites change places within their part.

    Args:
        first: int (n_pairs,).
        second: int (n_pairs,).
        distance: float64 (n_pairs,).
        values: float64 (n_pairs,), differences of the pairs.
        rng: random numbers.

    Source: Mantel (1967) Cancer Res 27:209-220, on what is left of both when site effects are taken off.
    """
    of_site, index = np.unique(np.concatenate([first, second]), return_inverse=True)
    n, one, other = len(of_site), index[: len(first)], index[len(first) :]
    along = site_effects_taken_off(first, second, distance)
    left = np.zeros((n, n))
    left[one, other] = left[other, one] = site_effects_taken_off(first, second, values)
    if n <= MAX_SITES_ENUMERATED:
        orders = np.array(list(permutations(range(n))))
        part = _parts(one, other, n)
        orders = orders[(part[orders] == part).all(axis=1)]
    else:
        orders = _drawn_orders(_parts(one, other, n), rng)
    a_time = np.array_split(orders, 1 + len(orders) * len(one) // PAIRS_AT_A_TIME)
    found = np.concatenate([left[some[:, one], some[:, other]] @ along for some in a_time])
    given = left[one, other] @ along
    as_large = int((found >= given - 1e-9 * np.abs(found).max()).sum())
    return as_large / len(orders) if n <= MAX_SITES_ENUMERATED else float(permutation_p(as_large, len(orders)))


def _parts(one: np.ndarray, other: np.ndarray, n: int) -> np.ndarray:
    """Return int64 (n,): for each site the lowest site that pairs join it to."""
    part = np.arange(n)
    for _ in range(n):
        lowest = part.copy()
        np.minimum.at(lowest, one, part[other])
        np.minimum.at(lowest, other, part[one])
        if (lowest == part).all():
            break
        part = lowest
    return part


def _drawn_orders(part: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return int64 (DRAWN_ORDERS, n) random orders of the sites within their parts."""
    orders = np.tile(np.arange(len(part)), (DRAWN_ORDERS, 1))
    for number in np.unique(part):
        own = np.flatnonzero(part == number)
        orders[:, own] = rng.permuted(orders[:, own], axis=1)
    return orders


def _without_each(
    replicates: Replicates, first: np.ndarray, second: np.ndarray, distance: np.ndarray, values: np.ndarray
) -> dict:
    """Return the largest p value and the smallest slope with one site left out, and the site that matters most.

    The latter is the one without which p is largest. p is NaN where it is not known without some site.
    """
    tried = []
    for site in np.unique(np.concatenate([first, second])):
        stays = (first != site) & (second != site)
        slope = slopes_with_site_effects(first[stays], second[stays], distance[stays], values[:, stays])
        tried.append((replicates.p_greater(slope), float(slope[0]), int(site)))
    p_values, all_slopes, numbers = (np.array(column) for column in zip(*tried, strict=True))
    row = {"p_value_without_one": float(p_values.max()), "slope_without_one": float(all_slopes.min())}
    if not np.isnan(row["p_value_without_one"]):
        row["site_that_matters_most"] = int(numbers[np.argmax(p_values)])
    return row
