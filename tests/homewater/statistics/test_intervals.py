"""Shared statistics against published tables, general-purpose libraries and plain second versions."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from homewater.statistics import intervals

# Newcombe (1998) Stat Med 17:857-872, 95 %; rows from memory, agreeing with recomputation: k, n, Wilson
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
    (10, 10, 0.7225, 1.0),
    (29, 30, 0.8333, 0.9941),
    (95, 100, 0.8882, 0.9785),
    (50, 50, 0.9287, 1.0),
]


@pytest.mark.parametrize(("k", "n", "low", "high"), NEWCOMBE)
def test_proportion_intervals_equal_the_published_table(k, n, low, high):
    assert intervals.wilson(k, n) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_proportion_intervals_equal_scipy(pair, confidence):
    k, n = pair
    score = stats.binomtest(k, n).proportion_ci(confidence, "wilson")
    assert intervals.wilson(k, n, confidence) == pytest.approx((score.low, score.high), abs=1e-9)


def test_no_trials_have_no_interval():
    assert np.isnan(intervals.wilson(0, 0)).all()


def test_false_discovery_equals_the_published_example():
    """Benjamini & Hochberg (1995), their 15 p values (from memory, agreeing with recomputation): 4 rejected at 5 %."""
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    q = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    q += [0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0]
    got = intervals.false_discovery(np.array(p))
    assert got == pytest.approx(q, abs=1e-6)
    assert (got <= 0.05).sum() == 4


@given(st.lists(st.floats(0, 1), min_size=1, max_size=50))
def test_false_discovery_equals_scipy_and_skips_missing_tests(p):
    got = intervals.false_discovery(np.array([np.nan, *p]))
    assert np.isnan(got[0])
    assert got[1:] == pytest.approx(stats.false_discovery_control(p), abs=1e-12)


def test_jackknife_of_a_mean_is_its_standard_error():
    """(3, 5, 7, 9): s / sqrt(n) = 1.290994, exact arithmetic."""
    values = np.array([3.0, 5.0, 7.0, 9.0])
    without = (values.sum() - values) / 3
    assert intervals.jackknife(without, values.mean()) == pytest.approx(1.290994, abs=1e-6)
    low, high, _ = intervals.jackknife_interval(values.mean(), without)
    assert (low, high) == pytest.approx(stats.t.interval(0.95, 3, loc=6, scale=1.2909944487))


@given(st.lists(st.tuples(st.integers(1, 9), st.floats(-5, 5)), min_size=2, max_size=12))
def test_weighted_jackknife_equals_the_formula_written_out(blocks):
    """Busing et al. (1999): pseudo-values one at a time."""
    m, value = (np.array(a, dtype=float) for a in zip(*blocks, strict=True))
    n, estimate = m.sum(), (m * value).sum() / m.sum()
    without = np.array([((m * value).sum() - a * b) / (n - a) for a, b in zip(m, value, strict=True)])
    centre = len(m) * estimate - sum((1 - a / n) * t for a, t in zip(m, without, strict=True))
    variance = 0.0
    for a, t in zip(m, without, strict=True):
        h = n / a
        variance += ((h * estimate - (h - 1) * t) - centre) ** 2 / (h - 1)
    assert intervals.jackknife(without, estimate, m) == pytest.approx(np.sqrt(variance / len(m)), abs=1e-9)


def test_blocks_without_data_do_not_count():
    numerator, denominator = np.array([1.0, 2.0, 0.0, 3.5]), np.array([2.0, 3.0, 0.0, 4.0])
    full = intervals.ratio_interval(numerator, denominator, denominator)
    used = denominator > 0
    assert [float(v) for v in full] == pytest.approx(
        [float(v) for v in intervals.ratio_interval(numerator[used], denominator[used], denominator[used])]
    )
    alone = intervals.ratio_interval(numerator[:1], denominator[:1])
    assert alone[0] == 0.5
    assert np.isnan(alone[1:]).all()


def test_jackknife_interval_covers_as_often_as_it_says():
    """Ratio of sums over 15 independent unequal blocks, 4,000 replicates: coverage 95 % within 2.5 %."""
    rng = np.random.default_rng(11)
    size = np.linspace(20, 60, 15)
    denominator = rng.gamma(size[:, None], 1.0, (15, 4000))
    numerator = 0.3 * denominator + rng.normal(0, 1, (15, 4000)) * np.sqrt(size)[:, None]
    _, low, high, _ = intervals.ratio_interval(numerator, denominator, size)
    assert ((low < 0.3) & (high > 0.3)).mean() == pytest.approx(0.95, abs=0.025)


def test_blocks_are_chromosomes_where_there_are_enough():
    chrom = np.repeat(["c2", "c1", "c3", "c5", "c4"], 3)
    assert intervals.chromosome_blocks(chrom, np.arange(15)).tolist() == np.repeat(np.arange(5), 3).tolist()


@given(st.integers(1, 4), st.integers(1, 200), st.integers(0, 99))
def test_few_chromosomes_are_cut_into_contiguous_blocks(n_chrom, n_markers, seed):
    rng = np.random.default_rng(seed)
    chrom, pos = rng.integers(0, n_chrom, n_markers).astype(str), rng.permutation(n_markers)
    block = intervals.chromosome_blocks(chrom, pos)
    assert sorted(set(block.tolist())) == list(range(block.max() + 1))
    assert block.max() + 1 <= 24
    for name in set(chrom.tolist()):
        within = block[chrom == name][np.argsort(pos[chrom == name])]
        assert (np.diff(within) >= 0).all()
        assert np.bincount(within)[within.min() :].max() - np.bincount(within)[within.min() :].min() <= 1
    assert all(len(set(chrom[block == b].tolist())) == 1 for b in set(block.tolist()))


def test_upper_tail_and_permutation_p():
    assert intervals.binomial_upper_tail(3, 10, 0.2) == pytest.approx(stats.binom.sf(2, 10, 0.2))
    assert intervals.binomial_upper_tail(np.array([0, 11]), 10, 0.2).tolist() == [1.0, 0.0]
    assert intervals.permutation_p(0, 999) == 0.001


def test_holm_by_hand():
    """Sorted 0.01, 0.02, 0.03 times 3, 2, 1, then never below the one before; what was not tested does not count."""
    got = intervals.holm(np.array([0.03, np.nan, 0.01, 0.02]))
    assert got[[0, 2, 3]].tolist() == pytest.approx([0.04, 0.03, 0.04])
    assert np.isnan(got[1])
    assert intervals.holm(np.array([0.9, 0.8])).tolist() == [1.0, 1.0]
    assert intervals.holm(np.array([])).size == 0


def test_blocks_among_some_markers_are_those_of_these_markers_alone():
    """With six chromosomes blocks are chromosomes, numbered without those of which no marker counts."""
    markers = pd.DataFrame({"chrom": [f"c{k // 2}" for k in range(14)], "pos": np.arange(14)})
    chosen = np.arange(14) % 2 == 0
    chosen[2] = False  # the second chromosome has no marker that counts
    block = intervals.blocks_among(chosen, markers)
    assert block.tolist() == [0, -1, -1, -1, 1, -1, 2, -1, 3, -1, 4, -1, 5, -1]
