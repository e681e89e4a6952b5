"""F_ST between groups of animals from genotype counts, summed by block so that any set of markers can be left out.

Markers enter as counts of the three genotypes and of missing ones by group; all pairs of groups are done in one pass.
Estimates are ratios of sums over markers, never means of ratios.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from homewater.statistics.allele_counts import HET, HOM_ALT, HOM_REF
from homewater.statistics.intervals import ratio_interval


def group_pairs(n_groups: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (first, second), int64 (n_pairs,): every unordered pair of groups, first before second, in row order.

    Args:
        n_groups: number of groups; n_pairs = n_groups x (n_groups - 1) / 2.
    """
    first, second = np.triu_indices(n_groups, k=1)
    return first.astype(np.int64), second.astype(np.int64)


def pair_components(
    counts: np.ndarray, block: np.ndarray, n_blocks: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sums over markers of Weir & Cockerham's components, for every pair of groups and every block.

    Args:
        counts: int (n_markers, n_groups, 4): homozygous reference, heterozygous, homozygous alternate, missing.
        block: int (n_markers,), block of each marker, -1 where the marker is left out.
        n_blocks: number of blocks; the largest in `block` plus 1 by default.

    Returns:
        (numerator, denominator), float64 (n_blocks, n_pairs), pairs as in `group_pairs`: sums of a (between groups) and
        of a + b + c (all). F_ST of a pair is numerator.sum(0) / denominator.sum(0). Markers at which either group has
        nobody typed, or both have one animal, add nothing; markers without variation add 0 to both.

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370, equations 2 to 4, two groups.
    """
    block = np.asarray(block, dtype=np.int64)
    n_blocks = _n_blocks(block) if n_blocks is None else n_blocks
    return _pair_components(np.ascontiguousarray(counts, dtype=np.int32), block, n_blocks)


def joint_components(
    counts: np.ndarray, block: np.ndarray, n_blocks: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sums over markers of Weir & Cockerham's components for all groups together, by block.

    Args:
        counts: as in `pair_components`.
        block: as in `pair_components`.
        n_blocks: as in `pair_components`.

    Returns:
        (numerator, denominator), float64 (n_blocks,). Groups with nobody typed at a marker are left out there; the
        marker adds nothing where fewer than two groups remain or no group has two animals.

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370, equations 2 to 4, r groups.
    """
    block = np.asarray(block, dtype=np.int64)
    n_blocks = _n_blocks(block) if n_blocks is None else n_blocks
    a, b, c = joint_by_marker(counts)
    used = block >= 0
    top = np.bincount(block[used], weights=a[used], minlength=n_blocks)
    return top, np.bincount(block[used], weights=(a + b + c)[used], minlength=n_blocks)


def joint_by_marker(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return Weir & Cockerham's components (a, b, c) of each marker for all groups together.

    Args:
        counts: int (n_markers, n_groups, 4), as in `pair_components`.

    Returns:
        Three float64 (n_markers,): variance between groups, between animals within groups, within animals; 0 where the
        marker says nothing (fewer than two groups typed, or one animal in each).

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370, equations 2 to 4.
    """
    het, hom = counts[:, :, HET].astype(np.float64), counts[:, :, HOM_ALT].astype(np.float64)
    n = counts[:, :, HOM_REF] + het + hom
    groups, total = (n > 0).sum(axis=1), n.sum(axis=1)
    usable = (groups >= 2) & (total > groups)
    r = np.where(usable, groups, 2).astype(np.float64)
    mean = np.where(usable, total, 4.0) / r
    p = np.divide(het + 2 * hom, 2 * n, out=np.zeros_like(n), where=n > 0)
    corrected = (r * mean - (n * n).sum(axis=1) / (r * mean)) / (r - 1)
    corrected = np.where(usable, corrected, 1.0)
    p_mean = (n * p).sum(axis=1) / (r * mean)
    spread = (n * (p - p_mean[:, None]) ** 2).sum(axis=1) / ((r - 1) * mean)
    h_mean = het.sum(axis=1) / (r * mean)
    within = p_mean * (1 - p_mean) - (r - 1) / r * spread
    a = mean / corrected * (spread - (within - h_mean / 4) / (mean - 1))
    b = mean / (mean - 1) * (within - (2 * mean - 1) / (4 * mean) * h_mean)
    return tuple(np.where(usable, part, 0.0) for part in (a, b, h_mean / 2))


def pairwise_fst(
    counts: np.ndarray, block: np.ndarray, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return (F_ST, low, high, standard error) of every pair of groups, jackknifed over blocks.

    Args:
        counts: as in `pair_components`.
        block: int (n_markers,), as `homewater.statistics.intervals.chromosome_blocks` gives it; -1 where left out.
        confidence: coverage aimed at, in (0, 1).

    Returns:
        Four float64 (n_pairs,), pairs as in `group_pairs`. Neither estimates nor bounds are clipped at 0.
    """
    numerator, denominator = pair_components(counts, block)
    return ratio_interval(numerator, denominator, block_weights(block), confidence)


def block_weights(block: np.ndarray) -> np.ndarray:
    """Return the number of markers in each block, int64 (n_blocks,); markers of block -1 are not counted.

    Args:
        block: int (n_markers,).
    """
    block = np.asarray(block)
    return np.bincount(block[block >= 0], minlength=_n_blocks(block))


def _n_blocks(block: np.ndarray) -> int:
    return int(block.max()) + 1 if block.size else 0


@njit(cache=True)
def _pair_components(counts, block, n_blocks):  # pragma: no cover
    n_markers, n_groups = counts.shape[0], counts.shape[1]
    n_pairs = n_groups * (n_groups - 1) // 2
    numerator, denominator = np.zeros((n_blocks, n_pairs)), np.zeros((n_blocks, n_pairs))
    n, p, h = np.zeros(n_groups), np.zeros(n_groups), np.zeros(n_groups)
    for marker in range(n_markers):
        where = block[marker]
        if where < 0:
            continue
        for g in range(n_groups):
            het, hom = counts[marker, g, 1], counts[marker, g, 2]
            n[g] = counts[marker, g, 0] + het + hom
            h[g] = het
            p[g] = (het + 2 * hom) / (2 * n[g]) if n[g] > 0 else 0.0
        pair = 0
        for i in range(n_groups):
            for j in range(i + 1, n_groups):
                total = n[i] + n[j]
                if n[i] > 0 and n[j] > 0 and total > 2:
                    mean, product = total / 2, n[i] * n[j]
                    p_mean = (n[i] * p[i] + n[j] * p[j]) / total
                    gap = p[i] - p[j]
                    spread = 2 * product / (total * total) * gap * gap  # sample variance of the two frequencies
                    h_mean = (h[i] + h[j]) / total
                    within = p_mean * (1 - p_mean) - spread / 2
                    a = total * total / (4 * product) * (spread - (within - h_mean / 4) / (mean - 1))
                    b = mean / (mean - 1) * (within - (total - 1) / (2 * total) * h_mean)
                    numerator[where, pair] += a
                    denominator[where, pair] += a + b + h_mean / 2
                pair += 1
    return numerator, denominator
