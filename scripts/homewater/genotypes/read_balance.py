"""How the reads behind each call fall on the two alleles, counted for each animal while its genotypes are read.

Two animals in one tube show as stray reads of the other allele at homozygous calls, and as heterozygous calls whose
reads are not half and half. Here they are counted; judging them is the filters' business.
"""

from __future__ import annotations

from functools import cache

import numba
import numpy as np

COLUMNS = (
    "reads at reference-homozygous calls",
    "of them reads of the alternate allele",
    "reads at alternate-homozygous calls",
    "of them reads of the reference allele",
    "heterozygous calls of at least MIN_DEPTH reads",
    "of them calls whose reference reads lie outside the central 95 % of Binomial(depth, 1/2)",
)
MIN_DEPTH = 8  # fewer reads cannot lie outside by much: at 5 and below they never do
MAX_DEPTH = 16383  # deeper heterozygous calls are not judged


@cache
def balance_limits(max_depth: int = MAX_DEPTH) -> np.ndarray:
    """Return, for each depth, the least count of reads of one allele that lies in the central 95 % of a fair draw.

    Exact: with whole numbers alone. A count c of n reads lies outside where c < limit[n] or c > n - limit[n], and the
    chance of each side is at most 2.5 %.

    Args:
        max_depth: greatest depth.

    Returns:
        int64 (max_depth + 1,).
    """
    limits = np.zeros(max_depth + 1, dtype=np.int64)
    # below = number of the 2^n draws with fewer than `limit` reads, edge = C(n, limit - 1)
    limit, below, edge, draws = 0, 0, 0, 1
    for n in range(max_depth + 1):
        if n:
            below = 2 * below - edge  # C(n, k) = C(n-1, k) + C(n-1, k-1), summed over k < limit
            edge = edge * n // (n - limit + 1) if limit else 0
            draws *= 2
        while True:
            following = edge * (n - limit + 1) // limit if limit else 1  # C(n, limit)
            if 40 * (below + following) > draws:
                break
            below, edge, limit = below + following, following, limit + 1
        limits[n] = limit
    return limits


@numba.njit(cache=True)
def add_reads(dosages, order, depths, alternate, limits, balance):
    """Add one record's reads to the animals' counts, in place.

    Args:
        dosages: int8 (n_samples,), the record's calls, MISSING = -1.
        order: int64 (n_samples,), row of each animal in `depths`.
        depths: int32 (n_in_file, n_values), reads of each allele, reference first; negative where not given.
        alternate: column of the alternate allele.
        limits: `balance_limits`.
        balance: int64 (n_samples, 6), counted into; columns as in COLUMNS.
    """
    if alternate >= depths.shape[1]:
        return
    for k in range(order.size):
        dosage, ref, alt = dosages[k], depths[order[k], 0], depths[order[k], alternate]
        if dosage < 0 or ref < 0 or alt < 0:
            continue
        total = np.int64(ref) + np.int64(alt)
        if dosage == 0:
            balance[k, 0] += total
            balance[k, 1] += alt
        elif dosage == 2:
            balance[k, 2] += total
            balance[k, 3] += ref
        elif MIN_DEPTH <= total < limits.size:
            balance[k, 4] += 1
            if ref < limits[total] or ref > total - limits[total]:
                balance[k, 5] += 1
