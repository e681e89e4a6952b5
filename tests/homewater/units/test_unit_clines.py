"""Clines between units: which sites lie on a line, their ancestry, and the tables, from planted coasts."""

from dataclasses import replace

import numpy as np
import pytest
from tests.drawn_mixtures import counts_of, mixtures

from homewater.tables.schema_tables import check_table
from homewater.units.cline_fit import sigmoid
from homewater.units.replicates import pair_replicates
from homewater.units.unit_clines import (
    CoastUnits,
    clines_tables,
    effective_copies,
    path_of_units,
    references,
)
from homewater.water.site_tree import bridged, spanning_tree


def coast_of(at, unit, contact=(), animals=20, km=None):
    """Sites at places along a line, or with given distances; `unit` is a text such as "aabb"."""
    at = np.asarray(at, float)
    km = np.abs(at[:, None] - at[None, :]) if km is None else np.asarray(km, float)
    n = len(unit)
    zone = np.isin(np.arange(n), list(contact))
    names = [f"unit_{'abcd'.index(u) + 1}" for u in unit]
    ids = [f"S{i}/ä" for i in range(n)]
    edges = spanning_tree(bridged(km))
    boundary = np.array([names[i] != names[j] for i, j in edges], dtype=bool)
    return CoastUnits(ids, names, zone, np.full(n, animals), edges, km, boundary)


def test_a_path_starts_in_the_first_unit_whatever_the_order_of_sites():
    order, status = path_of_units(coast_of([50, 0, 90, 20, 70], "babab"), "unit_1", "unit_2")
    assert (order.tolist(), status) == ([1, 3, 0, 4, 2], "")
    order, status = path_of_units(coast_of([90, 0, 70, 20, 50], "ababa"), "unit_1", "unit_2")
    assert (order.tolist(), status) == ([0, 2, 4, 3, 1], "")


def standing_apart(at, unit, alone):
    """A coast on which these sites, units of their own, have no line beside them."""
    coast = coast_of(at, unit)
    beside = np.isin(coast.edges, alone).any(axis=1)
    return replace(coast, boundary=coast.boundary & ~beside)


def test_a_site_that_stands_apart_is_passed_over():
    at = 10 * np.arange(7)
    order, status = path_of_units(standing_apart(at, "acaabbb", [1]), "unit_1", "unit_2")
    assert (order.tolist(), status) == ([0, 2, 3, 4, 5, 6], "")
    order, status = path_of_units(standing_apart(at, "caaabbd", [0, 6]), "unit_1", "unit_2")
    assert (order.tolist(), status) == ([1, 2, 3, 4, 5], "")
    order, status = path_of_units(standing_apart(at, "aaacbbb", [3]), "unit_1", "unit_2")
    assert (order.tolist(), status) == ([0, 1, 2, 4, 5, 6], "")
    # with a line beside it the third stock parts the two
    assert path_of_units(coast_of(at, "aacbbbb"), "unit_1", "unit_2")[1] == "not_linear"


def star():
    """Three sites 10 km from a fourth and 20 km from one another."""
    km = np.full((4, 4), 20.0)
    km[0, :] = km[:, 0] = 10
    np.fill_diagonal(km, 0)
    return km


def parted():
    """Two pairs of sites that no water joins."""
    km = np.full((4, 4), np.nan)
    km[:2, :2] = km[2:, 2:] = [[0, 10], [10, 0]]
    return km


@pytest.mark.parametrize(
    ("coast", "status"),
    [
        (coast_of([0, 10], "ab"), "too_few_sites"),
        (coast_of([0, 10, 20], "aab"), ""),
        (coast_of([], "aabb", km=star()), "not_linear"),
        (coast_of([], "aabb", km=parted()), "not_joined_by_water"),
        (coast_of([0, 10, 20, 30, 40], "aabba"), "several_boundaries"),
        (coast_of([0, 10, 20, 30, 40], "ababb"), "several_boundaries"),
        (coast_of([0, 10, 20, 30, 40], "ababb", contact=[1]), ""),
        (coast_of([0, 10, 20], "aab", contact=[2]), "no_reference_site"),
        (coast_of([0, 10, 20, 30], "acbb"), "not_linear"),
    ],
)
def test_what_hinders_a_cline(coast, status):
    assert path_of_units(coast, "unit_1", "unit_2")[1] == status


def test_references_are_the_further_half_and_no_contact_zone():
    coast = coast_of(10 * np.arange(11), "aaaaaabbbbb", contact=[5, 6])
    order = np.arange(11)
    assert references(coast, order, "unit_1").tolist() == [0, 1, 2]
    assert references(coast, order, "unit_2").tolist() == [9, 10]
    small = coast_of([0, 10, 20], "aab")
    assert references(small, np.arange(3), "unit_1").tolist() == [0, 1]
    assert references(small, np.arange(3), "unit_2").tolist() == [2]


def test_effective_copies_give_the_error_back_and_are_two_an_animal_at_most():
    share, error = np.array([0.5, 0.2, 0.0, 1.0, 0.5]), np.array([0.1, 0.1, 0.05, 0.05, 0.001])
    copies = effective_copies(share, error, np.full(5, 20))
    # 0.25 / 0.01, 0.16 / 0.01; one error away from 0 and 1: 0.05 x 0.95 / 0.0025 (by hand)
    assert copies == pytest.approx([25, 16, 19, 19, 40])
    assert np.sqrt(share[:2] * (1 - share[:2]) / copies[:2]) == pytest.approx(error[:2])
    assert effective_copies(np.array([0.3]), np.array([0.0]), np.array([7])) == [14]
    assert effective_copies(np.array([0.3]), np.array([2.0]), np.array([7]))[0] == pytest.approx(0.0625)


@pytest.fixture(scope="module")
def planted():
    """Tables of 40 coasts with one planted cline: centre 150 km, width 100 km."""
    at = 30.0 * np.arange(11)
    coast = coast_of(at, "aaaaaabbbbb", contact=[4, 5, 6])
    true = sigmoid(at, 150, 100)
    return true, [clines_tables(coast, mixtures(true, seed)) for seed in range(40)]


def test_a_planted_cline_is_found_with_intervals_that_cover_it(planted):
    """At 95 % coverage 35 or more of 40 have a chance of 98.6 % (binomial); more is no fault: copies are capped."""
    rows = [check_table(clines, "clines").iloc[0] for clines, _ in planted[1]]
    assert {row["status"] for row in rows} == {"fitted"}
    assert {row["open_ends"] for row in rows} == {""}
    centre = [row["centre_ci_low"] <= 150 <= row["centre_ci_high"] for row in rows]
    width = [row["width_ci_low"] <= 100 <= row["width_ci_high"] for row in rows]
    assert sum(centre) >= 35
    assert sum(width) >= 35
    assert np.mean([row["centre_km"] for row in rows]) == pytest.approx(150, abs=5)
    assert np.median([row["width_km"] for row in rows]) == pytest.approx(100, rel=0.12)
    assert {row["centre_between_a"] for row in rows} <= {"S4/ä", "S5/ä"}


def test_rows_of_sites_hold_observed_beside_expected(planted):
    for _, sites in planted[1]:
        table = check_table(sites, "cline_sites")
        assert table["km_along"].tolist() == (30.0 * np.arange(11)).tolist()
        assert set(table["basis"]) == {"reference", "measured"}
        assert (table["observed_ci_low"] <= table["observed_share"]).all()
        assert (table["expected_ci_low"] <= table["expected_share"]).all()
        assert (table["expected_share"] <= table["expected_ci_high"]).all()
        assert table["expected_share"].is_monotonic_increasing
    inside = [(t["expected_ci_low"] <= planted[0]) & (planted[0] <= t["expected_ci_high"]) for _, t in planted[1]]
    assert np.mean(inside) > 0.85


@pytest.mark.parametrize("unit", ["aab", "abb", "aabb", "aaabbb"])
def test_a_sharp_step_has_no_lower_bound_and_says_so(unit):
    shares = [float(u == "b") for u in unit]
    clines, sites = clines_tables(coast_of(40 * np.arange(len(unit)), unit), mixtures(shares, 5))
    row = check_table(clines, "clines").iloc[0]
    assert row["open_ends"].split("+")[0] == "width_not_bounded_below"
    assert np.isnan(row["width_ci_low"])
    last = unit.index("b")
    assert (row["centre_between_a"], row["centre_between_b"]) == (f"S{last - 1}/ä", f"S{last}/ä")
    alone = check_table(sites, "cline_sites").set_index("locationID")
    expected = [i for i, u in enumerate(unit) if unit.count(u) == 1]
    assert alone.index[alone["basis"] == "by_definition"].tolist() == [f"S{i}/ä" for i in expected]
    assert alone.loc[alone["basis"] == "by_definition", "observed_ci_low"].isna().all()


def test_three_units_make_two_rows_and_a_row_without_a_cline_has_no_sites():
    coast = coast_of(40 * np.arange(7), "aabbbcc")
    clines, sites = clines_tables(coast, mixtures([0, 0, 0.5, 0.5, 0.5, 1, 1], 3))
    assert list(zip(clines["unit_a"], clines["unit_b"], strict=True)) == [("unit_1", "unit_2"), ("unit_2", "unit_3")]
    assert set(zip(sites["unit_a"], sites["unit_b"], strict=True)) == {("unit_1", "unit_2"), ("unit_2", "unit_3")}
    alternate = clines_tables(coast_of(40 * np.arange(4), "abab"), mixtures([0, 1, 0, 1], 3))
    row = check_table(alternate[0], "clines").iloc[0]
    assert row["status"] == "several_boundaries"
    assert np.isnan(row["centre_km"])
    assert check_table(alternate[1], "cline_sites").empty


@pytest.mark.parametrize("n", [0, 1, 4])
def test_one_unit_makes_headers_only(n):
    replicates = mixtures([0.0] * n, 1) if n > 1 else pair_replicates(np.zeros((5, n, 4), np.int32), np.zeros(5, int))
    clines, sites = clines_tables(coast_of(10.0 * np.arange(n), "a" * n), replicates)
    assert check_table(clines, "clines").empty
    assert check_table(sites, "cline_sites").empty


def test_too_few_blocks_for_an_error_are_told():
    replicates = mixtures([0, 0, 1, 1], 2)
    single = pair_replicates(counts_of(np.random.default_rng(0).uniform(0.2, 0.8, (40, 4)), 10, 1), np.zeros(40, int))
    coast = coast_of([0, 10, 20, 30], "aabb")
    assert clines_tables(coast, replicates)[0]["status"].tolist() == ["fitted"]
    assert clines_tables(coast, single)[0]["status"].tolist() == ["not_measurable"]
