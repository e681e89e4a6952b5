"""Isolation by distance: how F / (1 - F) rises with the distance by water, over all sites and inside each unit.

The p value comes from leaving out chromosomes. Sites are not permuted: they are few, and pairs share them, so such a
test would reject too often. Two lines are fitted. One is by least squares; the other is by maximum likelihood, with an
effect of each site on all its pairs.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.tables.unit_names import sorted_units
from homewater.units.replicates import Replicates

MIN_SITES = 3
_SHARED = np.arange(0, 0.5, 0.01)  # correlation of two pairs that share a site; at 0.5 the pairs are their sites' sums


def isolation_table(replicates: Replicates, km: np.ndarray, units: list[str]) -> pd.DataFrame:
    """Return table isolation_by_distance: a row for all sites and one for each unit of MIN_SITES sites or more.

    Args:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, NaN where not joined; such pairs are left out.
        units: unit of each site, empty where it has none.

    Source: Rousset (1997) Genetics 145:1219-1228, one dimension: the slope against distance.
    """
    names = sorted_units(units)
    scopes = [("all", np.arange(len(km)))]
    scopes += [(u, np.flatnonzero(np.array(units) == u)) for u in names]
    rows = [row_of(replicates, km, name, sites) for name, sites in scopes if name == "all" or len(sites) >= MIN_SITES]
    return pd.DataFrame(rows)


def row_of(replicates: Replicates, km: np.ndarray, scope: str, sites: np.ndarray) -> dict:
    """Return one row: both slopes with intervals, correlation and p values; empty below MIN_SITES sites."""
    first, second = (sites[index] for index in np.triu_indices(len(sites), 1))
    distance, linear = km[first, second], replicates.linear[:, first, second]
    known = np.isfinite(distance) & np.isfinite(linear).all(axis=0)
    first, second, distance, linear = first[known], second[known], distance[known], linear[:, known]
    row = {"scope": scope, "n_sites": len(sites)}
    empty = float("nan")
    if len(sites) < MIN_SITES or len(distance) < MIN_SITES or np.ptp(distance) == 0:
        names = ("slope", "correlation", "p_value", "ci_low", "ci_high", "slope_site_effects", "p_value_site_effects")
        return row | dict.fromkeys(names, empty) | {"shared_site_correlation": empty, "n_pairs": len(distance)}
    plain = slopes(distance, linear, np.eye(len(distance)))
    shared = shared_site_correlation(first, second, distance, linear[0])
    with_sites = slopes(distance, linear, pair_covariance(first, second, shared))
    low, high = replicates.interval(plain)
    spread = linear[0].std()
    return row | {
        "slope": float(plain[0]),
        "correlation": float(np.corrcoef(distance, linear[0])[0, 1]) if spread > 0 else empty,
        "p_value": replicates.p_greater(plain),
        "ci_low": float(low),
        "ci_high": float(high),
        "slope_site_effects": float(with_sites[0]),
        "p_value_site_effects": replicates.p_greater(with_sites),
        "shared_site_correlation": shared,
        "n_pairs": len(distance),
    }


def pair_covariance(first: np.ndarray, second: np.ndarray, shared: float) -> np.ndarray:
    """Return the correlation matrix of pairs: 1 on the diagonal, `shared` where two pairs share a site, else 0.

    Args:
        first: int (n_pairs,).
        second: int (n_pairs,).
        shared: correlation of two pairs that share one site, in [0, 0.5).

    Source: Clarke, Rothery & Raybould (2002) J Agric Biol Environ Stat 7:361-372.
    """
    pairs = np.stack([first, second], axis=1)
    common = (pairs[:, None, :, None] == pairs[None, :, None, :]).any(axis=-1).sum(axis=-1)
    return np.where(common == 2, 1.0, np.where(common == 1, shared, 0.0))


def slopes(distance: np.ndarray, linear: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return the generalised least-squares slope of each replicate, float64 (replicates,).

    Args:
        distance: float64 (n_pairs,).
        linear: float64 (replicates, n_pairs).
        covariance: float64 (n_pairs, n_pairs), up to a factor.
    """
    design = np.stack([np.ones_like(distance), distance], axis=1)
    weighted = np.linalg.solve(covariance, design)
    return (linear @ weighted) @ np.linalg.inv(design.T @ weighted)[:, 1]


def shared_site_correlation(first: np.ndarray, second: np.ndarray, distance: np.ndarray, linear: np.ndarray) -> float:
    """Return the maximum-likelihood correlation of pairs that share a site, on a grid of 0.01.

    Args:
        first: int (n_pairs,).
        second: int (n_pairs,).
        distance: float64 (n_pairs,).
        linear: float64 (n_pairs,).
    """
    design = np.stack([np.ones_like(distance), distance], axis=1)
    best, chosen = -np.inf, 0.0
    for shared in _SHARED:
        covariance = pair_covariance(first, second, float(shared))
        sign, logarithm = np.linalg.slogdet(covariance)
        weighted = np.linalg.solve(covariance, design)
        rest = linear - design @ np.linalg.solve(design.T @ weighted, weighted.T @ linear)
        squares = float(rest @ np.linalg.solve(covariance, rest))
        if sign <= 0 or squares <= 0:
            continue
        likelihood = -0.5 * (len(distance) * np.log(squares) + logarithm)
        if likelihood > best + 1e-9:
            best, chosen = likelihood, round(float(shared), 2)
    return chosen
