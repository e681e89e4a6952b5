"""Dealing into folds, and the panel without a fold: by subtraction of counts, and by counting again without it."""

import numpy as np
import pytest
from tests.drawn_genotypes import all_eligible
from tests.homewater.panel.test_proof import LIMITS, dealt, study

from homewater.crosses.odds import recently_foreign
from homewater.panel.folds import deal_folds
from homewater.panel.ranking import ranked


def test_folds_spread_sites_and_keep_families_whole():
    rng = np.random.default_rng(0)
    site = np.repeat([0, 1, 2, -1], [23, 10, 1, 5])
    kin = np.arange(39)
    kin[[2, 5, 9]] = 2
    kin[[11, 25]] = 11  # a family over two sites
    fold = deal_folds(site, kin, 5, rng)
    assert (fold[34:] == -1).all()
    assert (fold[:34] >= 0).all()
    assert len(set(fold[[2, 5, 9]].tolist())) == 1
    assert fold[11] == fold[25]
    for s in (0, 1):
        sizes = np.bincount(fold[site == s], minlength=5)
        assert sizes.max() - sizes.min() <= 3
    plain = deal_folds(np.repeat([0, 1], 20), np.arange(40), 5, rng)
    assert [np.bincount(plain[:20]).tolist(), np.bincount(plain[20:]).tolist()] == [[4] * 5, [4] * 5]


@pytest.mark.parametrize("without", [(0,), (3,), (1, 4)])
def test_choice_by_subtracting_folds_equals_recounting_without_them(without):
    """The second version counts the genotypes of the animals left, twice: before and after foreign ones leave."""
    store, unit, site = study(2, 0.05)
    unit[:3] = 1  # movers, so that somebody leaves
    fold = np.arange(120) % 5
    found = dealt(store, unit, site, fold).trained(*without)
    markers, left = all_eligible(store), np.where(np.isin(fold, without), -1, unit)
    first = ranked(store.genotype_counts(left, 2), markers, LIMITS.rules, LIMITS.n_markers)
    dosages = np.ascontiguousarray(store.select(first.markers).T)
    foreign = recently_foreign(dosages, left, 2, LIMITS.rules.error, LIMITS.foreign_rate, first.prior)
    left = np.where(foreign, -1, left)
    again = ranked(store.genotype_counts(left, 2), markers, LIMITS.rules, max(LIMITS.sizes), first.prior)
    assert found.local.tolist() == left.tolist()
    assert found.chosen.tolist() == again.markers.tolist()
    assert found.usable.tolist() == again.usable.tolist()
    assert np.array_equal(found.prior.weight, again.prior.weight)
    whole = dealt(store, unit, site, np.where(np.isin(fold, without), -1, fold)).trained()
    assert whole.chosen.tolist() == found.chosen.tolist()
