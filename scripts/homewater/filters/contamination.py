"""How much of an animal's reads comes from a second animal in its tube.

A cross of two stocks is told from it by its reads. At homozygous calls of a cross reads of the other allele are as rare
as errors, and at its heterozygous calls the two alleles have half of the reads each. A second animal adds reads of the
other allele at homozygous calls, and heterozygous calls that are off half and half. Neither sign would do alone: the
more foreign reads there are, the more homozygous places are called heterozygous. So the share reported is the one at
which both signs are as observed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.filters.heterozygosity import SPREADS
from homewater.genotypes.read_balance import MIN_DEPTH, balance_limits
from homewater.statistics.intervals import CHI_SQUARE_95, MEDIAN_DEVIATION_TO_SD, divide_or_nan

MIN_READS = 1000  # at homozygous calls; fewer tell too little of one animal
MIN_HETEROZYGOUS = 50  # calls whose balance is judged
MIN_ANIMALS = 10  # with reads enough; fewer do not tell what is usual
SHARES = np.arange(101) / 200  # that are tried: 0 to 1/2, beyond which the other animal is the one genotyped
MODEL_ERROR = 0.25  # of an expected excess: callers differ, and so do the sites from which the other animal may be
CALLER_ERROR = (0.001, 0.02)  # of a read, as callers take it
LEAST_DEPTH, GREATEST_DEPTH = 4, 300  # of the reads modelled


@dataclass(frozen=True)
class Contamination:
    """What the reads of each animal say.

    Attributes:
        share: float64 (n_animals,), share of the reads that comes from another animal; NaN where unknown.
        low: float64 (n_animals,), lower end of its 95 % interval.
        high: float64 (n_animals,), upper end.
        stray: bool (n_animals,), more reads of the other allele at homozygous calls than errors explain.
        uneven: bool (n_animals,), more heterozygous calls off half and half than usual.
        imbalance: float64 (n_animals,), share of heterozygous calls outside the central 95 % of a fair draw.
        imbalance_limit: float64 (n_animals,), above it a share is more than usual; NaN where unknown.
        n_judged: animals whose reads were enough.
    """

    share: np.ndarray
    low: np.ndarray
    high: np.ndarray
    stray: np.ndarray
    uneven: np.ndarray
    imbalance: np.ndarray
    imbalance_limit: np.ndarray
    n_judged: int


def second_genome(dosages: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Return sums from which follows what a second genome carries where an animal's own calls are.

    Args:
        dosages: int8 (n_block, n_animals), MISSING = -1.
        frequency: float64 (n_block,), p of the alternate allele; NaN where unknown.

    Returns:
        float64 (n_animals, 5): homozygous calls; sums over them of the chance that the other animal carries one copy of
        the other allele, and two; heterozygous calls; sum over them of the chance that the other is homozygous.
    """
    known = np.isfinite(frequency)
    p = frequency[known]
    reference, het, alternate = ((dosages[known] == value).astype(np.float64) for value in (0, 1, 2))
    homozygous = reference + alternate
    return np.stack(
        [
            homozygous.sum(axis=0),
            homozygous.T @ (2 * p * (1 - p)),
            reference.T @ p**2 + alternate.T @ (1 - p) ** 2,
            het.sum(axis=0),
            het.T @ (p**2 + (1 - p) ** 2),
        ],
        axis=1,
    )


def contamination(read_balance: np.ndarray, second: np.ndarray, usual: np.ndarray) -> Contamination:
    """Estimate the share of foreign reads of each animal.

    What is usual is the median over the usual animals, and its scatter their median absolute deviation, so that a few
    contaminated ones move neither; counting error is added. Where contamination is everywhere the same it looks like
    error, and none is found.

    Args:
        read_balance: int64 (n_animals, 6), as the genotype store holds it.
        second: float64 (n_animals, 5), summed over blocks of `second_genome`.
        usual: bool (n_animals,), animals that tell what is usual.

    Source: two-genome mixture as in Jun et al. (2012) Am J Hum Genet 91:839-848, here by two moments (from memory).
    """
    reads, n = read_balance.astype(np.float64), len(read_balance)
    total, judged_hets = reads[:, 0] + reads[:, 2], reads[:, 4] >= MIN_HETEROZYGOUS
    rate = np.where(total >= MIN_READS, divide_or_nan(reads[:, 1] + reads[:, 3], total), np.nan)
    imbalance = np.where(judged_hets, divide_or_nan(reads[:, 5], reads[:, 4]), np.nan)
    level, rate_spread = _usual(rate, usual, total)
    middle, imbalance_spread = _usual(imbalance, usual, reads[:, 4])
    limit = middle + SPREADS * imbalance_spread
    share, low, high = (np.full(n, np.nan) for _ in range(3))
    known = np.isfinite(rate) & np.isfinite(rate_spread) & (second[:, 0] > 0)
    if known.any():
        rates, imbalances = _expected(total, second, level, usual & known)
        distance = _distance(rate - level, rates - rates[:, :1], rate_spread)
        uneven_known = known & np.isfinite(imbalance) & np.isfinite(imbalance_spread)
        more = _distance(imbalance - middle, imbalances - imbalances[:, :1], imbalance_spread)
        distance[uneven_known] += more[uneven_known]
        best = distance.argmin(axis=1)
        near = distance - distance[np.arange(n), best][:, None] <= CHI_SQUARE_95
        share = np.where(known, SHARES[best], np.nan)
        low = np.where(known, SHARES[near.argmax(axis=1)], np.nan)
        high = np.where(known, SHARES[len(SHARES) - 1 - near[:, ::-1].argmax(axis=1)], np.nan)
    return Contamination(
        share,
        low,
        high,
        np.nan_to_num(rate - level - SPREADS * rate_spread, nan=-1.0) > 0,
        np.nan_to_num(imbalance - limit, nan=-1.0) > 0,
        imbalance,
        limit,
        int(known.sum()),
    )


def _usual(values: np.ndarray, usual: np.ndarray, trials: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the median of the usual animals and the standard deviation of each; NaN where the usual ones are few."""
    known = values[usual & np.isfinite(values)]
    if known.size < MIN_ANIMALS:
        return float("nan"), np.full(values.size, np.nan)
    middle = float(np.median(known))
    scatter = MEDIAN_DEVIATION_TO_SD * float(np.median(np.abs(known - middle)))
    return middle, np.sqrt(scatter**2 + middle * (1 - middle) / np.maximum(trials, 1))


def _distance(observed: np.ndarray, expected: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Return squared standardised distances, float64 (n_animals, n_shares); not finite ones as 0."""
    variance = spread[:, None] ** 2 + (MODEL_ERROR * expected) ** 2
    return np.nan_to_num((observed[:, None] - expected) ** 2 / variance + np.log(variance / spread[:, None] ** 2))


def _expected(total: np.ndarray, second: np.ndarray, level: float, usual: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rate of stray reads and the share of uneven calls to be expected at each of SHARES, by animal."""
    depth = np.clip(divide_or_nan(total, second[:, 0]), LEAST_DEPTH, GREATEST_DEPTH / 1.5)
    depth = np.nan_to_num(depth, nan=float(LEAST_DEPTH))
    depths = np.arange(LEAST_DEPTH, GREATEST_DEPTH + 1)
    weight = np.exp(special.xlogy(depths, depth[:, None]) - depth[:, None] - special.gammaln(depths + 1.0))
    weight /= weight.sum(axis=1, keepdims=True)
    last = int(np.flatnonzero((weight > 1e-9).any(axis=0)).max()) + 1
    depths, weight = depths[:last], weight[:, :last]
    # chance of a read of the other allele: own homozygous and the other with 0, 1 or 2 copies; own heterozygous
    share = np.concatenate([np.zeros(1), SHARES / 2, SHARES])
    homozygous = share * (1 - level) + (1 - share) * level
    by_depth = [_outcomes(np.concatenate([homozygous, 0.5 + SHARES / 2]), int(d), level) for d in depths]
    stray, kept, off, judged = (weight @ np.stack([row[part] for row in by_depth]) for part in range(4))
    n = len(SHARES)
    none, one, two, het = slice(0, 1), slice(1, 1 + n), slice(1 + n, 1 + 2 * n), slice(1 + 2 * n, 1 + 3 * n)
    first, both = (divide_or_nan(second[:, c], second[:, 0])[:, None] for c in (1, 2))
    neither = 1 - first - both
    rates = divide_or_nan(
        neither * stray[:, none] + first * stray[:, one] + both * stray[:, two],
        neither * kept[:, none] + first * kept[:, one] + both * kept[:, two],
    )
    # a clean animal's share of heterozygous calls stands for the animal's own
    own = float(np.median(divide_or_nan(second[usual, 3], second[usual, 0] + second[usual, 3]))) if usual.any() else 0.0
    apart = np.nan_to_num(divide_or_nan(second[:, 4], second[:, 3]))[:, None]
    half = slice(het.start, het.start + 1)
    uneven = [
        own * (apart * part[:, het] + (1 - apart) * part[:, half])
        + (1 - own) * (neither * part[:, none] + first * part[:, one] + both * part[:, two])
        for part in (off, judged)
    ]
    return rates, divide_or_nan(uneven[0], uneven[1])


def _outcomes(chance: np.ndarray, depth: int, level: float) -> tuple[np.ndarray, ...]:
    """Return, for reads of the other allele of that chance at one depth, what is called and seen.

    float64 (n,) each: other reads where the call is homozygous, all reads there, the chance of a heterozygous call that
    is judged and uneven, and of one that is judged.
    """
    count = np.arange(depth + 1)
    log = special.gammaln(depth + 1.0) - special.gammaln(count + 1.0) - special.gammaln(depth - count + 1.0)
    mass = np.exp(log + special.xlogy(count, chance[:, None]) + special.xlogy(depth - count, 1 - chance[:, None]))
    error = min(max(level, CALLER_ERROR[0]), CALLER_ERROR[1])
    # the genotype that makes the reads most probable
    few = count * np.log((1 - error) / error) <= depth * np.log(2 * (1 - error))
    many = few[::-1]
    het = mass * ~(few | many) * (depth >= MIN_DEPTH)
    least = balance_limits()[depth]
    uneven = (count < least) | (count > depth - least)
    homozygous = mass * few
    return homozygous @ count, homozygous.sum(axis=1) * depth, het @ uneven, het.sum(axis=1)
