"""Differences between sites with the error of any figure made from them, chromosomes being the replicates.

Sites are too few and too alike to be permuted. So everything here is computed once from all blocks of the genome, and
once more without each block. A figure made from many pairs of sites then gets its error from chromosomes, which are
independent of one another whatever the sites have in common.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.statistics.fst import block_weights, group_pairs, pair_components
from homewater.statistics.intervals import jackknife, t_quantile


@dataclass(frozen=True)
class Replicates:
    """Pairwise figures from all blocks (first) and without each block (the rest).

    Attributes:
        linear: float64 (n_blocks + 1, n, n), F / (1 - F) of each pair of sites (Rousset 1997); NaN where undefined.
        drift: float64 (n_blocks + 1, n, n), Weir & Cockerham's component between the two sites of a pair, summed over
            markers and divided by the mean over pairs of the summed components within sites: half the squared
            difference of frequencies, without sampling noise. All pairs share one scale, so the figures of a tree of
            descent add up along its branches; where sites are equally diverse it is F / (1 - F).
        weights: int64 (n_blocks,), markers a block.
    """

    linear: np.ndarray
    drift: np.ndarray
    weights: np.ndarray

    @property
    def degrees(self) -> int:
        """Degrees of freedom of every error: blocks that hold data, less one."""
        return max(0, int((self.weights > 0).sum()) - 1)

    def error(self, values: np.ndarray) -> np.ndarray:
        """Return the jackknife standard error of a figure, float64 (...); its replicates are (n_blocks + 1, ...)."""
        values = np.asarray(values, dtype=np.float64)
        if len(values) < 3:
            return np.full(values.shape[1:], np.nan)
        return jackknife(values[1:], values[0], self.weights)

    def interval(self, values: np.ndarray, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return (low, high) of a figure from its replicates."""
        reach = self.error(values) * t_quantile(self.degrees, confidence)
        return values[0] - reach, values[0] + reach

    def t_value(self, values: np.ndarray) -> np.ndarray:
        """Return figures over their errors, float64 (...); their replicates are (n_blocks + 1, ...)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return values[0] / self.error(values)

    def p_greater(self, values: np.ndarray) -> float:
        """Return the one-sided p value of "not above 0" by Student's t, NaN where there is no error."""
        t = self.t_value(values)
        if self.degrees < 1 or not np.isfinite(t):
            return float("nan")
        return float(special.stdtr(self.degrees, -t))


def pair_replicates(counts: np.ndarray, block: np.ndarray) -> Replicates:
    """Return the pairwise figures and their replicates.

    Args:
        counts: int32 (n_markers, n_sites, 4), homozygous reference, heterozygous, homozygous alternate, missing.
        block: int64 (n_markers,), as `homewater.statistics.intervals.chromosome_blocks` gives it.

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370; Rousset (1997) Genetics 145:1219-1228.
    """
    n = counts.shape[1]
    if not len(block) or n < 2:
        empty = np.full((1, n, n), np.nan)
        return Replicates(empty, empty, np.zeros(0, dtype=np.int64))
    return replicates_of_sums(*pair_components(counts, block), block_weights(block), n)


def replicates_of_sums(numerator: np.ndarray, denominator: np.ndarray, weights: np.ndarray, n: int) -> Replicates:
    """Return the pairwise figures and their replicates from the sums of each block.

    Args:
        numerator: float64 (n_blocks, n_pairs), as `homewater.statistics.fst.pair_components` gives it.
        denominator: float64 (n_blocks, n_pairs), likewise.
        weights: int64 (n_blocks,), markers a block.
        n: number of sites.
    """
    top = np.concatenate([numerator.sum(0, keepdims=True), numerator.sum(0) - numerator])
    bottom = np.concatenate([denominator.sum(0, keepdims=True), denominator.sum(0) - denominator])
    with np.errstate(divide="ignore", invalid="ignore"):
        linear = np.where(bottom > top, top / (bottom - top), np.nan)
        drift = top / (bottom - top).mean(axis=1, keepdims=True)
    first, second = group_pairs(n)
    square = []
    for values in (linear, drift):
        matrix = np.zeros((len(values), n, n))
        matrix[:, first, second] = matrix[:, second, first] = values
        square.append(matrix)
    return Replicates(square[0], square[1], weights)


def to_fst(linear: np.ndarray) -> np.ndarray:
    """Return F of F / (1 - F)."""
    return linear / (1 + linear)


def weighted_median(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Return, in each row, the lowest value below or at which half of the weight lies.

    Args:
        values: float64 (rows, m); NaN counts for nothing.
        weights: float64 (m,), not negative.

    Returns:
        float64 (rows,); NaN where no weight is left.
    """
    out = np.full(len(values), np.nan)
    for row, line in enumerate(values):
        usable = np.flatnonzero(np.isfinite(line) & (weights > 0))
        if usable.size:
            order = usable[np.argsort(line[usable], kind="stable")]
            reached = np.cumsum(weights[order])
            out[row] = line[order[np.searchsorted(reached, reached[-1] / 2 * (1 - 1e-12))]]
    return out
