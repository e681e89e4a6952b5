"""The test of change between years: right where nothing changed, and as sharp as it says."""

import numpy as np
import pytest
from tests.drifted_years import drifting_site, linked_animals

from homewater.structure.year_change import change_test, detectable_change, permutations_needed


def test_permutations_leave_room_for_the_correction():
    assert permutations_needed(999, 0.05, 1) == 999
    assert permutations_needed(999, 0.05, 100) == 3999  # smallest p 1/4000, times 100 tests: half of the level


@pytest.mark.parametrize(("sizes", "n_chromosomes"), [((12, 20), 3), ((8, 8), 1)])
def test_no_change_is_called_no_more_often_than_the_level(sizes, n_chromosomes):
    """300 sites of one population, linked as its history left it: at most 26 at 5 % (15, plus 3 standard errors)."""
    p = [
        change_test(linked_animals(seed, sum(sizes), n_chromosomes, 100), sizes[0], 99, 0.05, np.random.default_rng(0))[
            0
        ]
        for seed in range(300)
    ]
    assert (np.array(p) <= 0.05).sum() <= 26


def test_the_detectable_change_is_seen_as_often_as_stated():
    """150 sites bred forward: F_ST is half of the drift, here 0.0050, and the statement within a tenth of that.

    80 % power is then 120 of 150, 3 binomial standard errors 15.
    """
    found = []
    for seed in range(150):
        first, second, _ = drifting_site(seed, 99, 2, (20, 20), 600)
        dosages = np.concatenate([first, second], axis=1)
        found.append(change_test(dosages, 20, 299, 0.05, np.random.default_rng(seed)))
    p, detectable = np.array(found).T
    assert detectable.mean() == pytest.approx((1 - (1 - 1 / 198) ** 2) / 2, rel=0.1)
    assert 105 <= (p <= 0.05).sum() <= 135


def test_detectable_change_by_the_tables_of_chi_square():
    """Ten degrees of freedom, e = 1, level 5 %: 18.307 / 10 is passed by (1 + F) 6.179 / 10 (published quantiles)."""
    dealt = np.array([-1.0, 1.0]) * np.sqrt(0.2)
    assert detectable_change(dealt, 1.0, 0.05) == pytest.approx(18.307 / 6.179 - 1, rel=1e-3)
    assert np.isnan(detectable_change(np.zeros(9), 1.0, 0.05))


def test_a_stricter_level_needs_a_larger_change():
    dealt = np.random.default_rng(1).normal(0, 0.1, 500)
    assert detectable_change(dealt, 1.0, 0.001) > detectable_change(dealt, 1.0, 0.05) > 0


@pytest.mark.parametrize(("dosages", "n_first"), [(np.ones((4, 2), np.int8), 1), (np.ones((4, 6), np.int8), 0)])
def test_too_few_animals_or_none_in_a_year_give_no_test(dosages, n_first):
    assert np.isnan(change_test(dosages, n_first, 99, 0.05, np.random.default_rng(0))).all()


def test_markers_that_do_not_vary_give_no_test():
    assert np.isnan(change_test(np.full((5, 10), 2, np.int8), 5, 99, 0.05, np.random.default_rng(0))).all()
