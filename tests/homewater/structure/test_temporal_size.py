"""Temporal effective size: hand-worked drift, a naive second version, and populations bred forward with linkage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.drifted_years import drifting_site

from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.temporal_size import drift_sums, pedigree_variance, size_from_drift, temporal_size


def counts_of(dosages):
    return np.stack([(dosages == value).sum(axis=1) for value in (0, 1, 2, -1)], axis=1).astype(np.int32)


def test_one_marker_by_hand():
    """Two of three animals heterozygous against 1 of 2 homozygous for the alternate.

    x = 1/3, y = 1/2; variances of the animals' frequencies (0, 1/2, 1/2) and (0, 1): 1/12 over 3 and 1/2 over 2.
    """
    first, second = np.array([[1, 2, 0, 0]]), np.array([[1, 0, 1, 5]])
    top, bottom = drift_sums(first, second, np.array([0]), 1)
    assert top[0] == pytest.approx((1 / 3 - 1 / 2) ** 2 - 1 / 36 - 1 / 4)
    assert bottom[0] == pytest.approx((1 / 3 * 1 / 2 + 2 / 3 * 1 / 2) / 2)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000))
def test_sums_equal_a_loop_over_animals(seed):
    """Each animal's frequency in turn; markers with one animal typed in either sample add nothing."""
    rng = np.random.default_rng(seed)
    samples = [rng.integers(-1, 3, (12, n)).astype(np.int8) for n in rng.integers(1, 6, 2)]
    block = rng.integers(0, 3, 12)
    top, bottom = np.zeros((2, 3))
    for marker in range(12):
        x, y = ([d / 2 for d in sample[marker].tolist() if d >= 0] for sample in samples)
        if min(len(x), len(y)) >= 2:
            noise = np.var(x, ddof=1) / len(x) + np.var(y, ddof=1) / len(y)
            top[block[marker]] += (np.mean(x) - np.mean(y)) ** 2 - noise
            bottom[block[marker]] += np.mean([(a * (1 - b) + b * (1 - a)) / 2 for a in x for b in y])
    got = drift_sums(*map(counts_of, samples), block, 3)
    assert np.allclose(got, (top, bottom), atol=1e-12)


@pytest.mark.parametrize(("size", "generations"), [(50, 1), (50, 7.5), (1000, 2), (2, 1)])
def test_size_and_drift_are_inverse(size, generations):
    assert size_from_drift(1 - (1 - 1 / (2 * size)) ** generations, generations) == pytest.approx(size)


def test_drift_of_nothing_of_all_and_undefined():
    assert np.isinf(size_from_drift(-0.01, 2))
    assert size_from_drift(1.2, 2) == 0
    assert np.isnan(size_from_drift(np.nan, 2))


def test_samples_of_one_generation_give_no_size():
    found = temporal_size(np.ones(5), np.full(5, 20.0), np.full(5, 10), 0.9, 20)
    assert (found.basis, np.isnan(found.estimate)) == ("under_one_generation", True)


def test_no_markers_one_block_and_no_drift():
    assert temporal_size(np.zeros(0), np.zeros(0), np.zeros(0, int), 2, 20).basis == "undefined"
    alone = temporal_size(np.array([1.0]), np.array([50.0]), np.array([10]), 2, 20)
    assert np.isfinite(alone.estimate)
    assert np.isnan([alone.low, alone.high]).all()
    none = temporal_size(np.array([-1.0, 0.4, 0.2]), np.full(3, 50.0), np.full(3, 10), 2, 20)
    assert none.basis == "no_drift_signal"
    assert np.isinf([none.estimate, none.high]).all()
    assert 0 < none.low < 1000


def test_variance_of_pedigrees_by_hand():
    """Ten animals, N = 50: shares 1/10, then 1/20 + 0.95/50; c^2 / 400 each, half of it for half a generation."""
    assert pedigree_variance(50, 1, 10) == pytest.approx(0.01 / 400)
    assert pedigree_variance(50, 1.5, 10) == pytest.approx((0.01 + (0.05 + 0.95 / 50) ** 2 / 2) / 400)
    assert pedigree_variance(np.inf, 3, 10) == 0


@pytest.mark.parametrize(("size", "generations", "sampled"), [(50, 1, (30, 15)), (50, 6, (40, 40)), (100, 2, (25, 25))])
def test_size_comes_back_from_populations_bred_forward(size, generations, sampled):
    """100 Wright-Fisher sites of 600 linked markers, seeds 0 to 99: the size behind the mean drift within a tenth.

    Intervals cover in 88 or more (95 expected, binomial standard error 2.2).
    """
    drifts, covered = [], 0
    for seed in range(100):
        first, second, chrom = drifting_site(seed, size, generations, sampled, 600)
        block = chromosome_blocks(chrom, np.arange(chrom.size))
        sums = drift_sums(counts_of(first), counts_of(second), block, 20)
        drifts.append(sums[0].sum() / sums[1].sum())
        found = temporal_size(*sums, np.bincount(block), generations, sampled[1])
        covered += found.low <= size <= found.high
    assert size_from_drift(float(np.mean(drifts)), generations) == pytest.approx(size, rel=0.1)
    assert covered >= 88
