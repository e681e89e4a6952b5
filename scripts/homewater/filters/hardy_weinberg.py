"""Exact test of Hardy-Weinberg proportions within sites, all sites of a marker at once.

Given the allele copies of a site, the number of heterozygotes there has an exact distribution under random union of
gametes. The test statistic is the total number of heterozygotes over sites; its distribution is the convolution of the
sites' own, so differences of allele frequency between sites do not count as a departure. With one site it is the exact
test of that site.

A marker at fault (null alleles, two copies read as one) departs at every site; animals of two stocks at one site make a
deficit there, and largest at the very markers that tell the stocks apart. So a departure counts only if it is still
there without the quarter of the sites that lack most heterozygotes.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numba
import numpy as np

from homewater.running.two_threads import in_order

NEGLIGIBLE = 1e-20  # probability, relative to the mode, below which outcomes are left out
PLAIN_VARIANCE, PLAIN_SPREADS = 25.0, 1.5  # of the total; p is then above 0.1 and no decision hangs on it
BLOCK = 8192
TABLE_BITS = 18  # p values of single sites kept, in powers of two
_TIE = 1.0 + 1e-9  # outcomes as probable as the one observed count as extreme, whatever the rounding


@numba.njit(cache=True, nogil=True)
def _site(n, copies, out):
    """Fill out[k] with P(h = low + 2 k) at one site; return (low, entries)."""
    if copies > n:
        copies = 2 * n - copies
    # from the mode outwards: no factorials, no overflow
    mode = int(copies * (2 * n - copies) / (2.0 * n))
    if (mode - copies) % 2:
        mode += 1
    mode = min(mode, copies)
    low, entries, p = mode, 1, 1.0
    out[0] = 1.0
    while low >= 2:
        rare, common = (copies - low) // 2, (2 * n - copies - low) // 2
        p *= low * (low - 1.0) / (4.0 * (rare + 1.0) * (common + 1.0))
        if p < NEGLIGIBLE:
            break
        out[entries] = p
        entries += 1
        low -= 2
    for k in range(entries // 2):
        out[k], out[entries - 1 - k] = out[entries - 1 - k], out[k]
    h, p = mode, 1.0
    while h + 2 <= copies:
        rare, common = (copies - h) // 2, (2 * n - copies - h) // 2
        p *= 4.0 * rare * common / ((h + 2.0) * (h + 1.0))
        if p < NEGLIGIBLE:
            break
        out[entries] = p
        entries += 1
        h += 2
    total = 0.0
    for k in range(entries):
        total += out[k]
    for k in range(entries):
        out[k] /= total
    return low, entries


@numba.njit(cache=True, nogil=True)
def _convolve(a, n_a, b, n_b, out):
    for k in range(n_a + n_b - 1):
        out[k] = 0.0
    for i in range(n_a):
        for j in range(n_b):
            out[i + j] += a[i] * b[j]
    return n_a + n_b - 1


@numba.njit(cache=True, nogil=True)
def moments(n, copies):
    """Return mean and variance of the heterozygotes of one site (Levene 1949, Ann Math Stat 20:91-94)."""
    a, b, all_copies = float(copies), float(2 * n - copies), 2.0 * n
    if a * b == 0.0 or n < 2:
        return a * b / (all_copies - 1.0), 0.0
    mean = a * b / (all_copies - 1.0)
    pairs = a * (a - 1.0) * b * (b - 1.0) / ((all_copies - 1.0) * (all_copies - 3.0))  # E h (h - 1)
    return mean, max(0.0, pairs + mean - mean * mean)


@numba.njit(cache=True, nogil=True)
def called_sites(counts, used, distance, square):
    """Fill which sites have calls, and each one's heterozygotes beyond those expected, with variance; return how many.

    Source of the moments: `moments`.
    """
    called = 0
    for s in range(counts.shape[0]):
        n = counts[s, 0] + counts[s, 1] + counts[s, 2]
        used[s], distance[s], square[s] = n > 0, 0.0, 0.0
        if n > 0:
            called += 1
            mean, square[s] = moments(n, 2 * counts[s, 2] + counts[s, 1])
            distance[s] = counts[s, 1] - mean
    return called


@numba.njit(cache=True, nogil=True)
def departure(used, distance, square):
    """Return (heterozygotes - expected, variance) of the total over the sites used."""
    total, variance = 0.0, 0.0
    for s in range(used.size):
        if used[s]:
            total += distance[s]
            variance += square[s]
    return total, variance


@numba.njit(cache=True, nogil=True)
def set_aside_most(used, distance, square, called, sign):
    """Take the quarter of the sites with calls (rounded up) out of `used` that lie furthest to the side of `sign`.

    They are ranked by standard deviations; sites on the other side, or whose copies leave no choice, stay.
    """
    far = np.empty(used.size)
    for s in range(used.size):
        far[s] = sign * distance[s] / math.sqrt(square[s]) if used[s] and square[s] > 1e-9 else 0.0
    for _ in range((called + 3) // 4):
        worst = -1
        for s in range(used.size):
            if used[s] and far[s] > 0 and (worst < 0 or far[s] > far[worst]):
                worst = s
        if worst < 0:
            return
        used[worst] = False


@numba.njit(cache=True, nogil=True)
def _plain_p(distance, square):
    """Return the normal p of a total that lies well within what is expected, else -1."""
    distance = abs(distance)
    if square < PLAIN_VARIANCE or distance * distance > PLAIN_SPREADS**2 * square:
        return -1.0
    # one minus what lies nearer the mean; totals come in steps of two
    nearer, at = 0.0, distance - 2.0
    while at > -distance:
        nearer += math.exp(-at * at / (2.0 * square))
        at -= 2.0
    return max(0.0, 1.0 - nearer * 2.0 / math.sqrt(2.0 * math.pi * square))


@numba.njit(cache=True, nogil=True)
def _total_p(counts, used, distance, square, site, total, spare):
    """Return the two-sided p of the total over the sites used; 1 where no site is."""
    plain = _plain_p(*departure(used, distance, square))
    return plain if plain >= 0.0 else _exact_p(counts, used, site, total, spare)


@numba.njit(cache=True, nogil=True)
def convolved(counts, used, site, total, spare):
    """Fill total[k] with P(all heterozygotes = low + 2 k) over the sites used; return (observed, low, entries)."""
    observed, low, entries = 0, 0, 1
    total[0] = 1.0
    for s in range(counts.shape[0]):
        n = counts[s, 0] + counts[s, 1] + counts[s, 2]
        if n == 0 or not used[s]:
            continue
        observed += counts[s, 1]
        first, length = _site(n, 2 * counts[s, 2] + counts[s, 1], site)
        low += first
        joined = _convolve(total, entries, site, length, spare)
        # cut the tails that no test will see
        top = 0.0
        for k in range(joined):
            top = max(top, spare[k])
        start = 0
        while spare[start] < top * NEGLIGIBLE:
            start += 1
        while spare[joined - 1] < top * NEGLIGIBLE:
            joined -= 1
        entries = joined - start
        low += 2 * start
        for k in range(entries):
            total[k] = spare[start + k]
    return observed, low, entries


@numba.njit(cache=True, nogil=True)
def _exact_p(counts, used, site, total, spare):
    observed, low, entries = convolved(counts, used, site, total, spare)
    at = (observed - low) // 2
    if at < 0 or at >= entries:
        return NEGLIGIBLE
    p, limit = 0.0, total[at] * _TIE
    for k in range(entries):
        if total[k] <= limit:
            p += total[k]
    return min(p, 1.0)


@numba.njit(cache=True, nogil=True)
def _marker(counts, site, total, spare, used, distance, square):
    called = called_sites(counts, used, distance, square)
    if called == 0:
        return np.nan
    p = _total_p(counts, used, distance, square, site, total, spare)
    if called == 1:
        return p
    set_aside_most(used, distance, square, called, -1.0)
    return max(p, _total_p(counts, used, distance, square, site, total, spare))


@numba.njit(cache=True, nogil=True)
def room_for(counts):
    """Return the entries that the distribution of a total may take."""
    n_sites, room = counts.shape[1], 2
    for s in range(n_sites):
        largest = 0
        for m in range(counts.shape[0]):
            largest = max(largest, counts[m, s, 0] + counts[m, s, 1] + counts[m, s, 2])
        room += largest + 1
    return room


@numba.njit(cache=True, nogil=True)
def _all(counts, out):
    n_sites, room = counts.shape[1], room_for(counts)
    site, total, spare = np.empty(room), np.empty(room), np.empty(room)
    used, distance, square = np.empty(n_sites, dtype=np.bool_), np.empty(n_sites), np.empty(n_sites)
    for m in range(counts.shape[0]):
        out[m] = _marker(counts[m], site, total, spare, used, distance, square)


@numba.njit(cache=True, nogil=True)
def _single(counts, out, keys, values):
    """As `_all` with one site, always exact: equal samples are computed once, as long as the table has room."""
    room = 2 + np.max(counts[:, 0, 0] + counts[:, 0, 1] + counts[:, 0, 2])
    site, total, spare = np.empty(room), np.empty(room), np.empty(room)
    used, entries, mask = np.ones(1, dtype=np.bool_), 0, np.uint64(keys.size - 1)
    whole = np.empty((1, 3), dtype=np.int64)
    for m in range(counts.shape[0]):
        reference, het, alternate = np.int64(counts[m, 0, 0]), np.int64(counts[m, 0, 1]), np.int64(counts[m, 0, 2])
        n = reference + het + alternate
        if n == 0:
            continue
        copies = min(2 * alternate, 2 * reference) + het
        key = np.uint64(n << 42 | copies << 21 | het) + np.uint64(1)
        slot = (key * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(40)) & mask
        while keys[slot] != key and keys[slot] != 0:
            slot = (slot + np.uint64(1)) & mask
        if keys[slot] == key:
            out[m] = values[slot]
            continue
        whole[0, 0], whole[0, 1], whole[0, 2] = reference, het, alternate
        out[m] = _exact_p(whole, used, site, total, spare)
        if 2 * entries < keys.size:
            keys[slot], values[slot] = key, out[m]
            entries += 1


def hardy_weinberg_p(counts: np.ndarray) -> np.ndarray:
    """Return the two-sided exact p value of each marker: the chance of a total as improbable as the one observed.

    With two sites or more it is the larger of two p values. One is of all sites. The other is of those that are left
    when a quarter of the sites with calls (rounded up) is set aside: those furthest below their expected heterozygotes.
    The larger of a valid p value and another is valid.

    Args:
        counts: int (n_markers, n_sites, 3 or more): homozygous reference, heterozygous, homozygous alternate; what
            follows (missing) is not used.

    Returns:
        float64 (n_markers,): 1 where the allele copies leave no choice, NaN where nobody is called; values below
        NEGLIGIBLE are given as NEGLIGIBLE. Of several sites the p is not always exact: where the total has a variance
        of PLAIN_VARIANCE at least and lies within PLAIN_SPREADS standard deviations of its mean, the p is that of the
        normal distribution on the same whole numbers. It lies within one step's probability (at most 0.16) of the exact
        one. Both are above 0.1, where no decision hangs on them, and exact values would take most of the time.

    Source: within a site Wigginton, Cutler & Abecasis (2005) Am J Hum Genet 76:887-893; over sites the total of
    heterozygotes as in Schaid, Batzler, Jenkins & Hildebrandt (2006) Am J Hum Genet 79:1071-1080.
    """
    out = np.full(counts.shape[0], np.nan)
    if not counts.size:
        return out
    if counts.shape[1] == 1:
        counts = np.asarray(counts)
        counts = np.ascontiguousarray(counts, dtype=np.int32 if counts.dtype == np.int32 else np.int64)
        _single(counts, out, np.zeros(2**TABLE_BITS, dtype=np.uint64), np.empty(2**TABLE_BITS))
        return out
    by_blocks(_all, counts, out)
    return out


def by_blocks(kernel: Callable, counts: np.ndarray, out: np.ndarray) -> None:
    """Fill `out` by a kernel (counts int64, out) that looks at each marker alone, block by block on two threads."""

    def fill(start: int) -> None:
        kernel(np.ascontiguousarray(counts[start : start + BLOCK], dtype=np.int64), out[start : start + BLOCK])

    for _ in in_order(fill, range(0, len(counts), BLOCK)):
        pass
