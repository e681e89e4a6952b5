"""Effective population size of one site from linkage disequilibrium between markers on different chromosomes."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from scipy import special

from homewater.tables.kept_animals import evenly_spaced

MIN_FREQUENCY = 0.05  # rarer alleles bias the estimate upwards (Waples & Do 2010 Evol Appl 3:244-262)
MAX_MARKERS = 2000  # two million pairs; more add no precision, since animals, not pairs, are what is few
SMALL_SAMPLE = 30  # below, Waples (2006) gives other constants

# Why there is an estimate or none; the report's catalogue holds the words.
ESTIMATED, NO_DRIFT, UNDEFINED = "estimated", "no_drift_signal", "undefined"
TOO_FEW_ANIMALS, TOO_FEW_MARKERS, ONE_CHROMOSOME = "too_few_animals", "too_few_markers", "one_chromosome"


@dataclass(frozen=True)
class EffectiveSize:
    """Result of `effective_size`.

    Attributes:
        estimate: animals; infinity where linkage disequilibrium is no more than sampling alone gives; NaN if undefined.
        low: lower bound, 95 %.
        high: upper bound, 95 %; infinity where the sample cannot tell from an infinite population.
        basis: one of the constants of this module.
        n_markers: markers at or above the frequency cut-off.
        r_squared: weighted mean of Burrows' squared correlation.
    """

    estimate: float
    low: float
    high: float
    basis: str
    n_markers: int = 0
    r_squared: float = np.nan


def expected_r_squared(n: np.ndarray | float, small: bool) -> np.ndarray:
    """Return what sampling n animals alone gives as Burrows' squared correlation between unlinked markers.

    Args:
        n: animals typed at both markers.
        small: True for the constants of samples under SMALL_SAMPLE animals.

    Source: Waples (2006) Conserv Genet 7:167-184, table 2 (constants from memory). They belong to the correlation with
        the factor n / (n - 1); the plain squared correlation of dosages has expectation 1 / (n - 1).
    """
    n = np.asarray(n, dtype=np.float64)
    return 0.0018 + 0.907 / n + 4.44 / n**2 if small else 1 / n + 3.19 / n**2


def size_from_drift(drift: float, small: bool) -> float:
    """Return the effective size behind the part of r-squared that sampling does not explain, for random mating.

    Args:
        drift: mean r-squared less its expectation from sampling.
        small: as in `expected_r_squared`.

    Returns:
        Animals; infinity where drift <= 0, NaN where no size gives so high a value.

    Source: Waples (2006) Conserv Genet 7:167-184, table 2 (constants from memory).
    """
    if not drift > 0:
        return np.nan if np.isnan(drift) else np.inf
    linear, quadratic = (0.308, 2.08) if small else (1 / 3, 2.76)
    inner = linear**2 - quadratic * drift
    return (linear + np.sqrt(inner)) / (2 * drift) if inner >= 0 else np.nan


def effective_size(
    dosages: np.ndarray, chrom: np.ndarray, min_individuals: int = 3, confidence: float = 0.95
) -> EffectiveSize:
    """Return the effective size of the population that one sample comes from.

    Pairs of markers on different chromosomes only; each pair counts by the square of the animals typed at both. The
    interval is of the chi-square form, with as many degrees of freedom as a jackknife over animals gives: pairs of
    markers share animals, so their number says nothing about precision. Kin are not thinned: they are the signal.

    Args:
        dosages: int8 (n_markers, n_animals) of one site, MISSING = -1; no frequency filter made.
        chrom: int (n_markers,), chromosome of each marker, numbered in any way.
        min_individuals: fewer animals give no estimate.
        confidence: coverage aimed at, in (0, 1).

    Source: Waples (2006) Conserv Genet 7:167-184; weights of Waples & Do (2008) Mol Ecol Resour 8:753-756; interval
        after Jones, Ovenden & Wang (2016) Heredity 117:217-223 (all from memory).
    """
    chrom = np.asarray(chrom, dtype=np.int64)
    n_animals = dosages.shape[1]
    if n_animals < max(3, min_individuals):
        return EffectiveSize(np.nan, np.nan, np.nan, TOO_FEW_ANIMALS)
    if np.unique(chrom).size < 2:
        return EffectiveSize(np.nan, np.nan, np.nan, ONE_CHROMOSOME)
    used = evenly_spaced(_frequent(dosages), MAX_MARKERS)
    if np.unique(chrom[used]).size < 2:
        return EffectiveSize(np.nan, np.nan, np.nan, TOO_FEW_MARKERS, used.size)
    chosen = np.ascontiguousarray(dosages[used])
    typed = (chosen >= 0).astype(np.float64)
    values = np.where(chosen >= 0, chosen, 0).astype(np.float64)
    weight, inverse = _typed_together(typed, chrom[used])
    small = bool(weight < SMALL_SAMPLE * inverse)  # harmonic mean of animals typed at both, over pairs
    expected = np.concatenate([np.zeros(3), expected_r_squared(np.arange(3, n_animals + 1), small)])
    drift, r_squared = _drift(values, typed, chrom[used], expected)
    if np.isnan(drift[0]):
        return EffectiveSize(np.nan, np.nan, np.nan, TOO_FEW_MARKERS, used.size)
    low, high = _bounds(drift, r_squared, n_animals, confidence)
    estimate = size_from_drift(float(drift[0]), small)
    basis = UNDEFINED if np.isnan(estimate) else NO_DRIFT if np.isinf(estimate) else ESTIMATED
    bounds = size_from_drift(high, small), size_from_drift(low, small)
    return EffectiveSize(estimate, *bounds, basis, used.size, float(r_squared))


def _bounds(drift: np.ndarray, r_squared: float, n_animals: int, confidence: float) -> tuple[float, float]:
    without = drift[1:]
    variance = (n_animals - 1) / n_animals * ((without - without.mean()) ** 2).sum()
    if not variance > 0:
        return np.nan, np.nan
    freedom = 2 * r_squared**2 / variance
    tail = (1 - confidence) / 2
    sampling = r_squared - drift[0]
    low, high = (freedom * r_squared / special.chdtri(freedom, t) - sampling for t in (tail, 1 - tail))
    return low, high


def _frequent(dosages: np.ndarray) -> np.ndarray:
    typed = (dosages >= 0).sum(axis=1)
    copies = np.where(dosages > 0, dosages, 0).sum(axis=1)
    minor = np.minimum(copies, 2 * typed - copies)
    return np.flatnonzero((typed > 0) & (minor >= 2 * typed * MIN_FREQUENCY))


@numba.njit(cache=True)
def _typed_together(typed, chrom):  # pragma: no cover
    """Pairs on different chromosomes, and the sum over them of 1 / animals typed at both."""
    pairs, inverse = 0.0, 0.0
    for i in range(typed.shape[0]):
        for j in range(i + 1, typed.shape[0]):
            if chrom[i] != chrom[j]:
                n = 0.0
                for k in range(typed.shape[1]):
                    n += typed[i, k] * typed[j, k]
                if n >= 3:
                    pairs += 1
                    inverse += 1 / n
    return pairs, inverse


@numba.njit(cache=True)
def _drift(values, typed, chrom, expected):  # pragma: no cover
    """Weighted mean of r-squared less its expectation: from all animals (first entry) and without each one.

    All sums over animals are of small whole numbers, so leaving an animal out by subtraction is exact.
    """
    n_animals = values.shape[1]
    total, weight = np.zeros(n_animals + 1), np.zeros(n_animals + 1)
    raw = 0.0
    both = np.zeros(n_animals)
    for i in range(values.shape[0]):
        x = values[i]
        for j in range(i + 1, values.shape[0]):
            if chrom[i] == chrom[j]:
                continue
            y = values[j]
            n, sx, sy, sxx, syy, sxy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            for k in range(n_animals):
                t = typed[i, k] * typed[j, k]
                both[k] = t
                n += t
                sx += t * x[k]
                sy += t * y[k]
                sxx += t * x[k] * x[k]
                syy += t * y[k] * y[k]
                sxy += x[k] * y[k]
            if n < 4:  # without one animal three are left
                continue
            spread = (n * sxx - sx * sx) * (n * syy - sy * sy)
            if spread <= 0:
                continue
            covariance = n * sxy - sx * sy
            scale_full, scale_less = (n / (n - 1)) ** 2, ((n - 1) / (n - 2)) ** 2
            expected_full, expected_less = expected[int(n)], expected[int(n) - 1]
            weight_full, weight_less = n * n, (n - 1) * (n - 1)
            r = covariance * covariance / spread * scale_full
            total[0] += weight_full * (r - expected_full)
            weight[0] += weight_full
            raw += weight_full * r
            for k in range(n_animals):
                t = both[k]
                m = n - t
                tx, ty = t * x[k], t * y[k]
                ux, uy = sx - tx, sy - ty
                c = m * (sxy - tx * ty) - ux * uy
                d = (m * (sxx - tx * tx) - ux * ux) * (m * (syy - ty * ty) - uy * uy)
                w = weight_full + t * (weight_less - weight_full)
                w = w if d > 0 else 0.0
                d = d if d > 0 else 1.0
                scale = scale_full + t * (scale_less - scale_full)
                total[k + 1] += w * (c * c / d * scale - (expected_full + t * (expected_less - expected_full)))
                weight[k + 1] += w
    out = np.full(n_animals + 1, np.nan)
    for k in range(n_animals + 1):
        if weight[k] > 0:
            out[k] = total[k] / weight[k]
    return out, (raw / weight[0] if weight[0] > 0 else np.nan)
