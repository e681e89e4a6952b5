"""Where blocks begin and end."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from homewater.structure.block_stretches import best_stretch, joined_windows


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(("first", "last"), [(0, 199), (50, 120), (0, 60), (150, 199)])
def test_edges_lie_within_a_few_markers(seed, first, last):
    rng = np.random.default_rng(seed)
    values = rng.exponential(0.005, 200)
    values[first : last + 1] = rng.exponential(0.2, last - first + 1)
    start, end = best_stretch(values, 0.005)
    assert abs(start - first) <= 5
    assert abs(end - last) <= 5


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_the_stretch_lies_inside(values):
    start, end = best_stretch(np.array(values), 0.01)
    assert 0 <= start <= end < len(values)


def test_windows_are_joined_over_a_gap_of_one_and_never_over_chromosomes():
    standing = np.array([1, 0, 1, 0, 0, 1, 1, 1, 0], dtype=bool)
    chromosome = np.array([0, 0, 0, 0, 0, 0, 0, 1, 1])
    assert [g.tolist() for g in joined_windows(standing, chromosome)] == [[0, 1, 2], [5, 6], [7]]
    assert joined_windows(np.zeros(3, bool), np.zeros(3)) == []
