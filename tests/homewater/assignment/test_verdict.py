"""The order in which a verdict is decided, case by case."""

import numpy as np
import pytest

from homewater.assignment.verdict import VerdictRules, called_class, verdicts
from homewater.crosses.likelihood import CLASSES, class_list

TWO, THREE = class_list(2), class_list(3)


def judge(likelihood, local, n_typed=80, cutoff=5.0, excluded=False, classes=TWO, support=0.9):
    return verdicts(
        np.array([likelihood], dtype=float), np.array([n_typed]), np.array([local]), classes,
        VerdictRules(np.full(classes.n_units, cutoff), 60, support), np.array([excluded]))  # fmt: skip


def of_two(**given):
    """Log likelihoods of CLASSES for unit 0 local, unit 1 other; -50 where not given."""
    likelihood = np.full(len(TWO.kind), -50.0)
    for name, value in given.items():
        likelihood[TWO.of_pair(0, 1)[CLASSES.index(name)]] = value
    return likelihood


@pytest.mark.parametrize(
    ("given", "more", "outcome", "reason"),
    [
        ({"pure_a": -10, "backcross_a": -6}, {}, "local", ""),
        ({"pure_a": -10, "backcross_a": -6}, {"n_typed": 59}, "unresolved", "too_few_markers"),
        ({"pure_a": -10, "backcross_a": -6}, {"n_typed": 59, "excluded": True}, "unresolved", "too_few_markers"),
        ({"pure_a": -10, "backcross_a": -6}, {"excluded": True}, "unsampled_origin", ""),
        ({"pure_a": -20, "backcross_a": -6}, {}, "mixed", ""),
        ({"pure_a": -20, "F1": -6}, {}, "mixed", ""),
        ({"pure_a": -40, "pure_b": -6}, {}, "non_local", ""),
        ({"pure_a": -40, "pure_b": -10, "F1": -9}, {}, "unresolved", "not_told_apart"),
        # in unit 1's own waters this one would be called local, so here it is non-local
        ({"pure_a": -40, "pure_b": -10, "second_backcross_b": -8}, {}, "non_local", ""),
        # and this one would not
        ({"pure_a": -40, "pure_b": -16, "second_backcross_b": -8}, {}, "mixed", ""),
    ],
)
def test_order_of_the_outcomes(given, more, outcome, reason):
    found = judge(of_two(**given), 0, **more)
    assert (found.outcome[0], found.reason[0]) == (outcome, reason)


def test_without_a_local_unit_nothing_is_local():
    assert judge(of_two(pure_a=-5), -1).outcome[0] == "non_local"
    assert judge(of_two(F1=-5), -1).outcome[0] == "mixed"
    found = judge(of_two(pure_a=-5), -1)
    assert np.isnan(found.ratio[0])
    assert found.best_unit[0] == 0


def test_mixture_of_two_foreign_units_is_mixed():
    likelihood = np.full(len(THREE.kind), -60.0)
    likelihood[THREE.of_pair(1, 2)[CLASSES.index("F1")]] = -10
    assert judge(likelihood, 0, classes=THREE).outcome[0] == "mixed"
    likelihood[1] = -8
    likelihood[2] = -9
    assert judge(likelihood, 0, classes=THREE).outcome[0] == "non_local"  # foreign, from one or the other


def test_nothing_typed_has_no_best_unit():
    found = judge(np.zeros(len(TWO.kind)), 0, n_typed=0)
    assert found.best_unit[0] == -1
    assert np.isnan(found.posterior[0])
    assert found.outcome[0] == "unresolved"


def test_mixed_animals_count_by_their_best_mixed_class():
    share = np.array([[0.6, 0, 0.1, 0, 0.3, 0, 0, 0], [0.6, 0, 0.1, 0, 0.3, 0, 0, 0], [np.nan] * 8])
    outcome = np.array(["mixed", "local", "unresolved"], dtype=object)
    assert called_class(outcome, share).tolist() == ["backcross_a", "local", "unresolved"]
