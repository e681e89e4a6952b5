"""Linkage thinning: along each chromosome a marker stays unless it is correlated with one that stays just before."""

from __future__ import annotations

from collections.abc import Iterable

import numba
import numpy as np

from homewater.bit_planes import popcount


@numba.njit(cache=True, nogil=True)
def _exceeds(x, y, mask, limit):
    """Tell whether the squared correlation of two markers, over animals called at both, is above `limit`."""
    n, sx, sy, sxx, syy, sxy = 0, 0, 0, 0, 0, 0
    for w in range(mask.size):
        both = mask[w] & ~(x[2, w] | y[2, w])
        hx, ax = x[0, w] & both, x[1, w] & both
        hy, ay = y[0, w] & both, y[1, w] & both
        n += popcount(both)
        het_x, alt_x, het_y, alt_y = popcount(hx), popcount(ax), popcount(hy), popcount(ay)
        sx += het_x + 2 * alt_x
        sy += het_y + 2 * alt_y
        sxx += het_x + 4 * alt_x
        syy += het_y + 4 * alt_y
        sxy += popcount(hx & hy) + 2 * (popcount(hx & ay) + popcount(ax & hy)) + 4 * popcount(ax & ay)
    count = np.float64(n)
    covariance = count * np.float64(sxy) - np.float64(sx) * np.float64(sy)
    variance_x = count * np.float64(sxx) - np.float64(sx) * np.float64(sx)
    variance_y = count * np.float64(syy) - np.float64(sy) * np.float64(sy)
    return covariance * covariance > limit * variance_x * variance_y


@numba.njit(cache=True, nogil=True)
def _thin_block(planes, mask, chrom, first, window, limit, held, held_at, held_chrom, used, keep):
    """Go through one block; `held` is a ring of the last markers kept. Return the number kept so far."""
    room = held.shape[0]
    for m in range(planes.shape[0]):
        at = first + m
        keep[m] = True
        k = used - 1
        while k >= 0 and used - k <= room:
            slot = k % room
            if at - held_at[slot] >= window or held_chrom[slot] != chrom[m]:
                break
            if _exceeds(held[slot], planes[m], mask, limit):
                keep[m] = False
                break
            k -= 1
        if keep[m]:
            slot = used % room
            held[slot] = planes[m]
            held_at[slot] = at
            held_chrom[slot] = chrom[m]
            used += 1
    return used


def thin_by_linkage(blocks: Iterable[np.ndarray], mask: np.ndarray, chrom: np.ndarray, window: int, max_r2: float):
    """Return which markers stay when, of two correlated ones, the later is left out.

    Args:
        blocks: uint64 (n_block, 3, n_words) bit planes of the markers in genome order, all blocks together n_markers.
        mask: uint64 (n_words,), bits of the animals to look at.
        chrom: (n_markers,) chromosome of each marker; markers of one chromosome lie together.
        window: a marker is compared with those kept among the `window` - 1 markers before it.
        max_r2: squared correlation of allele copies above which two markers count as correlated.

    Returns:
        bool (n_markers,). Undefined correlations (a marker without variation among the animals called at both) do not
        exceed any limit. Equal to a sliding window that advances one marker at a time and drops the later of each
        correlated pair.
    """
    codes = np.unique(np.asarray(chrom).astype(str), return_inverse=True)[1].astype(np.int64)
    keep = np.zeros(codes.size, dtype=np.bool_)
    words = np.flatnonzero(mask)
    mask = np.ascontiguousarray(mask[words])
    room = max(1, min(window - 1, max(1, codes.size)))
    held = np.zeros((room, 3, words.size), dtype=np.uint64)
    held_at, held_chrom = np.zeros(room, dtype=np.int64), np.zeros(room, dtype=np.int64)
    used = first = 0
    for planes in blocks:
        planes = np.ascontiguousarray(planes[:, :, words])
        stop = first + planes.shape[0]
        used = _thin_block(
            planes, mask, codes[first:stop], first, window, max_r2, held, held_at, held_chrom, used, keep[first:stop]
        )
        first = stop
    return keep
