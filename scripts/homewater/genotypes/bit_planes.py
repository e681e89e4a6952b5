"""Genotypes as bits: one bit an animal in three planes, so that counting animals is counting set bits.

Planes, in this order: heterozygous, alternate homozygous, missing. Animals of one site lie together and each site
begins at a fresh 64-bit word, so a site is a range of words. Bits that belong to no animal are zero in every plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from llvmlite import ir
from numba.extending import intrinsic

MISSING = -1
HETEROZYGOUS, ALTERNATE, ABSENT = 0, 1, 2
WORD = 64


@intrinsic
def popcount(typing_context, word):
    """Return the number of set bits of a uint64, by the processor's own instruction."""

    def code(context, builder, signature, arguments):
        function = builder.module.declare_intrinsic("llvm.ctpop", [ir.IntType(64)])
        return builder.call(function, arguments)

    # int64, since int64 + uint64 would become a float
    return numba.types.int64(numba.types.uint64), code


@dataclass(frozen=True)
class Layout:
    """Where each animal's bit lies.

    Attributes:
        bits: int64 (n_samples,), position of each animal's bit; word = bit // 64.
        n_words: words a plane.
    """

    bits: np.ndarray
    n_words: int


def layout_by_site(site: np.ndarray) -> Layout:
    """Return the layout that starts each site at a fresh word.

    Args:
        site: int (n_samples,), index of each animal's site, non-decreasing.

    Raises:
        ValueError: where the animals of a site do not lie together.
    """
    site = np.asarray(site, dtype=np.int64)
    if np.any(np.diff(site) < 0):
        raise ValueError("site must be non-decreasing: animals are stored site by site")
    _, first, count = np.unique(site, return_index=True, return_counts=True)
    words = -(-count // WORD)
    start = np.concatenate([[0], np.cumsum(words)])
    bits = np.empty(site.size, dtype=np.int64)
    for i, (f, c) in enumerate(zip(first, count, strict=True)):
        bits[f : f + c] = start[i] * WORD + np.arange(c)
    return Layout(bits, int(start[-1]))


@numba.njit(cache=True, nogil=True)
def _pack(dosages, bits, planes):
    n = bits.size
    for m in range(dosages.shape[0]):
        het, alt, absent = np.uint64(0), np.uint64(0), np.uint64(0)
        for i in range(n):
            d, shift = dosages[m, i], np.uint64(bits[i] & 63)
            het |= np.uint64(d == 1) << shift
            alt |= np.uint64(d == 2) << shift
            absent |= np.uint64(d < 0) << shift
            if i + 1 == n or bits[i + 1] >> 6 != bits[i] >> 6:  # a word is written once it is left
                word = bits[i] >> 6
                planes[m, 0, word] |= het
                planes[m, 1, word] |= alt
                planes[m, 2, word] |= absent
                het, alt, absent = np.uint64(0), np.uint64(0), np.uint64(0)


def pack(dosages: np.ndarray, layout: Layout) -> np.ndarray:
    """Return the planes of a block of genotypes.

    Args:
        dosages: int8 (n_markers, n_samples), alternate-allele copies; MISSING = -1.
        layout: the layout of these animals.

    Returns:
        uint64 (n_markers, 3, n_words).

    Raises:
        ValueError: on a value outside {-1, 0, 1, 2}.
    """
    dosages = np.ascontiguousarray(dosages, dtype=np.int8)
    if dosages.size and (dosages.min() < MISSING or dosages.max() > 2):
        raise ValueError("dosages must be -1, 0, 1 or 2")
    planes = np.zeros((dosages.shape[0], 3, layout.n_words), dtype=np.uint64)
    _pack(dosages, layout.bits, planes)
    return planes


@numba.njit(cache=True, nogil=True)
def _unpack(planes, rows, bits, dosages):
    one = np.uint64(1)
    for k in range(rows.size):
        m, held = rows[k], -1
        het, alt, absent = one, one, one
        for i in range(bits.size):
            word, shift = bits[i] >> 6, np.uint64(bits[i] & 63)
            if word != held:
                held, het, alt, absent = word, planes[m, 0, word], planes[m, 1, word], planes[m, 2, word]
            dosages[k, i] = (
                np.int8((het >> shift) & one)
                + np.int8(2) * np.int8((alt >> shift) & one)
                - np.int8((absent >> shift) & one)
            )


def unpack(planes: np.ndarray, bits: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
    """Return int8 dosages (n_rows, n_selected) of the animals at `bits`; MISSING = -1."""
    rows = np.arange(planes.shape[0], dtype=np.int64) if rows is None else np.asarray(rows, dtype=np.int64)
    dosages = np.empty((rows.size, len(bits)), dtype=np.int8)
    _unpack(planes, rows, np.asarray(bits, dtype=np.int64), dosages)
    return dosages


def group_words(
    layout: Layout, group: np.ndarray, n_groups: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the words that hold each group's animals, and the bits to look at in them.

    Args:
        layout: where each animal's bit lies.
        group: int (n_samples,), group of each animal, -1 for none.
        n_groups: number of groups.

    Returns:
        start int64 (n_groups + 1,), word int64 (n,), mask uint64 (n,): group g owns entries start[g]..start[g+1];
        and size int64 (n_groups,), animals a group.

    Raises:
        ValueError: on a group outside [-1, n_groups).
    """
    group = np.asarray(group, dtype=np.int64)
    if group.size != layout.bits.size:
        raise ValueError(f"group must have one entry an animal ({layout.bits.size}), got {group.size}")
    if group.size and (group.min() < -1 or group.max() >= n_groups):
        raise ValueError(f"group must lie in -1..{n_groups - 1}")
    start, words, masks = [0], [], []
    for g in range(n_groups):
        mask = np.zeros(layout.n_words, dtype=np.uint64)
        bits = layout.bits[group == g]
        np.bitwise_or.at(mask, bits // WORD, np.uint64(1) << (bits % WORD).astype(np.uint64))
        used = np.flatnonzero(mask)
        words.append(used)
        masks.append(mask[used])
        start.append(start[-1] + used.size)
    size = np.bincount(group[group >= 0], minlength=n_groups).astype(np.int64)
    word = np.concatenate(words) if words else np.empty(0, dtype=np.int64)
    mask = np.concatenate(masks) if masks else np.empty(0, dtype=np.uint64)
    return np.array(start, dtype=np.int64), word.astype(np.int64), mask, size


@numba.njit(cache=True, nogil=True)
def _add_animals(planes, rows, plane, sums):
    """Add one plane of some markers to counters of one animal a bit, `sums` (n_words, n_digits) in binary digits."""
    for m in rows:
        for w in range(sums.shape[0]):
            carry, digit = planes[m, plane, w], 0
            while carry:
                held = sums[w, digit]
                sums[w, digit] = held ^ carry
                carry &= held
                digit += 1


def count_by_animal(planes: np.ndarray, rows: np.ndarray, plane: int, bits: np.ndarray) -> np.ndarray:
    """Return at how many of some markers each animal's bit is set, int64 (n_animals,).

    Args:
        planes: uint64 (n_markers, 3, n_words).
        rows: int (n_rows,), markers to count.
        plane: HETEROZYGOUS, ALTERNATE or ABSENT.
        bits: int64 (n_animals,), as in `Layout`.
    """
    sums = np.zeros((planes.shape[2], max(1, int(rows.size).bit_length())), dtype=np.uint64)
    _add_animals(planes, np.asarray(rows, dtype=np.int64), plane, sums)
    word, shift = bits // WORD, (bits % WORD).astype(np.uint64)
    digits = (sums[word] >> shift[:, None]) & np.uint64(1)
    return digits.astype(np.int64) @ (1 << np.arange(sums.shape[1]))


@numba.njit(cache=True, nogil=True)
def count_into(planes, start, word, mask, size, counts):
    """Fill int32 counts (n_markers, n_groups, 4): homozygous reference, heterozygous, homozygous alternate, missing."""
    for m in range(planes.shape[0]):
        for g in range(size.size):
            het, alt, absent = 0, 0, 0
            for k in range(start[g], start[g + 1]):
                w, bits = word[k], mask[k]
                het += popcount(planes[m, 0, w] & bits)
                alt += popcount(planes[m, 1, w] & bits)
                absent += popcount(planes[m, 2, w] & bits)
            counts[m, g, 0] = size[g] - het - alt - absent
            counts[m, g, 1] = het
            counts[m, g, 2] = alt
            counts[m, g, 3] = absent
