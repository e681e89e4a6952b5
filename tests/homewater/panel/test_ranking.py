"""What a marker tells of a backcross: against plain sums, against draws, and why the difference alone is not enough."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.drawn_genotypes import Arrays, drifted, with_errors

from homewater.crosses.frequency_prior import flat_prior
from homewater.crosses.likelihood import KnownUnits, class_list, class_table, log_likelihoods
from homewater.panel.ranking import POOL, backcross_information, most_different
from homewater.statistics.allele_counts import AlleleCounts


def counts_of(frequency, n):
    """Genotype counts of units of n animals, as Hardy and Weinberg expect them, rounded."""
    q = np.asarray(frequency, dtype=float)
    both, one = np.round(n * q**2), np.round(2 * n * q * (1 - q))
    return np.stack([n - both - one, one, both, 0 * q], axis=-1).astype(int)


def test_equals_plain_sums_for_known_frequencies():
    """A million animals leave nothing to integrate: sums over three genotypes by hand, error 0.01."""
    q = np.array([[0.3, 0.7], [0.0, 0.4], [0.5, 0.5]])
    got = backcross_information(counts_of(q, 1_000_000), np.ones(3, bool), 3, flat_prior(2), 0.01)[0]

    def called(chances):
        return [0.99 * c + 0.005 * (1 - c) for c in chances]

    for row, (a, b) in enumerate(q):
        total = 0.0
        for p, r in ((a, b), (b, a)):
            pure = [(1 - p) ** 2, 2 * p * (1 - p), p * p]
            first = [(1 - p) * (1 - r), p * (1 - r) + r * (1 - p), p * r]
            crossed = called([(x + y) / 2 for x, y in zip(pure, first, strict=True)])
            total += sum(x * np.log(x / y) for x, y in zip(crossed, called(pure), strict=True))
        assert got[row] == pytest.approx(total, abs=1e-4)
    assert got[1] > got[0] > got[2]  # an allele that one unit lacks tells as much as a larger difference elsewhere


def test_is_the_mean_ratio_of_drawn_backcrosses():
    rng = np.random.default_rng(0)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, 30, 0.2)[:, np.repeat([0, 1], 40)]), missing=0)
    counts = Arrays(dosages).genotype_counts(np.repeat([0, 1], 40), 2)
    classes = class_list(2)
    table = class_table(KnownUnits(AlleleCounts.of_genotypes(counts), 0.005, flat_prior(2)), classes)
    told = 0.0
    for unit, name in ((0, 4), (1, 5)):
        column = classes.of_pair(0, 1)[name]
        chance = table[:, :, column] / table[:, :, column].sum(axis=1, keepdims=True)
        drawn = (rng.random((20_000, 30, 1)) > np.cumsum(chance, axis=1)[None, :, :2]).sum(axis=2).astype(np.int8)
        odds = log_likelihoods(drawn, table)
        told += (odds[:, column] - odds[:, unit]).mean()
    worth = backcross_information(counts, np.ones(30, bool), 30, flat_prior(2), 0.005)
    assert worth.sum() == pytest.approx(told, rel=0.03)


def test_three_units_have_a_row_a_pair_and_names_do_not_matter():
    rng = np.random.default_rng(1)
    dosages = rng.binomial(2, drifted(rng, 50, 0.2, 3)[:, np.repeat([0, 1, 2], 30)]).astype(np.int8)
    counts = Arrays(dosages).genotype_counts(np.repeat([0, 1, 2], 30), 3)
    worth = backcross_information(counts, np.ones(50, bool), 50, flat_prior(3), 0.005)
    turned = backcross_information(counts[:, [2, 0, 1]], np.ones(50, bool), 50, flat_prior(3), 0.005)
    assert worth.shape == (3, 50)
    assert turned == pytest.approx(worth[[1, 2, 0]])  # pairs (2,0), (2,1), (0,1) in the order of the turned units
    swapped = backcross_information(counts[..., [2, 1, 0, 3]], np.ones(50, bool), 50, flat_prior(3), 0.005)
    assert swapped == pytest.approx(worth)  # nor which allele is called alternate


def test_markers_outside_the_pool_come_after_all_inside_by_their_difference():
    rng = np.random.default_rng(2)
    counts = counts_of(rng.random((400, 2)), 50)
    candidate = rng.random(400) < 0.9
    few = backcross_information(counts, candidate, 3, flat_prior(2), 0.005)[0]
    everything = backcross_information(counts, candidate, 400, flat_prior(2), 0.005)[0]
    inside = few == everything
    assert inside[candidate].sum() == 3 * POOL
    assert few[inside & candidate].min() > few[candidate & ~inside].max()
    assert (few[~candidate] == 0).all()
    assert backcross_information(counts, np.zeros(400, bool), 3, flat_prior(2), 0.005).max() == 0


@given(st.lists(st.integers(0, 5), max_size=40), st.integers(0, 45), st.integers(0, 1000))
def test_the_most_different_equal_a_plain_sort(values, n, seed):
    difference = np.array(values, dtype=float)
    candidate = np.random.default_rng(seed).random(len(values)) < 0.7
    order = sorted(np.flatnonzero(candidate).tolist(), key=lambda i: (-difference[i], i))
    assert most_different(difference, candidate, n).tolist() == sorted(order[:n])
