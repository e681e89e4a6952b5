"""Statistics that every stage shares: block jackknife, proportions and their intervals, false-discovery rates."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

MIN_CHROMOSOMES = 5
CONTIGUOUS_BLOCKS = 20

CHI_SQUARE_95 = 3.841458820694124  # 0.95 quantile with one degree of freedom
CHI_SQUARE_MEDIAN = 0.45493642311957283  # median with one degree of freedom
LIKELIHOOD_DROP = CHI_SQUARE_95 / 2  # fall of log likelihood that bounds a 95 % profile interval
NORMAL_95 = 1.959963984540054  # half a 95 % interval of a normal distribution, in standard deviations
MEDIAN_DEVIATION_TO_SD = 1.4826  # of a normal distribution: standard deviation over median absolute deviation


def chromosome_blocks(chrom: np.ndarray, pos: np.ndarray, min_blocks: int = MIN_CHROMOSOMES) -> np.ndarray:
    """Return the jackknife block of each marker: its chromosome, or a contiguous stretch where chromosomes are few.

    Whole chromosomes are independent of one another whatever the linkage. With fewer than `min_blocks` of them each
    chromosome is cut into stretches of equal numbers of markers, about CONTIGUOUS_BLOCKS in all; neighbouring stretches
    share some linkage, so intervals are then somewhat too narrow.

    Args:
        chrom: (n_markers,) chromosome names.
        pos: (n_markers,) positions in base pairs; order within a chromosome is taken from them.
        min_blocks: least number of chromosomes for which whole chromosomes serve as blocks.

    Returns:
        int64 (n_markers,), blocks numbered from 0 without gaps, chromosomes in order of first appearance.
    """
    chrom, pos = np.asarray(chrom), np.asarray(pos)
    number: dict = {}
    code = np.array([number.setdefault(name, len(number)) for name in chrom.tolist()], dtype=np.int64)
    if len(number) >= min_blocks or code.size == 0:
        return code
    sizes = np.bincount(code)
    block, first = np.empty(code.size, dtype=np.int64), 0
    for chromosome, size in enumerate(sizes.tolist()):
        parts = min(size, max(1, round(CONTIGUOUS_BLOCKS * size / code.size)))
        members = np.flatnonzero(code == chromosome)
        members = members[np.argsort(pos[members], kind="stable")]
        block[members] = first + np.arange(size) * parts // size
        first += parts
    return block


def blocks_among(chosen: np.ndarray, markers: pd.DataFrame) -> np.ndarray:
    """Return the jackknife block of some markers, and -1 of the others, int64 (n_markers,).

    Args:
        chosen: bool (n_markers,), markers that count.
        markers: table with chrom and pos, one row a marker.
    """
    block = np.full(len(chosen), -1, dtype=np.int64)
    block[chosen] = chromosome_blocks(markers["chrom"].to_numpy()[chosen], markers["pos"].to_numpy()[chosen])
    return block


def jackknife(leave_one_out: np.ndarray, estimate: np.ndarray | float, weights: np.ndarray | None = None) -> np.ndarray:
    """Return the standard error by the weighted delete-one-block jackknife.

    Args:
        leave_one_out: float64 (n_blocks, ...), the estimate without each block.
        estimate: float64 (...), the estimate from all blocks.
        weights: (n_blocks,) or (n_blocks, ...), how much of the data each block holds (markers); equal by default.
            Blocks of weight 0 hold no data and are left out of the count of blocks.

    Returns:
        float64 (...); NaN where fewer than two blocks hold data or an estimate is undefined.

    Source: Busing, Meijer & van der Leeden (1999) Statistics and Computing 9:3-8, for unequal blocks; with equal
        weights the delete-one jackknife of Tukey.
    """
    values, estimate = np.asarray(leave_one_out, dtype=np.float64), np.asarray(estimate, dtype=np.float64)
    weights = _full_weights(values, weights)
    used = weights > 0
    blocks = used.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = weights / weights.sum(axis=0)
        scale = np.where(used, 1 / share, np.inf)  # total over block: "h" in the paper
        kept = np.where(used, values, 0.0)
        centre = blocks * estimate - np.sum(np.where(used, (1 - share) * kept, 0.0), axis=0)
        pseudo = np.where(used, scale * estimate - (scale - 1) * kept, 0.0)
        terms = np.where(used, (pseudo - centre) ** 2 / (scale - 1), 0.0)
        variance = terms.sum(axis=0) / blocks
    return np.sqrt(np.where(blocks >= 2, variance, np.nan))


def jackknife_interval(
    estimate: np.ndarray | float, leave_one_out: np.ndarray, confidence: float = 0.95, weights: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (low, high, standard error) of a jackknifed estimate: estimate -+ t x SE, degrees of freedom blocks - 1.

    Args:
        estimate: float64 (...), the estimate from all blocks.
        leave_one_out: float64 (n_blocks, ...), the estimate without each block.
        confidence: coverage aimed at, in (0, 1).
        weights: as in `jackknife`.

    Returns:
        Three float64 (...); bounds are never clipped to a range.
    """
    estimate = np.asarray(estimate, dtype=np.float64)
    error = jackknife(leave_one_out, estimate, weights)
    used = (_full_weights(np.asarray(leave_one_out, dtype=np.float64), weights) > 0).sum(axis=0)
    reach = error * t_quantile(used - 1, confidence)
    return estimate - reach, estimate + reach, error


def t_quantile(degrees: np.ndarray | int, confidence: float = 0.95) -> np.ndarray:
    """Return the two-sided quantile of Student's t; NaN where there are no degrees of freedom.

    Args:
        degrees: degrees of freedom, any shape.
        confidence: coverage aimed at, in (0, 1).
    """
    degrees = np.asarray(degrees, dtype=np.float64)
    return np.where(degrees >= 1, special.stdtrit(np.maximum(degrees, 1), 0.5 + confidence / 2), np.nan)


def ratio_leave_one_out(numerator: np.ndarray, denominator: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a ratio of sums and its values without each block.

    Args:
        numerator: float64 (n_blocks, ...), sums by block.
        denominator: float64 (n_blocks, ...), sums by block.

    Returns:
        (estimate (...), leave_one_out (n_blocks, ...)); NaN where a denominator is 0.
    """
    numerator, denominator = np.asarray(numerator, dtype=np.float64), np.asarray(denominator, dtype=np.float64)
    top, bottom = numerator.sum(axis=0), denominator.sum(axis=0)
    return divide_or_nan(top, bottom), divide_or_nan(top - numerator, bottom - denominator)


def ratio_interval(
    numerator: np.ndarray, denominator: np.ndarray, weights: np.ndarray | None = None, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return (estimate, low, high, standard error) of a ratio of sums, jackknifed over blocks.

    Args:
        numerator: float64 (n_blocks, ...), sums by block.
        denominator: float64 (n_blocks, ...), sums by block.
        weights: (n_blocks,) or (n_blocks, ...), markers by block; equal blocks by default.
        confidence: coverage aimed at, in (0, 1).
    """
    estimate, without = ratio_leave_one_out(numerator, denominator)
    return estimate, *jackknife_interval(estimate, without, confidence, weights)


def divide_or_nan(top: np.ndarray | float, bottom: np.ndarray | float) -> np.ndarray:
    """Return top / bottom as float64, NaN where bottom is 0, without a warning.

    Args:
        top: numbers of any shape.
        bottom: numbers that broadcast with `top`.
    """
    top, bottom = np.broadcast_arrays(np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64))
    return np.divide(top, bottom, out=np.full(top.shape, np.nan), where=bottom != 0)


def wilson(
    successes: np.ndarray | int, trials: np.ndarray | int, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Return the score interval (low, high) of a proportion; NaN where there are no trials.

    Args:
        successes: counts, any shape.
        trials: counts that broadcast with `successes`.
        confidence: coverage aimed at, in (0, 1).

    Source: Wilson (1927) J Am Stat Assoc 22:209-212; method 3 of Newcombe (1998) Stat Med 17:857-872.
    """
    k, n = np.broadcast_arrays(np.asarray(successes, dtype=np.float64), np.asarray(trials, dtype=np.float64))
    z = special.ndtri(0.5 + confidence / 2)
    p = divide_or_nan(k, n)
    centre, reach = 2 * n * p + z * z, z * np.sqrt(z * z + 4 * n * p * (1 - p))
    low, high = (centre - reach) / (2 * (n + z * z)), (centre + reach) / (2 * (n + z * z))
    return np.where(k == 0, np.where(n > 0, 0.0, np.nan), low), np.where((k == n) & (n > 0), 1.0, high)


def binomial_upper_tail(
    successes: np.ndarray | int, trials: np.ndarray | int, probability: np.ndarray | float
) -> np.ndarray:
    """Return P(X >= successes) for X binomial(trials, probability).

    Args:
        successes: counts, any shape.
        trials: counts that broadcast with `successes`.
        probability: chance of a success, in [0, 1].
    """
    k, n, p = (np.asarray(a, dtype=np.float64) for a in (successes, trials, probability))
    return np.where(k <= 0, 1.0, np.where(k > n, 0.0, special.betainc(np.maximum(k, 1), np.maximum(n - k + 1, 1), p)))


def false_discovery(p_values: np.ndarray) -> np.ndarray:
    """Return q values: p adjusted for the false-discovery rate.

    Args:
        p_values: float64 (n,), NaN where no test was made; those count neither as tests nor get a value.

    Returns:
        float64 (n,): rejecting q <= a keeps the expected share of false rejections at or below a.

    Source: Benjamini & Hochberg (1995) J R Stat Soc B 57:289-300.
    """
    p = np.asarray(p_values, dtype=np.float64)
    out = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    if tested.size:
        order = tested[np.argsort(p[tested], kind="stable")]
        scaled = p[order] * tested.size / np.arange(1, tested.size + 1)
        out[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return out


def holm(p_values: np.ndarray) -> np.ndarray:
    """Return p values corrected so that any false rejection among all tests has at most the level as its chance.

    Args:
        p_values: float64 (n,), NaN where no test was made; those count neither as tests nor get a value.

    Source: Holm (1979) Scand J Stat 6:65-70; holds whatever the dependence between tests.
    """
    p = np.asarray(p_values, dtype=np.float64)
    out = np.full(p.shape, np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    scaled = p[order] * (tested.size - np.arange(tested.size))
    out[order] = np.minimum(np.maximum.accumulate(scaled), 1.0)
    return out


def permutation_p(as_extreme: np.ndarray | int, permutations: int) -> np.ndarray:
    """Return the p value of a permutation test, (b + 1) / (m + 1), which is never 0.

    Args:
        as_extreme: permutations at least as extreme as the observation, any shape.
        permutations: permutations drawn.

    Source: Phipson & Smyth (2010) Stat Appl Genet Mol Biol 9:39.
    """
    return (np.asarray(as_extreme, dtype=np.float64) + 1) / (permutations + 1)


def _full_weights(values: np.ndarray, weights: np.ndarray | None) -> np.ndarray:
    if weights is None:
        return np.ones(values.shape)
    weights = np.asarray(weights, dtype=np.float64)
    return np.broadcast_to(weights.reshape(weights.shape + (1,) * (values.ndim - weights.ndim)), values.shape)
