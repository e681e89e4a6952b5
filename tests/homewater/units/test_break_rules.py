"""The rules of a break and of a contact zone, one by one."""

from dataclasses import replace

import pytest
from tests.made_replicates import RULES

from homewater.units import break_rules
from homewater.units.break_rules import Cut, grade_of, is_contact_place, reading_of
from homewater.units.contact import ContactEvidence

EVIDENT = Cut(0, 1, 0.05, 0.03, 0.07, 1e-6, 1e-4, 1e-5, 0.05, 0.052, 0.002, 0.002, "", "")


@pytest.mark.parametrize(
    ("change", "reading", "grade"),
    [
        ({}, "boundary", "strong"),
        ({"ci_low": 0.005}, "boundary", "moderate"),
        ({"excess": 0.008, "ci_low": 0.004}, "below_least_fst", "weak"),
        ({"median_step": 0.0251}, "within_gradient", "weak"),
        ({"median_step": 0.0249}, "boundary", "strong"),
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
    ("change", "answer"),
    [
        ({}, True),
        ({"own_drift_low": 0.03}, False),  # a third lineage
        ({"own_drift_low": 0.03, "f3_t": -3.5}, True),  # nothing but mixture makes f3 negative
        ({"share": 0.95}, False),
        ({"share": 0.05}, False),
        ({"spread_low": -0.01}, False),  # flanks of one lineage
        ({"spread": 0.008}, False),
    ],
)
def test_a_mixture(change, answer):
    found = ContactEvidence(0.5, 0.03, 0.004, 0.001, 0.05, 0.04, -1.0)
    assert is_contact_place(replace(found, **change), RULES) is answer


def test_the_contact_share_is_stated_once():
    assert break_rules.CONTACT_SHARE == (0.1, 0.9)
