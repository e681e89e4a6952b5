"""Which markers of several files are the same one: matched by position and alleles, whatever their order and strand.

Files are taken in the study file's order. The first file that holds a marker says how its alleles are written; a later
file may write them in the other order (its alternate copies are then counted the other way round) or on the other
strand (complementary letters). At A/T and C/G markers the letters do not tell the strands apart; the file's other
markers and the frequencies have to, and where they do not, the later file's calls are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

AS_WRITTEN, SWAPPED, FLIPPED, FLIPPED_SWAPPED, AMBIGUOUS, MISMATCH, DUPLICATE = range(7)
KINDS = {
    SWAPPED: "allele_order_swapped",
    FLIPPED: "strand_flipped",
    FLIPPED_SWAPPED: "strand_flipped_and_swapped",
    AMBIGUOUS: "ambiguous_strand",
    MISMATCH: "allele_mismatch",
    DUPLICATE: "duplicate_marker",
}
LEFT_OUT = (AMBIGUOUS, DUPLICATE)  # kinds whose calls are not used
# A file that shares this many markers whose letters tell the strand, and flips none of them, flips fewer than 3 % of
# all (95 % bound 3 / n: Hanley & Lippman-Hand 1983, JAMA 249:1743-1745, from memory): its A/T and C/G are believed.
SAME_STRAND_MARKERS = 100
REJECTED_Z, FITTING_Z = 5.0, 3.0  # a false rejection in 1.7 million; a fit that one in 370 true ones misses
_LETTERS = "ACGT"  # complement of code c: 3 - c


@dataclass(frozen=True)
class Matched:
    """The rows of all files, and the marker of the union to which each belongs.

    Attributes:
        marker: int64 (n_rows,), number of the marker in genome order; -1 for rows that are left out.
        beside: int64 (n_rows,), number of the marker to which a row was compared, left out or not.
        flip: bool (n_rows,), whether alternate copies are counted the other way round.
        kind: int8 (n_rows,), what was found.
        head: int64 (n_markers,), the row that says how each marker is written.
    """

    marker: np.ndarray
    beside: np.ndarray
    flip: np.ndarray
    kind: np.ndarray
    head: np.ndarray


def _codes(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    letter = {base: code for code, base in enumerate(_LETTERS)}
    ref, alt = (rows[column].map(letter).to_numpy(dtype=np.int64) for column in ("ref", "alt"))
    place = (rows["chrom"].to_numpy(dtype=np.int64) << 31 | rows["pos"].to_numpy(dtype=np.int64)) << 4
    return place, ref, alt


def match_markers(rows: pd.DataFrame, frequencies) -> Matched:
    """Match the markers of several files.

    Args:
        rows: file (int, in order), chrom (int, rank in genome order), pos, ref, alt (A, C, G, T); a file holds a
            marker, as written, once.
        frequencies: function of rows' indices int64 (n,), returning the alternate copies and all copies called in that
            row's file, each int64 (n,).
    """
    n, file = len(rows), rows["file"].to_numpy()
    place, ref, alt = _codes(rows)
    palindrome = ref + alt == 3
    head_of = np.full(n, -1, dtype=np.int64)  # the row that says how this row's marker is written
    kind = np.zeros(n, dtype=np.int8)
    heads = np.empty(0, dtype=np.int64)
    for number in np.unique(file):
        own = np.flatnonzero(file == number)
        keys = place[heads] + 4 * ref[heads] + alt[heads]
        order = np.argsort(keys, kind="stable")
        keys, heads = keys[order], heads[order]
        taken = np.zeros(heads.size, dtype=bool)
        for how, (first, second) in enumerate(((ref, alt), (alt, ref), (3 - ref, 3 - alt), (3 - alt, 3 - ref))):
            left = own[head_of[own] < 0]
            at, hit = _found(place[left] + 4 * first[left] + second[left], keys)
            again = hit.copy()
            again[hit] = taken[at[hit]]
            new = hit & ~again
            head_of[left[new]], kind[left[new]] = heads[at[new]], how
            taken[at[new]] = True
            head_of[left[again]], kind[left[again]] = heads[at[again]], DUPLICATE
        matched = own[head_of[own] >= 0]
        _judge_palindromes(matched[palindrome[matched]], matched[~palindrome[matched]], head_of, kind, frequencies)
        left = own[head_of[own] < 0]
        head_of[left] = left
        known, answered = place[heads], place[matched]
        kind[left[np.isin(place[left], known) & ~np.isin(place[left], answered)]] = MISMATCH
        heads = np.concatenate([heads, left])
    order = np.lexsort((alt[heads], ref[heads], place[heads]))
    heads = heads[order]
    number = np.full(n, -1, dtype=np.int64)
    number[heads] = np.arange(heads.size)
    beside = number[head_of]
    marker = np.where(np.isin(kind, LEFT_OUT), -1, beside)
    return Matched(marker, beside, np.isin(kind, (SWAPPED, FLIPPED_SWAPPED)), kind, heads)


def _found(wanted: np.ndarray, keys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where each wanted key stands among the sorted keys, and whether it does."""
    if not keys.size:
        return np.zeros(wanted.size, dtype=np.int64), np.zeros(wanted.size, dtype=bool)
    at = np.minimum(np.searchsorted(keys, wanted), keys.size - 1)
    return at, keys[at] == wanted


def _judge_palindromes(palindromes: np.ndarray, others: np.ndarray, head_of, kind, frequencies) -> None:
    """Mark as ambiguous, in place, the A/T and C/G rows of one file whose strand cannot be told."""
    palindromes = palindromes[kind[palindromes] != DUPLICATE]
    if not palindromes.size:
        return
    others = others[kind[others] != DUPLICATE]
    same_strand = others.size >= SAME_STRAND_MARKERS and not np.isin(kind[others], (FLIPPED, FLIPPED_SWAPPED)).any()
    here, there = frequencies(palindromes), frequencies(head_of[palindromes])
    swapped = kind[palindromes] == SWAPPED
    as_written = (np.where(swapped, here[1] - here[0], here[0]), here[1])
    as_flipped = (here[1] - as_written[0], here[1])
    z_written, z_flipped = _z(*as_written, *there), _z(*as_flipped, *there)
    if same_strand:
        told = ~((z_written > REJECTED_Z) & (z_flipped < FITTING_Z))
    else:
        told = ~swapped & (z_written < FITTING_Z) & (z_flipped > REJECTED_Z)
    kind[palindromes[~told]] = AMBIGUOUS


def _z(alternate_a: np.ndarray, copies_a: np.ndarray, alternate_b: np.ndarray, copies_b: np.ndarray) -> np.ndarray:
    """Return, float64 (n,), how far two frequencies lie apart in standard errors (pooled); 0 where unknown."""
    known = (copies_a > 0) & (copies_b > 0)
    a, b = np.where(known, copies_a, 1).astype(float), np.where(known, copies_b, 1).astype(float)
    p, q = np.where(known, alternate_a, 0) / a, np.where(known, alternate_b, 0) / b
    pooled = (p * a + q * b) / (a + b)
    error = np.sqrt(np.maximum(pooled * (1 - pooled), 0) * (1 / a + 1 / b))
    apart = np.abs(p - q)
    return np.where(known & (error > 0), apart / np.where(error > 0, error, 1), 0.0)


def wandering_identifiers(identifier: np.ndarray, file: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """Return the rows whose identifier an earlier file gives to another marker, and for each the first row of that one.

    Args:
        identifier: object str (n_rows,), "." where there is none.
        file: int (n_rows,), non-decreasing.
        beside: int64 (n_rows,), marker of each row.

    Returns:
        int64 (n, 2).
    """
    named = np.flatnonzero(identifier != ".")
    code = pd.factorize(identifier[named])[0]
    first = named[np.unique(code, return_index=True)[1][code]]
    off = (beside[first] != beside[named]) & (file[first] != file[named])
    return np.stack([named[off], first[off]], axis=1)
