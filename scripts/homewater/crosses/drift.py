"""How much the sites of one unit differ among themselves (F_ST within the unit), by the animals that define it."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from homewater.statistics.allele_counts import AlleleCounts


def drift_within(counts: AlleleCounts) -> float:
    """Return F_ST among the sites of one unit, as a ratio of sums over markers and pairs of sites.

    Args:
        counts: alleles counted at each locus in each site, (n_loci, n_sites).

    Returns:
        F_ST, at least 0; NaN where fewer than two sites have two copies or more, or nothing varies.
    Source: Bhatia et al. (2013) Genome Res 23:1514-1521, equation 10.
    """
    top = bottom = 0.0
    alternate, copies = counts.alternate, counts.copies
    frequency = np.divide(alternate, copies, out=np.zeros(copies.shape), where=copies > 0)
    correction = np.divide(frequency * (1 - frequency), copies - 1, out=np.zeros(copies.shape), where=copies > 1)
    for a, b in combinations(range(copies.shape[1]), 2):
        usable = (copies[:, a] > 1) & (copies[:, b] > 1)
        first, second = frequency[usable, a], frequency[usable, b]
        top += float(((first - second) ** 2 - correction[usable, a] - correction[usable, b]).sum())
        bottom += float((first * (1 - second) + second * (1 - first)).sum())
    return max(0.0, top / bottom) if bottom > 0 else float("nan")


def drift_by_unit(dosages: np.ndarray, site: np.ndarray, unit: np.ndarray, n_units: int) -> np.ndarray:
    """Return `drift_within` of every unit; a unit with one site takes the largest value of the others, or 0.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        site: int (n_animals,), site of each animal.
        unit: int (n_animals,), unit of each animal; -1 is left out.
        n_units: number of units.

    Returns:
        float64 (n_units,).
    """
    drift = np.full(n_units, np.nan)
    for u in range(n_units):
        sites = np.unique(site[unit == u])
        if len(sites) < 2:
            continue
        typed = [dosages[(unit == u) & (site == s)] for s in sites]
        alternate = np.stack([np.where(d > 0, d, 0).sum(axis=0) for d in typed], axis=1).astype(float)
        copies = np.stack([2.0 * (d >= 0).sum(axis=0) for d in typed], axis=1)
        drift[u] = drift_within(AlleleCounts(alternate, copies))
    spare = np.nanmax(drift) if np.isfinite(drift).any() else 0.0
    return np.where(np.isnan(drift), spare, drift)
