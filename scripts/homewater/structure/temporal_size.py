"""Effective population size from the change of allele frequencies between two samples of one site, taken years apart.

The change that sampling alone gives is taken off, and what remains is drift. With p the frequency in the young of the
first year and q that of the second, t generations later, drift in a population of effective size N leaves

    E[(p - q)^2] = H f,   f = 1 - (1 - 1 / (2 N))^t,   H = E[p (1 - p)].

Each sample is drawn apart from the parents of the next generation (plan II: the animals are taken young, or are few
beside all that breed). So the sample frequencies x and y are p and q with an independent error each, and

- (x - y)^2 exceeds (p - q)^2 by the two sampling variances. That of x is the variance of the animals' own frequencies
  (0, 1/2 or 1) over their number, which is unbiased whether or not they stand in Hardy-Weinberg proportions;
- x (1 - y) and y (1 - x) have the expectation E[p (1 - q)] = E[p (1 - p)] = H each, since drift has no direction. No
  correction for sampling is needed in the denominator, and neither year is the reference of the other.

Both are summed over markers before they are divided, so that rare alleles do not bias the ratio.

Source: plan II of Waples (1989) Genetics 121:379-391, and sums over loci in place of means of ratios as in Jorde &
Ryman (2007) Genetics 177:927-935, both from memory; the corrections above are derived here, and checked by simulation
in the test of this module.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.statistics.allele_counts import HET, HOM_ALT, n_called
from homewater.statistics.intervals import ratio_interval

# Why there is an estimate or none; the report's catalogue holds the words.
ESTIMATED, NO_DRIFT, UNDEFINED = "estimated", "no_drift_signal", "undefined"
UNDER_ONE_GENERATION = "under_one_generation"

ROUNDS = 30  # of the search for a bound whose variance is that at the bound itself; it settles within ten


@dataclass(frozen=True)
class TemporalSize:
    """Result of `temporal_size`.

    Attributes:
        estimate: animals; infinity where the samples differ no more than sampling alone gives; NaN if undefined.
        low: lower bound, 95 %; 0 where the interval of drift reaches complete fixation.
        high: upper bound, 95 %; infinity where the samples cannot tell from an infinite population.
        basis: one of the constants of this module.
    """

    estimate: float
    low: float
    high: float
    basis: str


def drift_sums(
    first: np.ndarray, second: np.ndarray, block: np.ndarray, n_blocks: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sums over markers, by block, whose ratio is the drift between two samples.

    Args:
        first: int (n_markers, 4), genotype counts of one sample: homozygous reference, heterozygous, homozygous
            alternate, missing.
        second: the same of the other sample.
        block: int (n_markers,), block of each marker, in 0..n_blocks-1.
        n_blocks: number of blocks.

    Returns:
        (squared differences less the sampling variances, heterozygosity between samples), float64 (n_blocks,).
        Markers with fewer than two animals typed in either sample add nothing.
    """
    x, x_variance, x_enough = _frequency(first)
    y, y_variance, y_enough = _frequency(second)
    used = x_enough & y_enough
    top = np.where(used, (x - y) ** 2 - x_variance - y_variance, 0.0)
    bottom = np.where(used, (x + y) / 2 - x * y, 0.0)
    return tuple(np.bincount(block, weights=part, minlength=n_blocks) for part in (top, bottom))


def _frequency(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the frequency of each marker, its sampling variance, and where two animals or more are typed."""
    n, het, hom = n_called(counts), counts[:, HET], counts[:, HOM_ALT]
    enough = n >= 2
    n = np.where(enough, n, 2).astype(np.float64)
    frequency = (het + 2 * hom) / (2 * n)
    variance = (hom + het / 4 - n * frequency**2) / (n * (n - 1))
    return frequency, variance, enough


def size_from_drift(drift: float, generations: float) -> float:
    """Return the effective size N that leaves so much drift: 1 - (1 - 1 / (2 N))^generations.

    Args:
        drift: f of this module's equation.
        generations: generations between the samples, above 0.

    Returns:
        Animals; infinity where drift <= 0, 0 where it is 1 or more, NaN where it is undefined.
    """
    if np.isnan(drift):
        return np.nan
    if drift <= 0:
        return np.inf
    return 0.0 if drift >= 1 else float(-0.5 / np.expm1(np.log1p(-drift) / generations))


def pedigree_variance(size: float, generations: float, n_second: int) -> float:
    """Return the variance of drift that all chromosomes share, which the spread between chromosomes does not show.

    A sample's animals have the parents that they happen to have, at every chromosome alike. Let c be the sum of the
    squared shares that the ancestors k generations back have in the sample: 1 / n for the animals themselves, and
    c / 2 + (1 - c / 2) / N one generation further back. Ancestors coincide in pairs with chance 1 / N, each pair apart
    from the others, which gives the generation's part of drift, 1 / (2 N), the variance c^2 / (8 N).

    Args:
        size: effective size N.
        generations: generations between the samples; a part of one counts as that part.
        n_second: animals of the later sample.

    Source: derived here; checked by simulation in the test of this module.
    """
    if not np.isfinite(size) or size <= 1:
        return 0.0
    share, total, left = 1 / n_second, 0.0, generations
    while left > 0 and total < 1:
        total += min(left, 1.0) * share**2 / (8 * size)
        share, left = share / 2 + (1 - share / 2) / size, left - 1
    return total


def temporal_size(
    top: np.ndarray, bottom: np.ndarray, markers: np.ndarray, generations: float, n_second: int
) -> TemporalSize:
    """Return the effective size between two samples of one site.

    The interval is that of the drift. Its variance is that of the jackknife over blocks, for chromosomes drift apart
    from one another, and `pedigree_variance` at the bound itself.

    Args:
        top: float64 (n_blocks,), as `drift_sums` gives it.
        bottom: the same.
        markers: int (n_blocks,), markers of each block.
        generations: generations between the samples; below 1 nothing is estimated, since two samples of one generation
            tell of its year classes and not of its size.
        n_second: animals of the later sample.
    """
    if generations < 1:
        return TemporalSize(np.nan, np.nan, np.nan, UNDER_ONE_GENERATION)
    drift, low, _, error = (float(value) for value in ratio_interval(top, bottom, markers))
    estimate = size_from_drift(drift, generations)
    if not estimate > 0:
        return TemporalSize(np.nan, np.nan, np.nan, UNDEFINED)
    basis = NO_DRIFT if np.isinf(estimate) else ESTIMATED
    if not error > 0:  # a single block tells nothing of its own error
        return TemporalSize(estimate, np.nan, np.nan, basis)
    quantile, bounds = (drift - low) / error, []
    for side in (1, -1):
        bound = drift
        for _ in range(ROUNDS):
            variance = pedigree_variance(size_from_drift(bound, generations), generations, n_second)
            bound = min(drift + side * quantile * np.sqrt(error**2 + variance), 1.0)
        bounds.append(size_from_drift(bound, generations))
    return TemporalSize(estimate, *bounds, basis)
