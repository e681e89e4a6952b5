"""Pairwise figures: f3 from them against its own formula, and the median step against a search."""

import numpy as np
import pytest

from homewater.statistics.fst import pair_components
from homewater.units.replicates import pair_replicates, weighted_median


def test_f3_by_counting_equals_the_unbiased_formula():
    """Sum of f3 over markers against Patterson's own formula: (c - a)(c - b) less the sampling variance of c."""
    rng = np.random.default_rng(2)
    n = 30
    p = rng.uniform(0.1, 0.9, (400, 3))
    p[:, 1] = (p[:, 0] + p[:, 2]) / 2
    genotypes = rng.binomial(2, p[:, :, None], (400, 3, n))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    drift = pair_replicates(counts, np.arange(400) // 40).drift[0]
    ours = drift[0, 1] + drift[1, 2] - drift[0, 2]
    f = genotypes.mean(axis=2) / 2
    squares = ((genotypes - genotypes.mean(axis=2, keepdims=True)) ** 2).sum(axis=2) / (n - 1) / n / 4
    plain = ((f[:, 1] - f[:, 0]) * (f[:, 1] - f[:, 2]) - squares[:, 1]).sum()
    whole = np.mean([_within_sites(counts[:, [i, j]]) for i, j in ((0, 1), (0, 2), (1, 2))])
    assert ours == pytest.approx(plain / whole, rel=1e-6)
    assert ours < 0


def _within_sites(counts):
    between, total = pair_components(counts, np.zeros(len(counts), dtype=int))
    return (total - between).sum()


def test_the_median_step_is_the_line_of_least_absolute_deviations():
    """Against a search on a fine grid."""
    rng = np.random.default_rng(3)
    y, d = rng.normal(0.02, 0.01, 9), rng.uniform(10, 90, 9)
    got = weighted_median((y / d)[None], d)[0]
    grid = np.linspace(-0.002, 0.003, 50001)
    best = grid[np.argmin(np.abs(y[:, None] - grid * d[:, None]).sum(axis=0))]
    assert got == pytest.approx(best, abs=2e-7)
