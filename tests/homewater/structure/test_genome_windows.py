"""Windows along the genome: how they are cut, what they show, and that chance alone shows none."""

import numpy as np
import pytest
from scipy import stats
from tests.drawn_genotypes import drifted

from homewater.structure.genome_windows import (
    chance,
    common_contrasts,
    robust_p,
    scan_windows,
    windows_of,
)

SEEDS = range(10)


def counted(rng, p, n):
    """Genotype counts of n animals at frequencies p (n_markers, n_sites)."""
    genotypes = rng.multinomial(n, np.stack([(1 - p) ** 2, 2 * p * (1 - p), p**2], axis=-1))
    return np.concatenate([genotypes, np.zeros((*p.shape, 1), int)], axis=2).astype(np.int32)


def genome(n_chrom=12, n_each=100):
    return np.repeat([f"c{i}" for i in range(n_chrom)], n_each), np.tile(np.linspace(0, 50, n_each), n_chrom)


def test_windows_divide_each_chromosome_evenly():
    chrom = np.array(["b"] * 7 + ["a"] * 3 + ["c"])
    cm = np.array([0, 1, 2, 3, 4, 5, 6, 0, 1, 2, 9], dtype=float)
    every = np.ones(11, dtype=bool)
    assert windows_of(chrom, cm, every, 3, 0).tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 3]
    assert windows_of(chrom, cm, every, 1, 3.0).tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 3]
    common = np.array([1, 0, 1, 0, 1, 1, 0, 0, 0, 0, 1], dtype=bool)
    assert windows_of(chrom, cm, common, 2, 0).tolist() == [0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 3]
    assert windows_of(np.array([]), np.array([]), np.array([], dtype=bool), 3, 1).tolist() == []


def test_contrasts_by_hand():
    counts = np.array([[[2, 0, 0, 0], [0, 2, 0, 0]], [[2, 0, 0, 0], [0, 0, 0, 2]], [[2, 0, 0, 0], [2, 0, 0, 0]]])
    contrasts, common = common_contrasts(counts)  # p: 0 and 1/2; the second site untyped; no variation
    assert common.tolist() == [True, False, False]
    assert contrasts[0] == pytest.approx([-0.25 / np.sqrt(0.25 * 0.75), 0.25 / np.sqrt(0.25 * 0.75)])
    assert not contrasts[1:].any()


def test_level_and_departure_are_those_of_a_plain_calculation():
    """Second version: the covariance of the other chromosomes inverted, site by site, no basis and no sums kept."""
    rng = np.random.default_rng(1)
    chrom, cm = genome(6, 100)
    counts = counted(rng, drifted(rng, 600, 0.05, 4), 20)
    window = windows_of(chrom, cm, np.ones(len(cm), bool), 25, 1)
    found = scan_windows(counts, chrom, window, 0.05)
    contrasts, common = common_contrasts(counts)
    for w in (0, 7, 23):
        own = (window == w) & common
        rest = (chrom != chrom[own][0]) & common
        covariance = contrasts[rest].T @ contrasts[rest] / rest.sum()
        mine = contrasts[own].T @ contrasts[own] / own.sum()
        assert found.level[w] == pytest.approx(np.trace(mine) / np.trace(covariance))
        assert found.departure[w] == pytest.approx(np.linalg.eigvals(np.linalg.pinv(covariance) @ mine).real.max())


@pytest.mark.parametrize("fst", [0.005, 0.1])
def test_drift_alone_shows_no_window(fst):
    """At most 1 of 10 studies at level 0.05 (more than that has a chance of 9 % at the level itself)."""
    false = 0
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        chrom, cm = genome()
        counts = counted(rng, drifted(rng, 1200, fst, 6), 25)
        false += scan_windows(
            counts, chrom, windows_of(chrom, cm, np.ones(len(cm), bool), 25, 1), 0.05
        ).stands_out.any()
    assert false <= 1


@pytest.mark.parametrize("seed", SEEDS)
def test_a_changing_and_a_flat_stretch_stand_out(seed):
    """Two lineages at .25; one stretch changes at another place, one (of four windows) not at all."""
    rng = np.random.default_rng(seed)
    chrom, cm = genome()
    two = drifted(rng, 1200, 0.25, 2)
    p = two[:, [0, 0, 0, 1, 1, 1]]
    p[300:350] = drifted(rng, 50, 0.25, 2)[:, [0, 1, 1, 1, 1, 1]]
    p[600:700] = two[600:700, :1]
    found = scan_windows(counted(rng, p, 30), chrom, windows_of(chrom, cm, np.ones(len(cm), bool), 25, 1), 0.05)
    assert set(np.flatnonzero(found.stands_out)) >= {12, 13}
    assert not found.lower[[12, 13]].any()
    assert found.stands_out[24:28].any()
    assert found.lower[24:28][found.stands_out[24:28]].all()
    assert not found.detectable <= 0
    assert set(np.flatnonzero(found.stands_out)) <= {12, 13, 24, 25, 26, 27}


def test_robust_p_against_students_t():
    values = np.array([-1.0, 0.0, 1.0, 2.0, 50.0, np.nan])
    p = robust_p(values, np.array([False] * 4 + [True, False]), degrees=8)
    spread = 1.4826 * 1.0  # of -1, 0, 1, 2: median .5, absolute deviations 1.5, .5, .5, 1.5
    assert p[4] == pytest.approx(stats.t.sf((50 - 0.5) / spread, 8))
    assert p[1] + p[2] == pytest.approx(1)
    assert np.isnan(p[5])
    assert np.isnan(robust_p(np.array([np.nan]), np.array([False]))).all()


def test_a_low_window_is_told_from_a_high_one():
    level = np.concatenate([np.linspace(0.9, 1.1, 30), [0.05, 9.0]])
    p, lower = chance(level, np.ones(32) + np.linspace(-0.1, 0.1, 32), np.zeros(32, bool))
    assert p[-2:].max() < 1e-4
    assert lower[-2:].tolist() == [True, False]


def test_few_windows_and_one_site_are_not_tested():
    rng = np.random.default_rng(0)
    chrom, cm = genome(2, 100)
    for counts in (counted(rng, drifted(rng, 200, 0.1, 3), 20), counted(rng, drifted(rng, 200, 0.1, 1), 20)):
        found = scan_windows(counts, chrom, windows_of(chrom, cm, np.ones(len(cm), bool), 25, 1), 0.05)
        assert np.isnan(found.p_value).all()
        assert not found.stands_out.any()
