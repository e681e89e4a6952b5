"""Exact test of more heterozygotes within sites than random union of gametes gives, all sites of a marker at once.

Two places of the genome read as one make nearly everybody heterozygous, at every site. First crosses among the animals
of a site do so there alone. So an excess counts only if it is still there without the quarter of the sites where it is
largest.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from homewater.filters.hardy_weinberg import (
    NEGLIGIBLE,
    PLAIN_SPREADS,
    PLAIN_VARIANCE,
    by_blocks,
    called_sites,
    convolved,
    departure,
    room_for,
    set_aside_most,
)


@numba.njit(cache=True, nogil=True)
def _upper_tail(counts, used, distance, square, site, total, spare):
    """Return P(as many heterozygotes over the sites used, or more)."""
    beyond, variance = departure(used, distance, square)
    if variance >= PLAIN_VARIANCE and beyond <= PLAIN_SPREADS * math.sqrt(variance):
        return 0.5 * math.erfc((beyond - 1.0) / math.sqrt(2.0 * variance))  # totals come in steps of two
    observed, low, entries = convolved(counts, used, site, total, spare)
    p = 0.0
    for k in range(max((observed - low) // 2, 0), entries):
        p += total[k]
    return max(min(p, 1.0), NEGLIGIBLE)


@numba.njit(cache=True, nogil=True)
def _all(counts, out):
    n_sites, room = counts.shape[1], room_for(counts)
    site, total, spare = np.empty(room), np.empty(room), np.empty(room)
    used, distance, square = np.empty(n_sites, dtype=np.bool_), np.empty(n_sites), np.empty(n_sites)
    for m in range(counts.shape[0]):
        called = called_sites(counts[m], used, distance, square)
        if called == 0:
            continue
        out[m] = _upper_tail(counts[m], used, distance, square, site, total, spare)
        if called == 1:
            continue
        set_aside_most(used, distance, square, called, 1.0)
        out[m] = max(out[m], _upper_tail(counts[m], used, distance, square, site, total, spare))


def heterozygote_excess_p(counts: np.ndarray) -> np.ndarray:
    """Return the one-sided p value of each marker: the chance of as many heterozygotes in all, or more.

    With two sites or more it is the larger of two. One is of all sites. The other is of those that are left when a
    quarter of the sites with calls (rounded up) is set aside: those furthest above their expected heterozygotes.

    Args:
        counts: int (n_markers, n_sites, 3 or more): homozygous reference, heterozygous, homozygous alternate; what
            follows (missing) is not used.

    Returns:
        float64 (n_markers,): 1 where the allele copies leave no choice, NaN where nobody is called; values below
        NEGLIGIBLE are given as NEGLIGIBLE. A total of at most PLAIN_SPREADS standard deviations above its mean, with a
        variance of PLAIN_VARIANCE at least, has the p of the normal distribution, within 0.02 of the exact one: both
        are above 0.05, where no decision hangs on it.

    Source: as `homewater.filters.hardy_weinberg`, one side of the same distribution.
    """
    out = np.full(counts.shape[0], np.nan)
    if counts.size:
        by_blocks(_all, counts, out)
    return out
