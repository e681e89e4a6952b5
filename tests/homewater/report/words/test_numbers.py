"""Rounding as printed: worked by hand, and properties that hold for any number."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import (
    MAX_DECIMALS,
    Numbers,
    interval_decimals,
    is_missing,
    significant_decimals,
)

WORDS = Catalogue(
    {
        "format.decimal": ".",
        "format.thousands": ",",
        "format.missing": "–",
        "format.infinite": "∞",
        "format.percent": "{value} %",
        "format.below": "< {value}",
        "format.interval": "{estimate} ({low} to {high})",
    }
)
NUMBERS = Numbers(WORDS.plain)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.01234, 2, "0.012"),
        (0.0996, 2, "0.10"),
        (9.96, 2, "10"),
        (123.4, 2, "123"),
        (12345.6, 2, "12,346"),
        (0, 2, "0"),
        (-0.00123, 2, "−0.0012"),
        (-0.0000001, 2, "0.000000"),
        (1.5, 3, "1.50"),
        (math.inf, 2, "∞"),
        (math.nan, 2, "–"),
        (None, 2, "–"),
    ],
)
def test_significant_figures_by_hand(value, digits, text):
    assert NUMBERS.number(value, digits) == text


@pytest.mark.parametrize(
    ("value", "low", "high", "percent", "text"),
    [
        (0.0123, 0.0101, 0.0144, False, "0.012 (0.010 to 0.014)"),
        (0.04512, 0.0441, 0.0462, False, "0.0451 (0.0441 to 0.0462)"),
        (0.2134, 0.163, 0.274, True, "21 (16 to 27) %"),
        (0.995, 0.987, 0.998, True, "99.5 (98.7 to 99.8) %"),
        (834.2, 410.0, math.inf, False, "834 (410 to ∞)"),
        (0.0123, None, None, False, "0.0123"),
        (0.5, 0.5, 0.5, False, "0.500 (0.500 to 0.500)"),
        (None, 0.1, 0.2, False, "–"),
        (0.1, None, 0.2, False, "0.10 (– to 0.20)"),
    ],
)
def test_intervals_by_hand(value, low, high, percent, text):
    assert NUMBERS.interval(value, low, high, percent=percent) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [(0, "0 %"), (1, "100 %"), (0.9996, "99.96 %"), (0.5, "50 %"), (0.0012, "0.12 %"), (0.05, "5.0 %")],
)
def test_shares_by_hand(share, text):
    assert NUMBERS.percent(share) == text


@pytest.mark.parametrize(("p", "text"), [(0.0009, "< 0.001"), (0.001, "0.001"), (0.0123, "0.012"), (0.5, "0.50")])
def test_probability_values_by_hand(p, text):
    assert NUMBERS.p_value(p) == text


@pytest.mark.parametrize(
    ("count", "text"), [(0, "0"), (1e-9, "< 0.001"), (0.0086, "0.0086"), (3.81, "3.8"), (None, "–")]
)
def test_expected_counts_by_hand(count, text):
    assert NUMBERS.expected(count) == text


@pytest.mark.parametrize(("share", "text"), [(0.05, "5 %"), (0.001, "0.1 %"), (0.9, "90 %"), (0.005, "0.5 %")])
def test_settings_are_stated_as_they_were_set(share, text):
    assert NUMBERS.stated(share) == text


@given(st.floats(1e-5, 1e6), st.integers(1, 4))
def test_rounding_moves_a_number_by_less_than_its_last_figure(value, digits):
    decimals = significant_decimals(value, digits)
    shown = float(f"{value:.{decimals}f}")
    cap = 10.0**-MAX_DECIMALS  # small numbers have fewer figures: no more decimals than this are ever shown
    assert abs(shown - value) <= 0.5000001 * max(cap, 10 ** (math.floor(math.log10(value)) - digits + 2))
    if decimals and shown < 10 ** math.floor(math.log10(value) + 1):
        assert abs(shown - value) <= 0.5000001 * max(cap, 10 ** (math.floor(math.log10(value)) - digits + 1))


@given(st.floats(-1, 1), st.floats(1e-4, 2))
def test_the_ends_of_an_interval_stay_apart_and_move_by_little(low, width):
    high = low + width
    decimals = interval_decimals(low, high)
    assert round(high, decimals) > round(low, decimals)
    assert 0.5 * 10**-decimals <= width / 5.9


@pytest.mark.parametrize("value", [None, float("nan"), "", "nan"])
def test_what_counts_as_missing(value):
    assert is_missing(value)
    assert not is_missing(0)
    assert not is_missing(False)
