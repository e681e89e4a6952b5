"""Ratio against the local unit, cut-offs and priors."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.drawn_genotypes import drifted, with_errors

from homewater.crosses.likelihood import CLASSES, class_list
from homewater.crosses.odds import (
    CLASS_PRIOR,
    class_posterior,
    class_prior,
    counts_by_unit,
    cutoff,
    local_ratio,
    other_units,
    pair_log_likelihoods,
    recently_foreign,
)


def test_ratio_leaves_the_local_unit_out_of_the_best_other():
    likelihood = np.array([[-1.0, -9, -4, -5, -6, -7, -8, -3.5], [-9.0, -1, -4, -5, -6, -7, -8, -2]])
    assert local_ratio(likelihood, np.array([0, 0])).tolist() == [-2.5, 8]
    assert local_ratio(likelihood, np.array([1, -1]))[0] == 8
    assert np.isnan(local_ratio(likelihood, np.array([1, -1]))[1])


@given(st.integers(50, 3000), st.floats(0.0005, 0.05))
def test_cutoff_is_exceeded_by_at_most_the_share_asked_for(n, rate):
    ratios = np.random.default_rng(n).gamma(2, 4, n)
    limit = cutoff(ratios, rate)
    assert limit >= np.log(10)
    assert (ratios > limit).sum() <= max(1, int(rate * (n + 1))) - 1
    if limit > np.log(10):
        assert limit in ratios


def test_cutoff_holds_for_further_draws():
    """Averaged over samples of nulls, a further draw exceeds the cut-off with the chance asked for."""
    rng = np.random.default_rng(1)
    shares = [np.exp(-cutoff(10 + rng.exponential(1, 2000), 0.01) + 10) for _ in range(400)]  # exact tail beyond 10
    assert np.mean(shares) == pytest.approx(20 / 2001, rel=0.05)  # k / (N + 1), k = 20; sd of the mean is 1.1 %


@pytest.mark.parametrize("n_units", [2, 3, 4])
def test_priors_sum_to_one_and_favour_the_local_unit(n_units):
    classes = class_list(n_units)
    assert sum(CLASS_PRIOR.values()) == pytest.approx(1)
    for local in range(-1, n_units):
        prior = class_prior(classes, local)
        assert prior.sum() == pytest.approx(1)
        assert (prior > 0).all()
        if local >= 0:
            assert np.argmax(prior) == local
            assert prior[local] == pytest.approx(0.8, abs=0.01)


def test_counts_and_pairs():
    dosages = np.array([[0, 2, -1], [1, -1, 2], [2, 2, 2]], dtype=np.int8)
    counts = counts_by_unit(dosages, np.array([0, 0, -1]), 2)
    assert counts.alternate.tolist() == [[1, 0], [2, 0], [2, 0]]
    assert counts.copies.tolist() == [[4, 0], [2, 0], [2, 0]]
    classes = class_list(3)
    likelihood = np.random.default_rng(0).normal(size=(4, len(classes.kind)))
    pair = pair_log_likelihoods(likelihood, np.array([0, 2, 1, -1]), np.array([1, 0, -1, 2]), classes)
    assert pair[0, :2].tolist() == likelihood[0, :2].tolist()
    assert pair[1, :2].tolist() == likelihood[1, [2, 0]].tolist()
    assert np.isnan(pair[2:]).all()
    shares = class_posterior(pair)
    assert shares[:2].sum(axis=1) == pytest.approx([1, 1])
    assert np.isnan(shares[2:]).all()


def test_other_unit_is_the_one_that_explains_the_rest():
    classes = class_list(3)
    likelihood = np.full((2, len(classes.kind)), -100.0)
    likelihood[0, classes.of_pair(0, 2)[CLASSES.index("F1")]] = -1
    likelihood[1, 1] = -1
    assert other_units(likelihood, np.array([0, 0]), classes).tolist() == [2, 1]
    assert other_units(likelihood, np.array([-1, 1]), classes)[0] == -1


def test_foreign_animals_in_the_baseline_are_found_and_locals_are_not():
    rng = np.random.default_rng(8)
    frequency = drifted(rng, 2000, 0.15)
    best = np.argsort(-np.abs(frequency[:, 0] - frequency[:, 1]))[:84]
    p = frequency[best]
    drawn = [rng.binomial(2, np.repeat(p[:, [u]], 100, axis=1)) for u in (0, 1)]
    first = rng.random((84, 6)) < p[:, [0]]
    f1 = first.astype(int) + (rng.random((84, 6)) < p[:, [1]])
    movers = rng.binomial(2, np.repeat(p[:, [1]], 6, axis=1))
    dosages = with_errors(rng, np.concatenate([*drawn, f1, movers], axis=1)).T
    unit = np.repeat([0, 1, 0], [100, 100, 12])
    found = recently_foreign(np.ascontiguousarray(dosages), unit, 2, 0.005, 0.001)
    assert found[200:].all()
    assert found[:200].sum() <= 2  # at most 7 alternatives x 0.001 x 200 = 1.4 expected
    assert not recently_foreign(np.ascontiguousarray(dosages), np.where(unit == 1, -1, unit), 2, 0.005, 0.001)[
        unit == 1
    ].any()
