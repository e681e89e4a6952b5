"""Linkage thinning: along each chromosome a marker stays unless it is correlated with one that stays just before.

"Just before" is a distance along the chromosome: centimorgans where the species has a map, base pairs elsewhere. A
count of markers would be a long stretch in a sparse study and next to nothing in a dense one.
"""

from __future__ import annotations

from collections.abc import Iterable

import numba
import numpy as np
import pandas as pd

from homewater.filters.settings import FilterSettings
from homewater.genotypes.bit_planes import group_words
from homewater.genotypes.genetic_map import mapped_centimorgans
from homewater.genotypes.pair_correlation import pair_sums
from homewater.genotypes.store import Genotypes
from homewater.running.two_threads import in_order

BLOCK = 4096
# A marker is compared with so many of those kept just before it, however dense they are: the time that thinning takes
# is then bounded by a number of comparisons a marker. Chosen, no source; 500 in 1,000 kb is one kept marker in 2 kb.
MAX_COMPARED = 500


@numba.njit(cache=True, nogil=True)
def _exceeds(x, y, limit):
    """Tell whether the squared correlation of two markers (see `pair_sums`) is above `limit`."""
    n, sum_x, sum_y, squares_x, squares_y, products = pair_sums(x, y)
    count = np.float64(n)
    covariance = count * products - sum_x * sum_y
    variance_x, variance_y = count * squares_x - sum_x * sum_x, count * squares_y - sum_y * sum_y
    return covariance * covariance > limit * variance_x * variance_y


@numba.njit(cache=True, nogil=True)
def _thin_block(planes, mask, chrom, place, limit, held, held_place, held_chrom, used, keep):
    """Go through one block; `held` is a ring of the last markers kept. Return the number kept so far.

    Many parameters: what is held between blocks is handed to the kernel array by array.
    """
    room = held.shape[0]
    own = np.empty((3, mask.size), dtype=np.uint64)
    for m in range(planes.shape[0]):
        for w in range(mask.size):
            own[0, w] = planes[m, 0, w] & mask[w]
            own[1, w] = planes[m, 1, w] & mask[w]
            own[2, w] = mask[w] & ~planes[m, 2, w]
        keep[m] = True
        k = used - 1
        while k >= 0 and used - k <= room:
            slot = k % room
            if place[m] - held_place[slot] > 1.0 or held_chrom[slot] != chrom[m]:
                break
            if _exceeds(held[slot], own, limit):
                keep[m] = False
                break
            k -= 1
        if keep[m]:
            slot = used % room
            held[slot] = own
            held_place[slot] = place[m]
            held_chrom[slot] = chrom[m]
            used += 1
    return used


def thin_by_linkage(
    blocks: Iterable[np.ndarray],
    mask: np.ndarray,
    chrom: np.ndarray,
    place: np.ndarray,
    max_r2: float,
    max_compared: int = MAX_COMPARED,
) -> np.ndarray:
    """Return which markers stay when, of two correlated ones, the later is left out.

    Args:
        blocks: uint64 (n_block, 3, n_words) bit planes of the markers in genome order, all blocks together n_markers.
        mask: uint64 (n_words,), bits of the animals to look at.
        chrom: (n_markers,) chromosome of each marker; markers of one chromosome lie together.
        place: float64 (n_markers,), place along the chromosome in widths of the window (`window_places`), never
            falling within a chromosome: a marker is compared with the kept ones at most 1 before it.
        max_r2: squared correlation of allele copies above which two markers count as correlated.
        max_compared: kept markers with which one is compared at most, the nearest first.

    Returns:
        bool (n_markers,). Undefined correlations (a marker without variation among the animals called at both) do not
        exceed any limit. Equal to a sliding window that advances one marker at a time and drops the later of each
        correlated pair.
    """
    codes = np.unique(np.asarray(chrom).astype(str), return_inverse=True)[1].astype(np.int64)
    place = np.ascontiguousarray(place, dtype=np.float64)
    keep = np.zeros(codes.size, dtype=np.bool_)
    words = np.flatnonzero(mask)
    mask = np.ascontiguousarray(mask[words])
    room = max(1, min(max_compared, codes.size))
    held = np.zeros((room, 3, words.size), dtype=np.uint64)
    held_place, held_chrom = np.zeros(room), np.zeros(room, dtype=np.int64)
    used = first = 0
    for planes in blocks:
        planes = np.ascontiguousarray(planes[:, :, words])
        here = slice(first, first + planes.shape[0])
        used = _thin_block(
            planes, mask, codes[here], place[here], max_r2, held, held_place, held_chrom, used, keep[here]
        )
        first = here.stop
    return keep


def window_places(
    chrom: np.ndarray, pos: np.ndarray, genetic_map: pd.DataFrame | None, settings: FilterSettings
) -> np.ndarray:
    """Return the place of each marker along its chromosome in widths of the thinning window, float64 (n_markers,).

    Args:
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs.
        genetic_map: chrom, pos, cm, or None; on its chromosomes the window is one of centimorgans.
        settings: limits of the filters, with both widths of the window.
    """
    by_length = np.asarray(pos, dtype=np.float64) / (1000 * settings.thinning_distance_kb)
    by_map = mapped_centimorgans(chrom, pos, genetic_map) / settings.thinning_distance_cm
    return np.where(np.isnan(by_map), by_length, by_map)


def thinned_markers(
    store: Genotypes, rows: np.ndarray, chrom: np.ndarray, place: np.ndarray, defines: np.ndarray, max_r2: float
) -> np.ndarray:
    """Return which markers of a store stay, bool (n_markers,); chromosomes are worked on side by side.

    Args:
        store: the genotypes.
        rows: int (n_rows,), markers to thin, in genome order; all others are False.
        chrom: (n_rows,), chromosome of each.
        place: float64 (n_rows,), place of each, as in `thin_by_linkage`.
        defines: bool (n_animals,), animals to look at.
        max_r2: as there.
    """
    _, word, bits, _ = group_words(store.layout, np.where(defines, 0, -1), 1)
    mask = np.zeros(store.layout.n_words, dtype=np.uint64)
    mask[word] = bits

    def thin(own: np.ndarray) -> np.ndarray:
        blocks = (store.planes(rows[own[start : start + BLOCK]]) for start in range(0, own.size, BLOCK))
        return rows[own[thin_by_linkage(blocks, mask, np.zeros(own.size, dtype=np.int64), place[own], max_r2)]]

    code = np.unique(np.asarray(chrom).astype(str), return_inverse=True)[1]
    thinned = np.zeros(store.n_markers, dtype=bool)
    for kept in in_order(thin, np.split(np.arange(rows.size), np.flatnonzero(np.diff(code)) + 1)):
        thinned[kept] = True
    return thinned
