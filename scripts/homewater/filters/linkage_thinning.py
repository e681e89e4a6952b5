"""Linkage thinning: along each chromosome a marker stays unless it is correlated with one that stays just before."""

from __future__ import annotations

from collections.abc import Iterable

import numba
import numpy as np

from homewater.genotypes.bit_planes import group_words, popcount
from homewater.genotypes.store import Genotypes
from homewater.running.two_threads import in_order

BLOCK = 4096


@numba.njit(cache=True, nogil=True)
def _exceeds(x, y, limit):
    """Tell whether the squared correlation of two markers, over animals called at both, is above `limit`.

    Rows of x and y: heterozygous, alternate homozygous, called; bits of other animals are zero, so what is heterozygous
    at one marker and called at the other is called at both.
    """
    n, het_x, alt_x, het_y, alt_y, one, two, four = 0, 0, 0, 0, 0, 0, 0, 0
    for w in range(x.shape[1]):
        hx, ax, cx, hy, ay, cy = x[0, w], x[1, w], x[2, w], y[0, w], y[1, w], y[2, w]
        n += popcount(cx & cy)
        het_x += popcount(hx & cy)
        alt_x += popcount(ax & cy)
        het_y += popcount(hy & cx)
        alt_y += popcount(ay & cx)
        one += popcount(hx & hy)
        two += popcount((hx & ay) | (ax & hy))
        four += popcount(ax & ay)
    count, sx, sy = np.float64(n), np.float64(het_x + 2 * alt_x), np.float64(het_y + 2 * alt_y)
    covariance = count * np.float64(one + 2 * two + 4 * four) - sx * sy
    variance_x = count * np.float64(het_x + 4 * alt_x) - sx * sx
    variance_y = count * np.float64(het_y + 4 * alt_y) - sy * sy
    return covariance * covariance > limit * variance_x * variance_y


@numba.njit(cache=True, nogil=True)
def _thin_block(planes, mask, chrom, first, window, limit, held, held_at, held_chrom, used, keep):
    """Go through one block; `held` is a ring of the last markers kept. Return the number kept so far.

    Many parameters: what is held between blocks is handed to the kernel array by array.
    """
    room = held.shape[0]
    own = np.empty((3, mask.size), dtype=np.uint64)
    for m in range(planes.shape[0]):
        at = first + m
        for w in range(mask.size):
            own[0, w] = planes[m, 0, w] & mask[w]
            own[1, w] = planes[m, 1, w] & mask[w]
            own[2, w] = mask[w] & ~planes[m, 2, w]
        keep[m] = True
        k = used - 1
        while k >= 0 and used - k <= room:
            slot = k % room
            if at - held_at[slot] >= window or held_chrom[slot] != chrom[m]:
                break
            if _exceeds(held[slot], own, limit):
                keep[m] = False
                break
            k -= 1
        if keep[m]:
            slot = used % room
            held[slot] = own
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


def thinned_markers(
    store: Genotypes, rows: np.ndarray, chrom: np.ndarray, defines: np.ndarray, window: int, max_r2: float
) -> np.ndarray:
    """Return which markers of a store stay, bool (n_markers,); chromosomes are worked on side by side.

    Args:
        store: the genotypes.
        rows: int (n_rows,), markers to thin, in genome order; all others are False.
        chrom: (n_rows,), chromosome of each.
        defines: bool (n_animals,), animals to look at.
        window: as in `thin_by_linkage`.
        max_r2: as there.
    """
    _, word, bits, _ = group_words(store.layout, np.where(defines, 0, -1), 1)
    mask = np.zeros(store.layout.n_words, dtype=np.uint64)
    mask[word] = bits

    def thin(own: np.ndarray) -> np.ndarray:
        blocks = (store.planes(own[start : start + BLOCK]) for start in range(0, own.size, BLOCK))
        return own[thin_by_linkage(blocks, mask, np.zeros(own.size, dtype=np.int64), window, max_r2)]

    code = np.unique(np.asarray(chrom).astype(str), return_inverse=True)[1]
    thinned = np.zeros(store.n_markers, dtype=bool)
    for kept in in_order(thin, np.split(rows, np.flatnonzero(np.diff(code)) + 1)):
        thinned[kept] = True
    return thinned
