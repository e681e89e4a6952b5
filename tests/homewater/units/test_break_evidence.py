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
    assert search.rates_of_distance(3, np.arange(9), none)[0][0] == pytest.approx(0.012 / 50, rel=0.01)
    assert search.median_rate(3, none)[0] == pytest.approx(0.012 / 50, rel=0.01)
    assert search.rates_of_distance(4, np.arange(9), none)[0][0] == pytest.approx(0.012 / 50, rel=0.01)


WITH_GAP = on_a_line(np.concatenate([50 * np.arange(6), 1250 + 50 * np.arange(6)]))  # edge 5 is 1,000 km long
NO_CUT = np.zeros(11, dtype=bool)


def searched_noisily(linear, noise):
    search = Search(made(linear, noise=noise, seed=2), WITH_GAP, RULES)
    search.measure(np.arange(12))
    return search


def test_noise_of_short_edges_is_not_multiplied_across_a_long_one():
    noise = np.triu(np.random.default_rng(3).normal(0, 0.003, (12, 12)), 1)
    apart = 0.1 * (np.arange(12)[:, None] // 6 != np.arange(12)[None, :] // 6)
    search = searched_noisily(apart + noise + noise.T, 0.001)
    assert search.long_rates(2, np.arange(12), NO_CUT) is None
    # the mean distance of a side's sites is some 100 km: the noise of a pair is multiplied a few times, not 20 times
    assert search.rates_of_distance(5, np.arange(12), NO_CUT)[0][0] * 1000 < 0.02
    assert search.test(5, np.arange(12), NO_CUT, 1).reading == "boundary"


def test_a_long_edge_within_a_gradient_is_no_line_though_a_site_drifted():
    own = np.where(np.isin(np.arange(12), [2, 11]), 0.1, 0.0)
    linear = 0.0001 * WITH_GAP + np.add.outer(own, own)
    np.fill_diagonal(linear, 0)
    search = searched_noisily(linear, 0.0002)
    both, steeper = search.long_rates(5, np.arange(12), NO_CUT)
    assert [both[0], steeper[0]] == pytest.approx([0.0001, 0.0001], rel=1e-6)
    assert search.test(5, np.arange(12), NO_CUT, 1).reading == "not_detected"


def test_the_steeper_side_of_a_long_edge_counts_where_it_is_so_beyond_chance():
    place = np.concatenate([0.001 * np.arange(6), 0.005 + 20 * 0.006 + 0.006 * np.arange(6)])
    search = searched_noisily(on_a_line(place), 0.0002)
    both, steeper = search.long_rates(5, np.arange(12), NO_CUT)
    assert both[0] == pytest.approx(0.0035 / 50, rel=1e-3)
    assert steeper[0] == pytest.approx(0.006 / 50, rel=1e-3)
    assert search.test(5, np.arange(12), NO_CUT, 1).reading != "boundary"
    # what is cut parts a side: four sites of it are too few to speak for themselves, two tell nothing
    cut = NO_CUT.copy()
    cut[9] = True
    both, steeper = search.long_rates(5, np.arange(12), cut)
    assert 0.001 / 50 < both[0] < 0.0035 / 50
    assert steeper[0] == both[0]
