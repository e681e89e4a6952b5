"""The rules of a break and of a contact zone, one by one."""

from dataclasses import replace

import pytest
from tests.made_replicates import RULES

from homewater.units import break_rules
from homewater.units.break_rules import Cut, grade_of, is_contact_share, is_mixed_place, reading_of, stands_apart

EVIDENT = Cut(0, 1, 0.05, 0.03, 0.07, 1e-6, 1e-4, 1e-5, 0.052, 0.002, 0.002, 0.001, 0, "", "")


@pytest.mark.parametrize(
    ("change", "reading", "grade"),
    [
        ({}, "boundary", "strong"),
        ({"ci_low": 0.005}, "boundary", "moderate"),
        ({"excess": 0.008, "ci_low": 0.004}, "below_least_fst", "weak"),
        ({"median_step": 0.0251}, "within_gradient", "weak"),
        ({"median_step": 0.0249}, "boundary", "strong"),
        ({"spread": 0.0063}, "within_gradient", "weak"),  # eight spreads of 0.0063 are 0.0504
        ({"spread": 0.0062}, "boundary", "strong"),
        ({"expected_step": 0.2}, "boundary", "strong"),  # a long edge: its own length is off the excess already
        ({"p_adjusted": 0.06}, "not_detected", "none"),
        ({"p_adjusted": float("nan")}, "not_detected", "none"),
        ({"p_nearby": 0.06}, "not_detected", "none"),  # the start of a steeper stretch
        ({"expected_step": float("nan")}, "distance_unknown", "weak"),
        ({"expected_step": float("nan"), "ci_low": 0.001}, "distance_unknown", "none"),
    ],
)
def test_reading_and_grade(change, reading, grade):
    cut = replace(EVIDENT, **change)
    cut = replace(cut, reading=reading_of(cut, RULES))
    assert cut.reading == reading
    assert grade_of(cut, RULES) == grade


@pytest.mark.parametrize(
    ("excess", "p", "ordinary", "spread", "answer"),
    [
        (0.02, 0.001, 0.002, 0.001, True),
        (0.009, 0.001, 0.002, 0.001, False),  # below the least F_ST
        (0.02, 0.06, 0.002, 0.001, False),
        (0.02, 0.001, 0.011, 0.001, False),  # with the median it is under three medians
        (0.02, 0.001, 0.0099, 0.001, True),
        (0.02, 0.001, 0.002, 0.0026, False),  # within eight spreads of the others
        (0.02, float("nan"), 0.002, 0.001, False),
    ],
)
def test_a_site_apart(excess, p, ordinary, spread, answer):
    assert stands_apart(excess, p, ordinary, spread, RULES) is answer


@pytest.mark.parametrize(
    ("share", "error", "f3_t", "answer"),
    [
        (0.5, 0.03, 0.0, True),
        (0.05, 0.001, -9.0, False),
        (0.95, 0.001, -9.0, False),
        (0.15, 0.06, 0.0, False),  # not beyond three errors
        (0.15, 0.06, -3.1, True),  # nothing but mixture makes f3 negative
        (float("nan"), 0.01, 0.0, False),
    ],
)
def test_a_mixture(share, error, f3_t, answer):
    assert is_contact_share(share, error, f3_t) is answer


@pytest.mark.parametrize(
    ("share", "apart", "own_low", "f3_t", "answer"),
    [
        (0.5, 0.05, 0.001, -1.0, True),
        (0.5, 0.05, 0.03, -1.0, False),  # a third lineage
        (0.5, 0.05, 0.03, -3.5, True),  # nothing but mixture makes f3 negative
        (0.95, 0.05, 0.001, -5.0, False),
        (0.5, 0.2, 0.02, 0.0, True),  # below half of 0.05, what the mixture explains
    ],
)
def test_a_place_between_two_lines(share, apart, own_low, f3_t, answer):
    assert is_mixed_place(share, apart, own_low, f3_t, RULES) is answer


def test_the_contact_share_is_stated_once():
    assert break_rules.CONTACT_SHARE == (0.1, 0.9)
