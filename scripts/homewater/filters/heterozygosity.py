"""How heterozygous an animal may be.

More than the other animals of its site is a lead: a cross perhaps. More than any first cross is a fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD

SPREADS = 4.0  # standard deviations beyond which an animal is flagged or removed
MIN_ANIMALS = 5  # of a site, for a level of its own


@dataclass(frozen=True)
class Limits:
    """Limits of the heterozygosity of animals.

    Attributes:
        local: float64 (n_sites,), above it an animal of that site is more heterozygous than locals are.
        first_cross: above it an animal is more heterozygous than a first cross of any two sites.
    """

    local: np.ndarray
    first_cross: float


def first_cross_sums(counts: np.ndarray) -> np.ndarray:
    """Return sums over a block of markers whose ratio is the expected heterozygosity of crosses between two sites.

    Args:
        counts: int (n_markers, n_sites, 3 or more): homozygous reference, heterozygous, homozygous alternate.

    Returns:
        float64 (2, n_sites, n_sites): over markers called at both, the sum of p (1 - q) + q (1 - p), p and q the
        frequencies of the two sites, and the number of markers. Source: common practice.
    """
    alleles = AlleleCounts.of_genotypes(counts)
    p = np.nan_to_num(alleles.frequency)
    there = (alleles.copies > 0).astype(np.float64)
    absent = there - p
    return np.stack([p.T @ absent + absent.T @ p, there.T @ there])


def limits(
    heterozygosity: np.ndarray,
    site: np.ndarray,
    defines: np.ndarray,
    crosses: np.ndarray,
    n_markers: int,
    n_sites: int,
) -> Limits:
    """Return the limits of the animals of each site.

    The spread is that of the defining animals about their sites' medians (from the median absolute deviation, so that
    crosses and faulty records among them do not widen it), and at least that of independent markers.

    Args:
        heterozygosity: float64 (n_animals,), share of heterozygous among called genotypes; NaN where none is called.
        site: int (n_animals,), index of each animal's site.
        defines: bool (n_animals,), whether the animal may define frequencies.
        crosses: float64 (n_defining_sites, n_defining_sites), expected heterozygosity of crosses (`first_cross_sums`)
            over the markers from which `heterozygosity` comes; NaN where unknown.
        n_markers: number of those markers.
        n_sites: number of sites.
    """
    usable = defines & np.isfinite(heterozygosity)
    medians, deviations = np.full(n_sites, np.nan), []
    for s in range(n_sites):
        own = heterozygosity[usable & (site == s)]
        if own.size >= MIN_ANIMALS:
            medians[s] = np.median(own)
            deviations.append(np.abs(own - medians[s]))
    everyone = float(np.median(heterozygosity[usable])) if usable.any() else np.nan
    spread = MEDIAN_DEVIATION_TO_SD * float(np.median(np.concatenate(deviations))) if deviations else 0.0
    if np.isfinite(everyone) and n_markers:
        spread = max(spread, float(np.sqrt(everyone * (1 - everyone) / n_markers)))
    # a site without a level of its own takes the highest: it may be as diverse as that
    elsewhere = float(np.nanmax(medians)) if deviations else everyone
    level = np.where(np.isfinite(medians), medians, elsewhere)
    highest = float(np.nanmax(crosses)) if np.isfinite(crosses).any() else np.nan
    return Limits(level + SPREADS * spread, max(highest, float(np.nanmax(level, initial=-1.0))) + SPREADS * spread)
