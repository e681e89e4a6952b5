"""The tree of sites by water: its length, ties, sides, hops, and pairs that lie side by side."""

import numpy as np
import pandas as pd
import pytest
from tests.made_replicates import on_a_grid, on_a_line

from homewater.water.site_tree import bridged, distance_matrix, edge_hops, segments, side_by_side, sides, spanning_tree


@pytest.mark.parametrize("seed", range(5))
def test_the_tree_is_as_short_as_that_of_another_library(seed):
    from scipy.sparse.csgraph import minimum_spanning_tree

    at = np.random.default_rng(seed).uniform(0, 100, (9, 2))
    km = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    edges = spanning_tree(km)
    assert km[edges[:, 0], edges[:, 1]].sum() == pytest.approx(minimum_spanning_tree(km).sum())
    assert segments(edges, np.zeros(8, dtype=bool), 9).tolist() == [0] * 9


def test_ties_take_the_lower_numbers_and_sides_and_hops_follow_the_tree():
    assert spanning_tree(np.ones((4, 4)) - np.eye(4)).tolist() == [[0, 1], [0, 2], [0, 3]]
    edges = np.array([[0, 1], [1, 2], [2, 3]])
    one, other = sides(edges, np.arange(4), 1)
    assert (one.tolist(), other.tolist()) == ([0, 1], [2, 3])
    assert edge_hops(edges, np.arange(3), 0).tolist() == [0, 1, 2]
    assert segments(edges, np.array([False, True, False]), 4).tolist() == [0, 0, 1, 1]


def test_water_that_is_not_joined_counts_as_far():
    table = pd.DataFrame({"site_a": ["a", "a", "b"], "site_b": ["b", "c", "c"], "sea_km": [30.0, np.nan, np.nan]})
    km = distance_matrix(["a", "b", "c"], table)
    assert np.isnan(km[0, 2])
    assert bridged(km)[0, 2] == 60
    assert bridged(np.full((1, 1), 0.0)).tolist() == [[0.0]]


def test_side_by_side_by_hand():
    # on a line only neighbours; in a square its sides and not its diagonals; the tree is among them
    assert side_by_side(on_a_line([0, 10, 30, 31])).tolist() == [[0, 1], [1, 2], [2, 3]]
    assert side_by_side(on_a_grid(2, 2)).tolist() == [[0, 1], [0, 2], [1, 3], [2, 3]]
    km = on_a_line(np.random.default_rng(0).random(9)) + on_a_line(np.random.default_rng(1).random(9))
    pairs = {tuple(pair) for pair in side_by_side(km).tolist()}
    assert {tuple(edge) for edge in spanning_tree(km).tolist()} <= pairs
    naive = {
        (i, j) for i in range(9) for j in range(i + 1, 9)
        if not any(max(km[i, k], km[j, k]) < km[i, j] for k in range(9) if k not in (i, j))
    }  # fmt: skip
    assert pairs == naive


def test_parted_waters_have_a_tree_each():
    km = on_a_line([0, 10, 30, 35])
    km[:2, 2:] = km[2:, :2] = np.nan
    assert spanning_tree(km).tolist() == [[0, 1], [2, 3]]
    assert spanning_tree(np.full((1, 1), 0.0)).tolist() == []
