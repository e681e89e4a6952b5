"""Hybrid index and interclass heterozygosity: by hand, against general optimisers, by the conditions of a maximum."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from homewater.assignment.hybrid_index import _pair_shares, hybrid_index, interclass_heterozygosity
from homewater.crosses.likelihood import one_copy_each, with_error


def pairs_of(a, b, error):
    """Chances of called dosages under AA, AB, BB where both frequencies are known."""
    return with_error(np.stack([one_copy_each(a, a), one_copy_each(a, b), one_copy_each(b, b)], axis=-1), error)


def test_index_by_hand():
    # p_a = .1, p_b = .9 for the alternate allele, 3 of 10 copies alternate: share of b is (.3 - .1) / .8 = .25
    table = pairs_of(np.full(5, 0.1), np.full(5, 0.9), 0.0)
    dosages = np.array([[2, 1, 0, 0, 0], [1, 1, 1, 0, 0], [2, 2, 2, 1, 0]], dtype=np.int8)
    index, low, high = hybrid_index(dosages, table)
    assert index == pytest.approx([0.25, 0.25, 0.75], abs=1e-7)
    assert (low < index).all()
    assert (index < high).all()


def test_index_and_interval_against_a_general_optimiser():
    # scipy.optimize, over the likelihood written out
    rng = np.random.default_rng(0)
    a, b = rng.uniform(0.05, 0.95, (2, 40))
    dosages = rng.integers(-1, 3, (6, 40)).astype(np.int8)
    found = hybrid_index(dosages, pairs_of(a, b, 0.01))
    for i, g in enumerate(dosages):

        def minus(h, g=g):
            q = (1 - h) * a + h * b
            p = np.choose(np.maximum(g, 0), [(1 - q) ** 2, 2 * q * (1 - q), q**2])
            return -np.log(0.99 * p + 0.005 * (1 - p))[g >= 0].sum()

        best = minimize_scalar(minus, bounds=(0, 1), method="bounded", options={"xatol": 1e-10})
        ends = [h for h in (0.0, 1.0) if minus(h) < best.fun]
        assert found[0][i] == pytest.approx(ends[0] if ends else best.x, abs=1e-5)
        for end, limit in ((found[1][i], 0.0), (found[2][i], 1.0)):
            drop = minus(end) - minus(found[0][i])
            assert drop == pytest.approx(1.9207, abs=1e-3) or (end == limit and drop < 1.9208)


def test_untyped_animals_have_no_index():
    nothing = np.full((1, 3), -1, dtype=np.int8)
    assert np.isnan(np.array(hybrid_index(nothing, np.full((3, 3, 3), 1 / 3)))).all()
    assert np.isnan(interclass_heterozygosity(nothing, np.full((3, 3, 3), 1 / 3))).all()


def test_interval_holds_the_share_of_simulated_backcrosses_at_unlinked_markers():
    rng = np.random.default_rng(5)
    a, b = rng.uniform(0, 1, (2, 60))
    h = 0.25
    q = (1 - h) * a + h * b
    dosages = rng.binomial(2, q, (2000, 60)).astype(np.int8)
    _, low, high = hybrid_index(dosages, pairs_of(a, b, 0.0))
    assert np.mean((low <= h) & (h <= high)) == pytest.approx(0.95, abs=0.015)  # 3 standard errors


@given(st.integers(0, 10_000), st.integers(1, 30), st.sampled_from([0.0, 0.01]))
def test_shares_of_pairs_are_the_most_likely_ones(seed, n_loci, error):
    # the likelihood is concave, so a share with no slope, or at a bound with a slope beyond it, is the best (Lindsay
    # 1983, Ann Stat 11:86-94, theorem 3.1): no pair may gain on the mean, and every pair with a share must equal it
    rng = np.random.default_rng(seed)
    table = with_error(rng.dirichlet(np.ones(3), (n_loci, 3)).transpose(0, 2, 1), error)
    dosages = rng.integers(-1, 3, (20, n_loci)).astype(np.int8)
    found = _pair_shares(dosages, table, 100)
    for share, own in zip(found, dosages, strict=True):
        typed = own >= 0
        if not typed.any():
            assert np.isnan(share).all()
            continue
        assert share.sum() == pytest.approx(1, abs=1e-12)
        chance = table[np.flatnonzero(typed), own[typed]]
        slope = (chance / (chance @ share)[:, None]).mean(axis=0) - 1
        assert slope.max() < 1e-5
        assert np.abs(slope[share > 1e-4]).max() < 1e-5


def test_shares_of_pairs_equal_those_of_many_em_steps():
    rng = np.random.default_rng(1)
    table = with_error(rng.dirichlet(np.ones(3), (40, 3)).transpose(0, 2, 1), 0.01)
    dosages = rng.integers(-1, 3, (30, 40)).astype(np.int8)
    for own, found in zip(dosages, interclass_heterozygosity(dosages, table), strict=True):
        chance, share = table[np.flatnonzero(own >= 0), own[own >= 0]], np.full(3, 1 / 3)
        for _ in range(20_000):
            share = (share * chance / (chance @ share)[:, None]).mean(axis=0)
        assert found == pytest.approx(share[1], abs=1e-4)


def test_loci_that_tell_no_pairs_apart_leave_equal_shares():
    table = np.full((5, 3, 3), 1 / 3)
    assert interclass_heterozygosity(np.ones((1, 5), dtype=np.int8), table) == pytest.approx([1 / 3])
