"""What thinning kin changes, against scikit-allel and plain means."""

import itertools

import allel
import numpy as np
import pytest

from homewater.filters.kin_thinning import kin_table, mean_fst, mean_heterozygosity


def drawn(seed=1, sizes=(12, 9, 7), n_markers=200):
    rng = np.random.default_rng(seed)
    p = np.clip(rng.uniform(0.1, 0.9, (n_markers, 1)) + rng.normal(0, 0.1, (n_markers, len(sizes))), 0.02, 0.98)
    parts = [rng.binomial(2, p[:, s : s + 1], (n_markers, size)) for s, size in enumerate(sizes)]
    return [part.astype(np.int8) for part in parts]


def counted(parts):
    return np.stack([np.stack([(x == v).sum(axis=1) for v in (0, 1, 2, -1)], axis=1) for x in parts], axis=1)


def genotypes(parts):
    """As scikit-allel holds them: two alleles an animal."""
    dosages = np.concatenate(parts, axis=1)
    return np.stack([dosages == 2, dosages >= 1], axis=2).astype(np.int8)


def test_mean_fst_is_the_mean_of_the_pairs_of_scikit_allel():
    parts = drawn()
    ends = np.cumsum([0, *(x.shape[1] for x in parts)])
    groups = [list(range(a, b)) for a, b in itertools.pairwise(ends)]
    fst = {}
    for i, j in ((0, 1), (0, 2), (1, 2)):
        a, b, c = allel.weir_cockerham_fst(genotypes(parts), [groups[i], groups[j]])
        fst[i, j] = np.nansum(a) / (np.nansum(a) + np.nansum(b) + np.nansum(c))
    expected = [(fst[0, 1] + fst[0, 2]) / 2, (fst[0, 1] + fst[1, 2]) / 2, (fst[0, 2] + fst[1, 2]) / 2]
    assert mean_fst(counted(parts)) == pytest.approx(expected, abs=1e-12)


def test_heterozygosity_is_the_share_of_unlike_pairs_of_copies():
    """Nei (1978): the chance that two copies drawn without putting back differ, and so by scikit-allel's diversity."""
    parts = drawn()
    for site, part in enumerate(parts):
        counts = allel.GenotypeArray(genotypes([part])).count_alleles(max_allele=1)
        expected = allel.mean_pairwise_difference(counts).mean()
        assert mean_heterozygosity(counted(parts))[site] == pytest.approx(expected, abs=1e-12)


def test_table_shows_both_ways():
    parts = drawn()
    fewer = [parts[0][:, :8], *parts[1:]]
    table = kin_table(["a", "b", "c"], counted(parts), counted(fewer), np.array([1, 0, 0]))
    assert table["n_with_kin"].tolist() == [12, 9, 7]
    assert table["n"].tolist() == [8, 9, 7]
    assert table["n_families"].tolist() == [1, 0, 0]
    assert table["expected_heterozygosity"][1] == table["expected_heterozygosity_with_kin"][1]
    assert table["mean_fst"].tolist() == mean_fst(counted(fewer)).tolist()


def test_one_site_no_markers_and_nobody():
    assert np.isnan(mean_fst(counted(drawn()[:1]))).all()
    assert np.isnan(mean_fst(counted(drawn(n_markers=0)))).all()
    assert np.isnan(mean_heterozygosity(np.zeros((5, 2, 4), int))).all()
    assert kin_table([], *[np.zeros((5, 0, 4), int)] * 2, np.zeros(0)).empty
