"""The size of a panel from its curve: the rule by hand, who has a say, and what the outer figures are made of."""

from dataclasses import replace

import numpy as np
import pytest
from tests.drawn_genotypes import all_eligible, even_map
from tests.homewater.panel.test_proof import study

from homewater.crosses.flag_rates import FlagRates
from homewater.panel.folds import DealtAnimals
from homewater.panel.proof import nested_validation
from homewater.panel.settings import PanelRules, PanelSettings
from homewater.panel.size import haplotypes, size_from_curve, smallest_near_best
from homewater.running.seeds import draws

RATES = FlagRates(0.01, 0.0, 0)
LIMITS = PanelSettings((8, 16, 40, 80), 80, PanelRules(0.9, 0, 0.005), RATES, size_from_curve=True)


def dealt(seed, fst, folds=4):
    store, unit, site = study(seed, fst)
    fold = np.arange(len(unit)) % folds
    return DealtAnimals(store, unit, site, fold, 2, all_eligible(store), even_map(store.n_markers), LIMITS, 0.01)


def draw(seed):
    return draws(seed, "panel", "topshell")


def test_the_smallest_within_one_standard_error_of_the_best():
    """Best 0.90 at the third size; its error by three folds is 0.05 / sqrt(3) = 0.0289, so 0.88 is enough, 0.86 not."""
    third = np.array([0.85, 0.90, 0.95])
    by_fold = np.column_stack([third - 0.04, third - 0.02, third, third - 0.01])
    got = smallest_near_best(by_fold, LIMITS)
    assert got.size == 16
    assert got.sensitivity == pytest.approx([0.86, 0.88, 0.90, 0.89])
    assert got.error == pytest.approx(np.full(4, 0.05 / np.sqrt(3)))
    assert smallest_near_best(by_fold - [0, 0.01, 0, 0], LIMITS).size == 40


def test_without_a_cross_the_size_is_the_fixed_one():
    got = smallest_near_best(np.empty((0, 4)), LIMITS)
    assert got.size == 80
    assert got.as_record(LIMITS.sizes)["backcross_sensitivity"] == [None] * 4


def test_stocks_far_apart_need_fewer_markers_than_stocks_near_one_another():
    far, near = (size_from_curve(dealt(1, fst), draw(1)) for fst in (0.8, 0.08))
    assert far.size < near.size
    assert far.sensitivity[1] > near.sensitivity[1] + 0.3
    assert near.sensitivity[0] < near.sensitivity[-1]


def test_a_fold_left_out_has_no_say():
    """Its genotypes turned about, the others choose the same size from the same sensitivities."""
    one = dealt(2, 0.2)
    before = size_from_curve(one, draw(2), 1)
    store, _, _ = study(2, 0.2)
    gone = one.fold == 1
    store.dosages[:, gone] = np.where(store.dosages[:, gone] < 0, 0, 2 - store.dosages[:, gone])
    after = size_from_curve(replace(one, genotypes=store), draw(2), 1)
    assert after.size == before.size
    assert after.sensitivity.tolist() == before.sensitivity.tolist()
    with_it = size_from_curve(replace(one, genotypes=store), draw(2))
    assert with_it.sensitivity.tolist() != size_from_curve(one, draw(2)).sensitivity.tolist()


def test_each_fold_is_judged_at_the_size_that_the_others_choose():
    one = dealt(3, 0.15)
    tally = nested_validation(one, draw(3))
    told = tally.own_sizes()
    assert told["sizes"] == [size_from_curve(one, draw(3), fold).size for fold in range(4)]
    assert 0 < told["backcrosses_found"] < told["backcrosses"] == tally.crosses[0]
    assert told["ci_low"] < told["backcrosses_found"] / told["backcrosses"] < told["ci_high"]
    fixed = nested_validation(replace(one, settings=replace(LIMITS, size_from_curve=False)), draw(3))
    assert fixed.own_sizes()["sizes"] == [80] * 4
    assert fixed.at_own_size[0] == fixed.found["backcross_a"][-1]
    assert fixed.right.tolist() == tally.right.tolist()  # the curve itself is the same either way


def test_founders_carry_the_alleles_of_their_animal():
    rng = np.random.default_rng(4)
    dosages = rng.integers(0, 3, (6, 30)).astype(np.int8)
    founders = haplotypes(dosages, rng)
    assert (founders[:, :6] + founders[:, 6:] == dosages.T).all()
    dosages[2, 4] = -1
    dosages[:, 7] = -1
    founders = haplotypes(dosages, rng)
    assert set(np.unique(founders)) <= {0, 1}
    assert (founders[7] == 0).all()
