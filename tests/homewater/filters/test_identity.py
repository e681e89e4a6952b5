"""Identity and kinship of pairs against plain counting and against what relatives have by descent."""

import numpy as np
import pytest

from homewater.filters.identity import (
    CLOSE_KIN,
    MAX_MARKERS,
    MIN_MARKERS,
    compare_pairs,
    expected_above,
    informative_markers,
)


def plain(x, y):
    """Identity, and kinship by Manichaikul et al. (2010), equation 11, marker by marker."""
    both = [(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True) if a >= 0 and b >= 0]
    identity = sum(a == b for a, b in both) / len(both)
    het_x, het_y = sum(a == 1 for a, _ in both), sum(b == 1 for _, b in both)
    het_het, opposite = sum(a == b == 1 for a, b in both), sum({a, b} == {0, 2} for a, b in both)
    fewer = min(het_x, het_y)
    return identity, (het_het - 2 * opposite) / (2 * fewer) + 0.5 - 0.25 * (het_x + het_y) / fewer


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("n_markers", [150, 512])
def test_pairs_agree_with_plain_counting(seed, n_markers):
    dosages = np.random.default_rng(seed).choice(
        np.array([-1, 0, 1, 2], np.int8), (n_markers, 6), p=[0.1, 0.4, 0.3, 0.2]
    )
    pairs = compare_pairs(dosages)
    assert list(zip(pairs.first, pairs.second, strict=True)) == [(i, j) for i in range(6) for j in range(i + 1, 6)]
    for i, j, identity, kinship in zip(pairs.first, pairs.second, pairs.identity, pairs.kinship, strict=True):
        assert (identity, kinship) == pytest.approx(plain(dosages[:, i], dosages[:, j]), abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_relatives_have_the_kinship_of_their_descent(seed):
    """Copies 1/2, parent and offspring and full sibs 1/4, half sibs 1/8, unrelated 0 (common practice)."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.1, 0.9, 20000)
    mother, father, other = ((rng.random(p.size) < p).astype(int) + (rng.random(p.size) < p) for _ in range(3))

    def child(a, b):
        return (rng.random(p.size) < a / 2).astype(int) + (rng.random(p.size) < b / 2)

    dosages = np.array([mother, father, child(mother, father), child(mother, father), child(mother, other), mother])
    pairs = compare_pairs(dosages.T.astype(np.int8))
    kinship = dict(zip(zip(pairs.first.tolist(), pairs.second.tolist(), strict=True), pairs.kinship, strict=True))
    expected = {(0, 5): 0.5, (0, 2): 0.25, (2, 3): 0.25, (2, 4): 0.125, (0, 1): 0.0}
    for pair, value in expected.items():
        assert kinship[pair] == pytest.approx(value, abs=0.02)
    assert {pair for pair, value in kinship.items() if value > CLOSE_KIN} == {
        (0, 2), (0, 3), (0, 4), (0, 5), (1, 2), (1, 3), (2, 3), (2, 5), (3, 5), (4, 5)
    }  # fmt: skip


def test_too_few_markers_tell_nothing():
    dosages = np.zeros((MIN_MARKERS, 3), np.int8)
    assert (compare_pairs(dosages).identity == 1).all()
    dosages[0, 1] = -1
    assert np.isnan(compare_pairs(dosages).identity).tolist() == [True, False, True]
    assert np.isnan(compare_pairs(dosages[1:]).identity).all()
    assert np.isnan(compare_pairs(dosages).kinship).all()  # nobody is heterozygous
    assert compare_pairs(np.zeros((500, 1), np.int8)).identity.size == 0


def test_informative_markers_are_common_called_and_evenly_spaced():
    frequency = np.array([0.05, 0.1, 0.3, np.nan, 0.5])
    assert informative_markers(frequency, np.array([True, True, True, True, False])).tolist() == [1, 2]
    many = informative_markers(np.full(3 * MAX_MARKERS, 0.3), np.ones(3 * MAX_MARKERS, bool))
    assert np.array_equal(many, np.arange(0, 3 * MAX_MARKERS, 3))


@pytest.mark.parametrize("seed", [1, 2])
def test_expected_false_flags_of_normal_values_are_those_of_the_normal(seed):
    values = np.random.default_rng(seed).normal(0.5, 0.01, 20000)
    values[:50] = 0.99  # relatives do not count
    assert expected_above(values, 0.52) == pytest.approx(20000 * 0.02275, rel=0.1)
    assert (values > 0.52).sum() - 50 == pytest.approx(expected_above(values, 0.52), rel=0.15)


def test_expected_false_flags_are_unknown_without_spread():
    assert np.isnan(expected_above(np.arange(9.0), 1))
    assert np.isnan(expected_above(np.ones(50), 1))
    assert np.isnan(expected_above(np.full(50, np.nan), 1))
