"""Markers of several files matched by place and alleles: hand-made cases, and random re-writing of a split study."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homewater.intake.match_markers import (
    AMBIGUOUS,
    AS_WRITTEN,
    DUPLICATE,
    FLIPPED,
    FLIPPED_SWAPPED,
    MISMATCH,
    SWAPPED,
    match_markers,
    wandering_identifiers,
)

COMPLEMENT = {"A": "T", "C": "G", "G": "C", "T": "A"}


def rows(*markers):
    """A marker is (file, chrom, pos, "ref/alt")."""
    table = pd.DataFrame([(f, c, p, *a.split("/")) for f, c, p, a in markers])
    table.columns = ["file", "chrom", "pos", "ref", "alt"]
    return table


def unknown(indices):
    return np.zeros(indices.size, dtype=np.int64), np.zeros(indices.size, dtype=np.int64)


@pytest.mark.parametrize(
    ("written", "kind", "flip"),
    [
        ("A/C", AS_WRITTEN, False),
        ("C/A", SWAPPED, True),
        ("T/G", FLIPPED, False),
        ("G/T", FLIPPED_SWAPPED, True),
    ],
)
def test_order_and_strand_of_a_marker_are_told_by_its_letters(written, kind, flip):
    matched = match_markers(rows((0, 0, 5, "A/C"), (1, 0, 5, written)), unknown)
    assert matched.marker.tolist() == [0, 0]
    assert matched.kind.tolist() == [AS_WRITTEN, kind]
    assert matched.flip.tolist() == [False, flip]
    assert matched.head.tolist() == [0]


@pytest.mark.parametrize("written", ["A/G", "A/T", "C/G", "G/C", "T/C"])
def test_other_alleles_at_a_place_make_a_marker_of_their_own_and_are_told(written):
    matched = match_markers(rows((0, 0, 5, "A/C"), (1, 0, 5, written)), unknown)
    assert sorted(matched.marker.tolist()) == [0, 1]
    assert matched.kind.tolist() == [AS_WRITTEN, MISMATCH]


def test_a_place_with_several_alternates_in_both_files_is_no_mismatch():
    matched = match_markers(rows((0, 0, 5, "A/C"), (1, 0, 5, "A/C"), (1, 0, 5, "A/G")), unknown)
    assert matched.marker.tolist() == [0, 0, 1]
    assert matched.kind.tolist() == [AS_WRITTEN, AS_WRITTEN, AS_WRITTEN]


def test_a_second_record_of_a_file_for_one_marker_is_left_out():
    matched = match_markers(rows((0, 0, 5, "A/C"), (1, 0, 5, "A/C"), (1, 0, 5, "G/T")), unknown)
    assert matched.marker.tolist() == [0, 0, -1]
    assert matched.beside.tolist() == [0, 0, 0]
    assert matched.kind.tolist() == [AS_WRITTEN, AS_WRITTEN, DUPLICATE]


def test_union_is_in_genome_order_and_a_third_file_meets_the_markers_of_both():
    matched = match_markers(
        rows((0, 1, 5, "A/C"), (1, 0, 9, "A/G"), (1, 1, 5, "C/A"), (2, 0, 9, "C/T"), (2, 1, 4, "A/C")), unknown
    )
    assert matched.marker.tolist() == [2, 0, 2, 0, 1]
    assert matched.kind.tolist() == [AS_WRITTEN, AS_WRITTEN, SWAPPED, FLIPPED_SWAPPED, AS_WRITTEN]


def of_file(frequency):
    """Frequencies from {row: (alternate, copies)}; other rows are unknown."""

    def function(indices):
        pairs = [frequency.get(i, (0, 0)) for i in indices.tolist()]
        return tuple(np.array(pairs, dtype=np.int64).reshape(-1, 2).T)

    return function


@pytest.mark.parametrize(
    ("first", "second", "written", "told"),
    [
        ((20, 200), (22, 200), "A/T", True),  # rare in both: flipped it would be common in one
        ((20, 200), (178, 200), "A/T", False),  # common in one
        ((100, 200), (101, 200), "A/T", False),  # even: either strand would fit
        ((2, 20), (2, 20), "A/T", True),  # flipped 0.1 against 0.9: 0.8 / sqrt(0.25 * 2 / 20) = 5.06 errors
        ((2, 18), (2, 18), "A/T", False),  # likewise 0.778 / sqrt(0.25 * 2 / 18) = 4.67
        ((0, 0), (20, 200), "A/T", False),
        ((20, 200), (178, 200), "T/A", False),  # written otherwise, in a file whose strand is not known: never guessed
    ],
)
def test_palindromes_of_a_file_of_unknown_strand_are_told_by_frequency_alone(first, second, written, told):
    found = match_markers(rows((0, 0, 5, "A/T"), (1, 0, 5, written)), of_file({0: first, 1: second}))
    assert found.kind.tolist() == [AS_WRITTEN, AS_WRITTEN if told else AMBIGUOUS]
    assert found.marker.tolist() == [0, 0 if told else -1]


def with_others(n, written, palindrome):
    others = [(f, 1, i + 1, "A/C" if f == 0 else written) for f in (0, 1) for i in range(n)]
    both = [(0, 0, 5, "A/T"), *others[:n], (1, 0, 5, palindrome), *others[n:]]
    return rows(*both), n + 1


@pytest.mark.parametrize(
    ("n", "written", "palindrome", "first", "second", "kind"),
    [
        (100, "A/C", "A/T", (100, 200), (101, 200), AS_WRITTEN),
        (100, "C/A", "T/A", (100, 200), (101, 200), SWAPPED),
        (100, "C/A", "T/A", (20, 200), (178, 200), SWAPPED),
        (100, "A/C", "A/T", (0, 0), (0, 0), AS_WRITTEN),
        (100, "A/C", "A/T", (20, 200), (100, 200), AS_WRITTEN),  # neither fits: populations differ
        (100, "A/C", "A/T", (20, 200), (178, 200), AMBIGUOUS),  # one strand fits, and it is the other
        (99, "A/C", "A/T", (100, 200), (101, 200), AMBIGUOUS),
        (100, "T/G", "A/T", (100, 200), (101, 200), AMBIGUOUS),
    ],
)
def test_palindromes_of_a_file_on_the_same_strand_are_believed_unless_frequencies_speak_against_it(
    n, written, palindrome, first, second, kind
):
    table, at = with_others(n, written, palindrome)
    found = match_markers(table, of_file({0: first, at: second}))
    assert found.kind[at] == kind
    assert found.flip[at] == (kind == SWAPPED)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), swap=st.sampled_from([0, 0.5]), strand=st.sampled_from([0, 0.5, 1]))
def test_a_split_study_rewritten_at_random_joins_to_itself_but_for_palindromes_told(seed, swap, strand):
    """Truth by construction: what is not left out must be the marker it was made from, counted the right way."""
    rng = np.random.default_rng(seed)
    n = 300
    pairs = [f"{a}/{b}" for a in "ACGT" for b in "ACGT" if a != b]
    alleles = rng.choice(pairs, n)
    frequency = rng.uniform(0.05, 0.95, n)
    made, copies, truth = [], {}, []
    for file in (0, 1):
        for i in range(n):
            ref, alt = alleles[i].split("/")
            turned = bool(file and rng.random() < swap)
            if file and rng.random() < strand:
                ref, alt = COMPLEMENT[ref], COMPLEMENT[alt]
            alternate = rng.binomial(400, frequency[i])
            copies[len(made)] = (400 - alternate if turned else alternate, 400)
            made.append((file, 0, i + 1, f"{alt}/{ref}" if turned else f"{ref}/{alt}"))
            truth.append((i, turned))
    found = match_markers(rows(*made), of_file(copies))
    palindrome = np.array([COMPLEMENT[a[0]] == a[2] for a in alleles])
    assert found.head.size == n
    for row, (marker, turned) in enumerate(truth):
        if found.kind[row] == AMBIGUOUS:
            assert palindrome[marker]
            assert found.marker[row] == -1
        else:
            assert (found.marker[row], found.flip[row]) == (marker, turned)
    if strand == 0:
        assert not (found.kind == AMBIGUOUS).any()


def test_an_identifier_that_another_file_gives_elsewhere_is_found():
    identifier = np.array(["x", "y", ".", "y", "x", "x", "."], dtype=object)
    file = np.array([0, 0, 0, 1, 1, 1, 1])
    beside = np.array([0, 1, 2, 1, 2, 0, 3])
    assert wandering_identifiers(identifier, file, beside).tolist() == [[4, 0]]
    assert wandering_identifiers(identifier[:0], file[:0], beside[:0]).shape == (0, 2)
