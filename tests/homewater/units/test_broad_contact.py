"""Contacts of two stocks over one site or many, from planted shares."""

import numpy as np
import pytest
from scipy import stats
from tests.made_replicates import RULES, made, on_a_line

from homewater.units.break_evidence import Search
from homewater.units.broad_contact import find_contact, smooth_shares
from homewater.units.cline_fit import sigmoid
from homewater.units.mixtures import f3


def mixed(share, apart, own=0.0, noise=0.0002):
    """Sites with planted shares of two stocks: by algebra they differ by the squared difference of shares, times S."""
    share, n = np.asarray(share, float), len(share)
    linear = apart * (share[:, None] - share[None, :]) ** 2 + 2 * own * (1 - np.eye(n))
    km = on_a_line(50 * np.arange(n))
    search = Search(made(linear, noise=noise), km, RULES)
    search.measure(np.arange(n))
    return search


def contact_in(search):
    n = len(search.km)
    return find_contact(search, np.arange(n), np.zeros(n - 1, dtype=bool))


@pytest.mark.parametrize(("width", "own"), [(50, 0.0), (100, 0.002), (200, 0.0), (200, 0.01), (400, 0.0), (400, 0.01)])
def test_a_cline_is_a_contact_of_its_sites_whatever_its_width(width, own):
    n = 20
    share = sigmoid(50 * np.arange(n), 475, width)
    found = contact_in(mixed(share, 0.1, own))
    assert found.edge == 9
    inside = np.flatnonzero((share > 0.13) & (share < 0.87))
    beyond = np.flatnonzero((share < 0.07) | (share > 0.93))
    zone = found.way[found.zone]
    assert np.isin(inside, zone).all()
    assert not np.isin(beyond, zone).any()
    assert found.difference[0] == pytest.approx(0.1 / 1.1, rel=0.1)


def test_one_mixed_site_between_two_stocks():
    found = contact_in(mixed([0, 0, 0, 0.4, 1, 1, 1], 0.05))
    assert found.way[found.zone].tolist() == [3]
    assert found.share[found.zone] == pytest.approx(0.4, abs=0.03)
    assert found.edge == 3


@pytest.mark.parametrize(
    "linear",
    [
        on_a_line(0.01 * np.arange(10)),  # a gradient: f3 is 0
        0.04 * (1 - np.eye(10)),  # islands: f3 is the drift
        0.1 * (np.repeat([0, 1], 5)[:, None] != np.repeat([0, 1], 5)[None, :]),  # a sharp line: f3 is 0
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_drift_distance_and_lines_are_no_contact(linear, seed):
    search = Search(made(linear, noise=0.0005, seed=seed), on_a_line(50 * np.arange(10)), RULES)
    search.measure(np.arange(10))
    assert contact_in(search) is None


def test_an_f3_that_its_sites_share_forbids_is_noise():
    """Two sites at an end of the coast drifted; by noise site 2 has a negative f3, though it is of the first source.

    Site 3 has a share of a sixth, and no negative f3: neither is a mixture.
    """
    linear = np.zeros((6, 6))
    linear[4:, :4] = [0.03, 0.03, 0.026, 0.024]
    linear[2, :2], linear[3, :2] = -0.004, 0.004
    linear += linear.T
    search = Search(made(linear, noise=0.0002), on_a_line(50 * np.arange(6)), RULES)
    search.measure(np.arange(6))
    negative = f3(search.replicates.drift, np.array([2, 3]), np.array([0, 1]), np.array([4, 5]))
    assert search.replicates.t_value(negative)[0] < -10
    assert negative[0] == pytest.approx([-0.004, -0.001])
    assert contact_in(search) is None


def test_stocks_that_differ_by_less_than_the_least_fst_have_no_contact():
    assert contact_in(mixed([0, 0, 0, 0.5, 1, 1, 1], 0.009, noise=0.00002)) is None


# a step that exchange has spread for so long that its standard deviation is 120 km: the diffusion equation's solution
NEUTRAL = stats.norm.cdf(50 * np.arange(12), 275, 120)


@pytest.mark.parametrize("planted", [sigmoid(50 * np.arange(12), 275, 400), NEUTRAL], ids=["selected", "neutral"])
def test_a_curve_counts_its_sources_no_purer_than_it_is_itself(planted):
    """Shares measured between sources at 5 and 95 % (1 and 99 % of a neutral contact) come back as the planted ones."""
    km = on_a_line(50 * np.arange(12))
    one, other, way = np.array([1, 0]), np.array([10, 11]), np.arange(2, 10)
    low, high = planted[one].mean(), planted[other].mean()
    measured = (planted[way] - low) / (high - low)
    found = smooth_shares(km, (one, other, way), measured, np.full(8, 0.01))
    assert found == pytest.approx(planted[way], abs=0.002)
