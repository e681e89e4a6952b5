"""By how much linkage enlarges the error of F_ST, measured in the study.

Markers are drawn independently where a study is simulated, so what linkage adds to the error is taken from the data. It
is the error between chromosomes over the error of as many independent markers, averaged over all cuts of the tree and
never below 1. One cut alone would tell it badly, since chromosomes are few.
"""

from __future__ import annotations

import numpy as np

from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.intervals import jackknife
from homewater.water.site_tree import sides


def linkage_inflation(counts: np.ndarray, block: np.ndarray, edges: np.ndarray) -> float:
    """Return by how much linkage enlarges the error of F_ST: root of the mean ratio of variances over the tree's cuts.

    Args:
        counts: int32 (n_markers, n_sites, 4).
        block: int64 (n_markers,).
        edges: int64 (n_sites - 1, 2), the tree.
    """
    ratios = []
    for edge in range(len(edges)):
        alleles, kept = _polymorphic_copies(counts, sides(edges, np.arange(counts.shape[1]), edge))
        x, n = alleles.alternate, alleles.copies
        if len(np.unique(block[kept])) < 2:
            continue
        found, error = estimate(x[None], n, block[kept])
        top, bottom = _parts(x, n)
        alone = np.sqrt(((top - found[0] * bottom) ** 2).sum()) / bottom.sum()
        ratios.append(float((error[0] / alone) ** 2))
    return max(1.0, float(np.sqrt(np.mean(ratios)))) if ratios else 1.0


def _polymorphic_copies(counts: np.ndarray, groups: tuple[np.ndarray, np.ndarray]) -> tuple[AlleleCounts, np.ndarray]:
    """Return the allele counts of two groups of sites, int64 (n_kept, 2), and the markers kept.

    A marker is kept where both groups have somebody typed and both alleles occur.
    """
    pooled = np.stack([counts[:, group].sum(axis=1) for group in groups], axis=1).astype(np.int64)
    alleles = AlleleCounts.of_genotypes(pooled)
    total = alleles.alternate.sum(axis=1)
    kept = np.flatnonzero((alleles.copies.min(axis=1) >= 2) & (total > 0) & (total < alleles.copies.sum(axis=1)))
    return alleles.take(kept), kept


def _parts(x: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return numerator and denominator of each marker, float64 (..., n_markers)."""
    p = x / n
    within = p * (1 - p) / (n - 1)
    top = (p[..., 0] - p[..., 1]) ** 2 - within.sum(axis=-1)
    return top, p[..., 0] * (1 - p[..., 1]) + p[..., 1] * (1 - p[..., 0])


def estimate(x: np.ndarray, n: np.ndarray, block: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return F_ST of two samples of allele copies and its jackknife error, for many draws of the same size.

    Args:
        x: int (draws, n_markers, 2), alternate copies.
        n: int (n_markers, 2), copies.
        block: int (n_markers,), block of each marker.

    Returns:
        (estimate, error), float64 (draws,).

    Source: Bhatia et al. (2013) Genome Res 23:1514-1521, equation 10, Hudson's estimator as a ratio of sums.
    """
    top, bottom = _parts(x, n)
    blocks = np.unique(block)
    sums = [np.stack([values[:, block == b].sum(axis=1) for b in blocks]) for values in (top, bottom)]
    whole = sums[0].sum(axis=0) / sums[1].sum(axis=0)
    without = (sums[0].sum(axis=0) - sums[0]) / (sums[1].sum(axis=0) - sums[1])
    return whole, jackknife(without, whole, np.bincount(block)[blocks])
