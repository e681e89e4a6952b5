"""What linkage adds to the error of F_ST: the estimator against another library, and linked markers."""

import allel
import numpy as np
import pytest

from homewater.units.linkage_inflation import estimate, linkage_inflation

CHAIN = np.array([[0, 1], [1, 2], [2, 3]])


def drawn(seed, n=15, n_markers=1200):
    """Counts of four sites of one population, 12 blocks of independent markers."""
    rng = np.random.default_rng(seed)
    genotypes = rng.binomial(2, rng.uniform(0.1, 0.9, n_markers)[:, None, None], (n_markers, 4, n))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    return counts, np.arange(n_markers) * 12 // n_markers


def test_estimator_equals_another_librarys():
    rng = np.random.default_rng(1)
    n = np.full((300, 2), 30)
    x = rng.binomial(n, rng.uniform(0.2, 0.8, (300, 2)))
    top, bottom = allel.hudson_fst(*(np.stack([n[:, k] - x[:, k], x[:, k]], axis=1) for k in (0, 1)))
    assert estimate(x[None], n, np.arange(300) // 30)[0][0] == pytest.approx(top.sum() / bottom.sum())


def test_independent_markers_enlarge_nothing():
    assert np.mean([linkage_inflation(*drawn(seed), CHAIN) for seed in range(5)]) == pytest.approx(1.05, abs=0.1)


def test_linked_markers_enlarge_the_error():
    """Every marker four times over: the error between blocks stays, that of independent markers is halved."""
    counts, block = drawn(0)
    once, copies = linkage_inflation(counts, block, CHAIN), np.repeat(counts, 4, axis=0)
    assert linkage_inflation(copies, np.repeat(block, 4), CHAIN) == pytest.approx(2 * once, rel=0.02)
    assert linkage_inflation(counts, np.zeros_like(block), CHAIN) == 1.0
