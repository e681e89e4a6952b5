"""The additive coast: planted drifts and changes come back, on chains, stars and grids."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear
from tests.made_replicates import on_a_grid, on_a_line

from homewater.units.additive_coast import Ways, change_a_km, fit_coast
from homewater.water.site_tree import side_by_side


def additive(km, own, change):
    """Differentiation of an additive coast on the sites side by side, and its ways."""
    n = len(own)
    ways = Ways(km, side_by_side(km), np.arange(n))
    y = np.zeros((1, n, n))
    for i in range(n):
        for j in range(i + 1, n):
            y[0, i, j] = y[0, j, i] = own[i] + own[j] + sum(change[step] for step in ways.between(i, j))
    return y, ways


@settings(max_examples=50, deadline=None)
@given(
    own=st.lists(st.floats(0, 0.1), min_size=7, max_size=7),
    change=st.lists(st.floats(0, 0.1), min_size=6, max_size=6),
)
def test_a_chain_gives_its_drifts_and_changes_back_and_the_sum_of_both_at_its_ends(own, change):
    km = on_a_line(50 * np.arange(7))
    y, ways = additive(km, own, {(k, k + 1): c for k, c in enumerate(change)})
    fit = fit_coast(y, ways, np.arange(7))
    assert fit.is_end.tolist() == [True] + [False] * 5 + [True]
    assert fit.own[0, 1:6] == pytest.approx(own[1:6], abs=1e-8)
    assert fit.change[0, 1:5] == pytest.approx(change[1:5], abs=1e-8)
    assert fit.change[0, [0, 5]] == pytest.approx([change[0] + own[0], change[5] + own[6]], abs=1e-8)


def test_three_arms_of_a_sound():
    arms = np.array([(0, 0), (0, 1), (0, 2.1), (1, 0), (2.1, 0), (-1, 0), (-2.1, 0)])
    km = 40 * np.array([[abs(a - b).sum() for b in arms] for a in arms])
    change = {(0, 1): 0.01, (1, 2): 0.02, (0, 3): 0.05, (3, 4): 0.0, (0, 5): 0.003, (5, 6): 0.004}
    y, ways = additive(km, [0.01, 0.02, 0.0, 0.03, 0.0, 0.005, 0.0], change)
    fit = fit_coast(y, ways, np.arange(7))
    assert fit.own[0, [0, 1, 3, 5]] == pytest.approx([0.01, 0.02, 0.03, 0.005], abs=1e-8)
    assert [fit.change_across(*step)[0] for step in change] == pytest.approx(list(change.values()), abs=1e-8)


def test_a_grid_has_a_front_at_every_row():
    km = on_a_grid(4, 3)
    side = np.tile([0, 0, 1, 1], 3)
    pairs = [tuple(p) for p in side_by_side(km).tolist()]
    y, ways = additive(km, np.full(12, 0.01), {(i, j): 0.05 * (side[i] != side[j]) for i, j in pairs})
    fit = fit_coast(y, ways, np.arange(12))
    for i, j in pairs:
        assert fit.change_across(i, j)[0] == pytest.approx(0.05 * (side[i] != side[j]), abs=1e-6)
    assert fit.own[0] == pytest.approx(np.full(12, 0.01), abs=1e-6)


def test_noisy_pairs_are_fitted_as_a_bounded_least_squares_of_another_kind_does():
    """Second version: scipy's bounded trust-region least squares on the full design."""
    km, rng = on_a_line(50 * np.arange(6)), np.random.default_rng(0)
    y, ways = additive(km, [0.0, 0.01, 0.0, 0.03, 0.0, 0.0], {(k, k + 1): 0.01 * (k == 2) for k in range(5)})
    noise = np.triu(rng.normal(0, 0.003, (6, 6)), 1)
    y = y + noise + noise.T
    fit = fit_coast(y, ways, np.arange(6))
    first, second = np.triu_indices(6, 1)
    design = np.zeros((15, 11))
    for row, (i, j) in enumerate(zip(first, second, strict=True)):
        design[row, [k for k in (i, j) if k not in (0, 5)]] = 1
        design[row, 6 + i : 6 + j] = 1
    used = [1, 2, 3, 4, *range(6, 11)]
    other = lsq_linear(design[:, used], y[0, first, second], (0, np.inf), method="trf", tol=1e-14).x
    assert np.concatenate([fit.own[0, 1:5], fit.change[0]]) == pytest.approx(other, abs=1e-6)


@settings(max_examples=50, deadline=None)
@given(own=st.lists(st.floats(-0.05, 0.2), min_size=11, max_size=11), rate=st.floats(-0.001, 0.001))
def test_groups_of_sites_have_one_rate_whatever_each_site_drifted(own, rate):
    places = np.array([0, 30, 90, 140, 1000, 1050, 1130, 1170, 1220, 9000, 9050.0])
    km = on_a_line(places)
    y = (rate * km + np.add.outer(own, own))[None]
    y[0, :4, 4:] += 0.3  # between groups nothing is read
    y[0, 4:, :4] += 0.3
    groups = [np.arange(4), np.arange(4, 9), np.array([9, 10])]
    assert change_a_km(y, km, groups) == pytest.approx([rate], abs=1e-9)


def test_three_sites_a_group_tell_no_rate():
    assert change_a_km(np.zeros((1, 6, 6)), on_a_line(np.arange(6)), [np.arange(3), np.arange(3, 6)]) is None


@pytest.mark.parametrize("n", [1, 2])
def test_one_and_two_sites(n):
    km = on_a_line(50 * np.arange(n))
    y = np.full((3, n, n), 0.04)
    fit = fit_coast(y, Ways(km, side_by_side(km), np.arange(n)), np.arange(n))
    assert fit.is_end.all()
    assert fit.change.shape == (3, n - 1)
    assert fit.change == pytest.approx(np.full((3, n - 1), 0.04))


def test_pairs_without_data_give_nothing():
    km = on_a_line(50 * np.arange(4))
    fit = fit_coast(np.full((2, 4, 4), np.nan), Ways(km, side_by_side(km), np.arange(4)), np.arange(4))
    assert np.isnan(fit.own).all()
