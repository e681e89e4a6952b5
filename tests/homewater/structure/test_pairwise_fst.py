"""Pairwise F_ST: the permutation kernel against the plain formula, the test under no structure, the table's edges."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import distances, site_counts

from homewater.running.seeds import draws
from homewater.statistics.fst import pair_components
from homewater.structure import pairwise_fst

NAMES = ["north bay", "öst", "S-01/a", "kelp"]


def drawn(seed):
    return draws(seed, "pairwise_fst", "sp")


def counts_of(dosages, site, n_sites):
    return np.stack(
        [np.stack([(dosages[:, site == s] == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for s in range(n_sites)], 1
    ).astype(np.int32)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.integers(3, 140))
def test_permuted_fst_equals_counting_each_split(seed, n):
    """Bit planes and the split-free terms against the pair kernel, which knows nothing of permutations."""
    rng = np.random.default_rng(seed)
    dosages = drawn_dosages(seed, [n], n_markers=40, missing=0.15)
    dosages[0], dosages[1] = -1, 2
    splits = np.zeros((5, n), dtype=bool)
    for split in splits:
        split[rng.permutation(n)[: rng.integers(1, n)]] = True
    got = pairwise_fst.permuted_fst(dosages, splits)
    for split, value in zip(splits, got, strict=True):
        top, bottom = pair_components(counts_of(dosages, (~split).astype(int), 2), np.zeros(40, dtype=int))
        expected = top[0, 0] / bottom[0, 0] if bottom[0, 0] else np.nan
        assert value == pytest.approx(expected, abs=1e-10, nan_ok=True)


def test_p_values_are_uniform_without_structure():
    """600 pairs of samples of one population each: Kolmogorov-Smirnov above 0.001, 5 % below 5 % (30, 3.5 SE)."""
    site = np.repeat([0, 1], 15)
    p = np.array(
        [
            pairwise_fst.permutation_p_values(drawn_dosages(seed, [30], 100), site, ["a", "b"], 199, drawn(5))[0]
            for seed in range(600)
        ]
    )
    assert stats.kstest(p, "uniform").pvalue > 0.001
    assert 11 <= (p <= 0.05).sum() <= 49


def test_planted_structure_is_found_by_every_pair():
    site = np.repeat(np.arange(6), 15)
    p = pairwise_fst.permutation_p_values(
        drawn_dosages(3, [15] * 6, 300), site, [str(i) for i in range(6)], 199, drawn(5)
    )
    assert (p == 1 / 200).all()


def test_a_pair_draws_the_same_whatever_else_is_in_the_study():
    dosages, site = drawn_dosages(4, [8, 8, 8, 8], 30, fst=0.01), np.repeat(np.arange(4), 8)
    whole = pairwise_fst.permutation_p_values(dosages, site, NAMES, 99, drawn(1))
    part = pairwise_fst.permutation_p_values(dosages[:, site >= 2], site[site >= 2] - 2, NAMES[2:], 99, drawn(1))
    assert part[0] == whole[5]


def test_table_lists_small_sites_empty_and_corrects_only_what_was_tested():
    site = np.repeat(np.arange(4), [10, 10, 2, 10])
    dosages = drawn_dosages(9, [10, 10, 2, 10], 400)
    counts = counts_of(dosages, site, 4)
    chrom, pos = np.repeat(np.arange(8), 50).astype(str), np.arange(400)
    p = np.array([0.01, 0.5, 0.04, 0.5, 0.03, 0.5])
    table = pairwise_fst.pairwise_table(site_counts(counts, NAMES, chrom, pos), p, distances(NAMES)[::-1], 5)
    assert table["site_a"].tolist() == [NAMES[i] for i in (0, 0, 0, 1, 1, 2)]
    small = (table["site_a"] == "S-01/a") | (table["site_b"] == "S-01/a")
    assert table.loc[small, ["fst", "ci_low", "ci_high", "p_value", "q_value"]].isna().all(axis=None)
    assert table.loc[~small, "q_value"].tolist() == pytest.approx([0.03, 0.04, 0.04])
    assert ((table["ci_low"] < table["fst"]) & (table["fst"] < table["ci_high"]))[~small].all()
    assert table["sea_km"].tolist()[:2] == [10.0, 20.0]
    assert np.isnan(table["sea_km"].iloc[2])
    assert table["n_b"].tolist() == [10, 2, 10, 2, 10, 10]


def test_planted_fst_lies_in_the_intervals():
    """Beta draws of F 0.05 about one ancestor: theta of a pair estimates 0.05; of 28 intervals 25 or more hold it."""
    site = np.repeat(np.arange(8), 20)
    counts = counts_of(drawn_dosages(21, [20] * 8, 4000), site, 8)
    counted = site_counts(counts, np.arange(8).astype(str), np.repeat(np.arange(20), 200), np.arange(4000))
    table = pairwise_fst.pairwise_table(counted, np.full(28, np.nan), distances([]), 5)
    assert ((table["ci_low"] < 0.05) & (table["ci_high"] > 0.05)).sum() >= 25
    assert table["fst"].mean() == pytest.approx(0.05, abs=0.003)
    assert table["q_value"].isna().all()


@pytest.mark.parametrize(("sizes", "n_markers"), [([5], 20), ([1, 1], 20), ([6, 6], 0), ([6, 0], 20)])
def test_nothing_to_compare_runs(sizes, n_markers):
    site, n = np.repeat(np.arange(len(sizes)), sizes), len(sizes)
    dosages = drawn_dosages(1, sizes, n_markers) if n_markers else np.zeros((0, sum(sizes)), dtype=np.int8)
    p = pairwise_fst.permutation_p_values(dosages, site, NAMES[:n], 99, drawn(1))
    assert np.isnan(p).all()
    markers = np.zeros(n_markers)
    counts = site_counts(counts_of(dosages, site, n), NAMES[:n], markers, markers)
    table = pairwise_fst.pairwise_table(counts, p, distances(NAMES), 2)
    assert len(table) == n * (n - 1) // 2
    assert table["p_value"].isna().all()
