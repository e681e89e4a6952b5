"""Coastal order: lines, forks and parted waters, and a slow second version of the tree."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy.sparse.csgraph import minimum_spanning_tree

from homewater.water.coast_order import coast_order
from homewater.water.site_tree import distance_matrix, spanning_tree


def table(kilometres: dict[tuple[str, str], float]) -> pd.DataFrame:
    return pd.DataFrame([(a, b, km) for (a, b), km in kilometres.items()], columns=["site_a", "site_b", "sea_km"])


def along(places: dict[str, float]) -> pd.DataFrame:
    return table({(a, b): abs(places[a] - places[b]) for a, b in itertools.combinations(places, 2)})


def test_a_straight_coast_is_walked_from_the_south_whatever_the_list():
    places = {"c": 20.0, "a": 0.0, "d": 33.0, "b": 11.0}
    south_first = {"a": 50.0, "b": 51.0, "c": 52.0, "d": 53.0}
    assert coast_order(list(places), along(places), south_first) == ["a", "b", "c", "d"]
    north_first = {site: -latitude for site, latitude in south_first.items()}
    assert coast_order(list(places), along(places), north_first) == ["d", "c", "b", "a"]


def test_a_fjord_is_finished_before_the_coast_goes_on():
    # a - b - c - d along the coast, 10 km apart; f1, f2 up a fjord that opens at b.
    from_b = {"a": 10, "b": 0, "c": 10, "d": 20, "f1": 4, "f2": 8}
    kilometres = {}
    for one, two in itertools.combinations(from_b, 2):
        same_arm = {one, two} <= {"f1", "f2"} or {one, two} <= {"c", "d"}
        kilometres[one, two] = abs(from_b[one] - from_b[two]) if same_arm else from_b[one] + from_b[two]
    latitude = dict.fromkeys(from_b, 60.0) | {"a": 50.0}
    assert coast_order(list(from_b), table(kilometres), latitude) == ["a", "b", "f1", "f2", "c", "d"]


def test_waters_that_are_not_joined_follow_each_other():
    sea = table({("a", "b"): 5.0, ("c", "d"): 5.0, ("a", "c"): np.nan, ("b", "c"): np.nan})
    assert coast_order(["a", "c", "b", "d"], sea, dict.fromkeys("abcd", 50.0)) == ["a", "b", "c", "d"]


def test_one_site_and_no_distances():
    assert coast_order(["a"], table({}), {"a": 50.0}) == ["a"]
    assert coast_order([], table({}), {}) == []


@pytest.mark.parametrize("seed", range(10))
def test_the_tree_is_the_shortest_by_another_library(seed):
    """Total length against scipy's minimum spanning tree; every site is met once."""
    points = np.random.default_rng(seed).random((12, 2)) * 100
    names = [f"s{i}" for i in range(12)]
    sea = table(
        {
            (names[i], names[j]): float(np.hypot(*(points[i] - points[j])))
            for i, j in itertools.combinations(range(12), 2)
        }
    )
    matrix = distance_matrix(names, sea)
    first, second = spanning_tree(matrix).T
    assert matrix[first, second].sum() == pytest.approx(minimum_spanning_tree(matrix).sum())
    order = coast_order(names, sea, dict(zip(names, points[:, 1], strict=True)))
    assert sorted(order) == sorted(names)
