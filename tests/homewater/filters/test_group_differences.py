"""Differences between groups within sites: against scipy, plain matrices, random groups and planted faults."""

import numpy as np
import pytest
from scipy import stats

from homewater.filters.group_differences import ALLELES, HETEROZYGOTES, beyond_most, differences


def counted(dosages, site, group):
    """Cells of sites by groups: counts, site and group of each."""
    cells = sorted({*zip(site.tolist(), group.tolist(), strict=True)})
    counts = [[(dosages[:, (site == s) & (group == g)] == v).sum(axis=1) for v in (0, 1, 2, -1)] for s, g in cells]
    return np.array(counts).transpose(2, 0, 1), np.array([s for s, _ in cells]), np.array([g for _, g in cells])


def drawn(seed, n_markers, sizes, n_groups, missing=0.05):
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(len(sizes)), sizes)
    p = np.clip(rng.uniform(0.2, 0.8, (n_markers, 1)) + rng.normal(0, 0.1, (n_markers, len(sizes))), 0.05, 0.95)
    dosages = rng.binomial(2, p[:, site]).astype(np.int8)
    dosages[rng.random(dosages.shape) < missing] = -1
    return dosages, site, rng.integers(0, n_groups, site.size), rng


@pytest.mark.parametrize("n_groups", [2, 4])
def test_one_site_is_the_one_way_analysis_of_variance_of_scipy(n_groups):
    """(N - 1) x SSB / SST is chi-square; SSB / SST follows from scipy's F."""
    dosages, site, group, _ = drawn(1, 40, (60,), n_groups)
    p, p_without, informative = differences(*counted(dosages, site, group), ALLELES)
    for row, value in zip(dosages, p, strict=True):
        parts = [row[(group == g) & (row >= 0)].astype(float) for g in range(n_groups)]
        n, between = sum(map(len, parts)), n_groups - 1
        f = stats.f_oneway(*parts).statistic
        statistic = (n - 1) * f * between / (f * between + n - n_groups)
        assert value == pytest.approx(stats.chi2.sf(statistic, between), rel=1e-9)
    assert np.array_equal(p, p_without)
    assert (informative == 1).all()


def plain(row, site, group, n_groups, score, left_out=()):
    """The statistic of one marker by whole matrices and numpy's pseudo-inverse."""
    vector, matrix = np.zeros(n_groups), np.zeros((n_groups, n_groups))
    for s in sorted(set(site) - set(left_out)):
        rows = (site == s) & (row >= 0)
        x, g = score[row[rows]], group[rows]
        if len(set(g)) < 2 or np.ptp(x) == 0:
            continue
        dummy = (g[:, None] == np.arange(n_groups)).astype(float)
        share = dummy.mean(axis=0)
        vector += dummy.T @ (x - x.mean())
        matrix += x.var(ddof=1) * len(x) * (np.diag(share) - np.outer(share, share))
    degrees = np.linalg.matrix_rank(matrix, tol=1e-8)
    return stats.chi2.sf(vector @ np.linalg.pinv(matrix, rcond=1e-8) @ vector, degrees) if degrees else 1.0


@pytest.mark.parametrize("score", [ALLELES, HETEROZYGOTES], ids=["alleles", "heterozygotes"])
@pytest.mark.parametrize("n_groups", [2, 5])
def test_several_sites_agree_with_whole_matrices(n_groups, score):
    dosages, site, group, _ = drawn(2, 30, (12, 9, 15, 3, 1, 8), n_groups)
    group[site == 5] = 0  # a site with one group tells nothing
    p, p_without, informative = differences(*counted(dosages, site, group), score)
    tested = np.flatnonzero(np.isfinite(p))
    assert tested.size > 20
    for m in tested:
        row = dosages[m]
        assert p[m] == pytest.approx(plain(row, site, group, n_groups, score), rel=1e-7)
        # without the site that differs most, found by trying each alone
        alone = {}
        for s in range(6):
            rows = (site == s) & (row >= 0)
            x, g = score[row[rows]], group[rows]
            if len(set(g)) < 2 or np.ptp(x) == 0:
                continue
            form = sum((g == k).sum() * (x[g == k].mean() - x.mean()) ** 2 for k in set(g)) / x.var(ddof=1)
            alone[s] = (form - (len(set(g)) - 1)) / np.sqrt(2 * (len(set(g)) - 1))
        assert informative[m] == len(alone)
        worst = [s for s in sorted(alone, key=alone.get, reverse=True) if alone[s] > 1e-9][: max(1, len(alone) // 4)]
        assert p_without[m] == pytest.approx(plain(row, site, group, n_groups, score, worst), rel=1e-7)


@pytest.mark.parametrize("score", [ALLELES, HETEROZYGOTES], ids=["alleles", "heterozygotes"])
def test_groups_dealt_out_at_random_differ_as_often_as_stated(score):
    """Of 6000 markers without a difference, p below 0.05 and 0.01 within four standard errors of those shares."""
    found = []
    for seed in (1, 2, 3):
        dosages, site, group, _ = drawn(seed, 2000, (20, 20, 20, 20), 3)
        found.append(differences(*counted(dosages, site, group), score)[0])
    p = np.concatenate(found)
    for level in (0.05, 0.01):
        assert (p < level).mean() == pytest.approx(level, abs=4 * np.sqrt(level * (1 - level) / p.size))
    assert beyond_most(p, p)[1] < 1.1


def test_a_fault_everywhere_counts_and_movers_in_one_batch_do_not():
    """Planted: 20 markers read wrong in one batch at every site; then one batch of one site holds another stock."""
    dosages, site, group, rng = drawn(1, 1000, (40, 40, 40, 40), 2, missing=0)
    bad = np.arange(20)
    wrong = (group == 1) & (rng.random((20, site.size)) < 0.8)
    dosages[bad] = np.where(wrong, 0, dosages[bad])
    p_all, p_without, _ = differences(*counted(dosages, site, group), ALLELES)
    corrected, factor = beyond_most(p_all, p_without)
    q = stats.false_discovery_control(corrected)
    assert (q[bad] <= 0.01).mean() > 0.6
    assert (q[20:] <= 0.01).sum() <= 1
    foreign = (site == 0) & (group == 1)
    dosages[:, foreign] = rng.binomial(2, rng.uniform(0, 1, (1000, 1)), (1000, foreign.sum()))
    p_all, p_without, _ = differences(*counted(dosages, site, group), ALLELES)
    assert (stats.false_discovery_control(p_all)[20:] <= 0.01).sum() > 50  # what the guards are for
    corrected, factor = beyond_most(p_all, p_without)
    assert factor > 1.5
    assert (stats.false_discovery_control(corrected)[20:] <= 0.01).sum() == 0


def test_markers_with_too_little_are_not_tested():
    few = np.array([[[4, 1, 0, 0], [3, 1, 0, 0]]])
    rare = np.array([[[40, 1, 0, 0], [38, 3, 0, 0]]])
    fine = np.array([[[20, 15, 2, 0], [28, 8, 0, 0]]])
    p = [differences(c, np.array([0, 0]), np.array([0, 1]), ALLELES)[0][0] for c in (few, rare, fine)]
    assert np.isnan(p).tolist() == [True, True, False]
    apart = differences(fine, np.array([0, 1]), np.array([0, 1]), ALLELES)  # each site has one group
    assert np.isnan(apart[0]).all()
    assert differences(fine[:0], np.array([0, 0]), np.array([0, 1]), ALLELES)[0].size == 0
    p, factor = beyond_most(np.array([np.nan]), np.array([np.nan]))
    assert np.isnan(p).all()
    assert factor == 1
