"""Blocks made ahead by a second thread: the same, in order, faults where they are due, and no thread left behind."""

import threading

import numpy as np
import pytest

from homewater.genotypes.variant_blocks import ahead, marker_names


def test_same_items_in_the_same_order():
    assert list(ahead(iter(range(100)))) == list(range(100))
    assert list(ahead(iter(()))) == []


def test_a_fault_comes_after_what_was_made_before_it():
    def blocks():
        yield 1
        yield 2
        raise ValueError("third")

    seen = []
    with pytest.raises(ValueError, match="third"):
        seen.extend(ahead(blocks()))
    assert seen == [1, 2]


def test_no_more_than_the_room_is_made_and_the_thread_ends_with_the_user():
    made = []

    def blocks():
        for number in range(1000):
            made.append(number)
            yield number

    before = threading.active_count()
    user = ahead(blocks(), room=2)
    assert next(user) == 0
    user.close()
    assert threading.active_count() == before
    assert len(made) <= 6


def test_names_are_unique_even_when_an_id_looks_like_a_place():
    chrom, pos = np.array(["1", "1", "1", "1"]), np.array([5, 6, 7, 8])
    alleles = np.array([["A", "C"]] * 4)
    names = marker_names(chrom, pos, np.array(["x", "x", "1:8:A:C", "."]), alleles)
    assert names.tolist() == ["1:5:A:C", "1:6:A:C", "1:7:A:C", "1:8:A:C"]
