"""What changes at an edge, what distance explains of it, and by how much edges vary."""

import numpy as np
import pytest
from tests.made_replicates import RULES, made, on_a_line

from homewater.units.break_evidence import Search


def searched(linear, km):
    search = Search(made(linear, noise=1e-6), km, RULES)
    search.measure(np.arange(len(km)))
    return search


def test_own_drift_is_no_change_and_the_changes_are_those_planted():
    km, place = on_a_line(50 * np.arange(8)), np.array([0, 1, 2, 4, 9, 10, 11, 12]) * 0.01
    own = np.array([0.02, 0.01, 0.0, 0.05, 0.03, 0.01, 0.02, 0.02])
    linear = on_a_line(place) + own[:, None] + own[None, :]
    np.fill_diagonal(linear, 0)
    search = searched(linear, km)
    assert search.change[0, 1:6] == pytest.approx(np.diff(place)[1:6], abs=1e-5)
    assert search.own[0, 1:7] == pytest.approx(own[1:7], abs=1e-5)
    assert search.ordinary_drift()[0] == pytest.approx(np.median(own[1:7]), abs=1e-5)
    # at an end the median drift is taken off; the rest of both stands as the change
    assert search.change[0, 0] == pytest.approx(0.01 + 0.02 - np.median(own[1:7]), abs=1e-5)


def test_the_median_rate_weighs_an_edge_by_its_length_and_leaves_out_what_is_cut():
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    search = searched(0.0002 * km, km)
    none = np.zeros(7, dtype=bool)
    assert search.median_rate(None, none)[0] == pytest.approx(0.0002, rel=0.01)
    search.change[0] = [1, 1, 1, 40, 2, 2, 2]
    assert search.median_rate(None, none)[0] == pytest.approx(40 / 400)  # of 700 km, 400 are that edge
    assert search.median_rate(3, none)[0] == pytest.approx(1 / 50)
    assert search.median_rate(None, np.array([1, 1, 1, 1, 0, 0, 0], dtype=bool))[0] == pytest.approx(2 / 50)


def test_the_spread_of_steps_is_their_median_deviation_and_grows_with_the_root_of_length():
    km = on_a_line(50 * np.arange(6))
    search = searched(0.0002 * km, km)
    search.change[0] = [0.01, 0.02, 0.03, 0.04, 0.09]
    none = np.zeros(5, dtype=bool)
    # without the last the weighted median is 0.02, the deviations 0.01, 0, 0.01, 0.02, their median 0.01
    assert search.step_spread(4, none, 50) == pytest.approx(1.4826 * 0.01)
    assert search.step_spread(4, none, 200) == pytest.approx(2 * 1.4826 * 0.01)


def test_the_rate_near_an_edge_is_the_smaller_of_two_on_a_side():
    km, place = on_a_line(50 * np.arange(9)), np.array([0, 1, 2, 3, 9, 21, 33, 45, 57]) * 0.001
    search = searched(on_a_line(place), km)
    none = np.zeros(8, dtype=bool)
    assert search.rate_of_distance(3, np.arange(9), none)[0] == pytest.approx(0.012 / 50, rel=0.01)
    assert search.median_rate(3, none)[0] == pytest.approx(0.012 / 50, rel=0.01)
    assert search.rate_of_distance(4, np.arange(9), none)[0] == pytest.approx(0.012 / 50, rel=0.01)
