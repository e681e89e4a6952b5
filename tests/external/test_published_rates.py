"""Rates of foreign animals: the fit over classes against the published one-class example."""

import numpy as np
import pytest

from homewater.assignment.rates import PowerCounts, recent_share


def power(sensitivity, specificity, simulated):
    calls = np.array([[specificity, 1 - specificity], [1 - sensitivity, sensitivity]]) * simulated
    return PowerCounts(calls, np.array([False, True]), ("local", "non_local"))


# Rogan & Gladen (1978) Am J Epidemiol 107:71-76, example of influentialpoints.com ("confidence interval for true
# prevalence"): 60 of 200 flagged, sensitivity .95, specificity .90: .235294, interval .160575 to .310013.


def test_published_example_by_maximum_likelihood():
    """Sensitivity and specificity known: the same estimate (1e-4); the profile interval differs little (0.01)."""
    share, low, high = recent_share(np.array([140, 60]), power(0.95, 0.90, 1e8))
    assert share == pytest.approx(0.235294, abs=1e-4)
    assert (low, high) == pytest.approx((0.160575, 0.310013), abs=0.01)


def test_published_example_with_uncertain_sensitivity_and_specificity():
    """Both from 100 animals: standard error .047097 instead of .038122, so an interval 1.235 times as wide (0.1)."""
    share, low, high = recent_share(np.array([140, 60]), power(0.95, 0.90, 100))
    _, known_low, known_high = recent_share(np.array([140, 60]), power(0.95, 0.90, 1e8))
    assert share == pytest.approx(0.235294, abs=0.02)
    assert (high - low) / (known_high - known_low) == pytest.approx(0.047097 / 0.038122, abs=0.1)


def test_fewer_flags_than_false_ones_are_no_negative_rate():
    """4 of 200 flagged, sensitivity .9, specificity .95: the formula gives -.035294; a share is never below 0."""
    share, low, high = recent_share(np.array([196, 4]), power(0.9, 0.95, 1e8))
    assert (share, low) == pytest.approx((0, 0), abs=1e-4)
    assert 0 < high < 0.05
