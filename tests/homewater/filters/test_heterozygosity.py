"""Limits of heterozygosity: what a first cross shows, and what is beyond it."""

import numpy as np
import pytest

from homewater.filters.heterozygosity import SPREADS, first_cross_sums, limits
from homewater.statistics.intervals import divide_or_nan


def first_cross_heterozygosity(counts):
    return divide_or_nan(*first_cross_sums(counts))


def test_first_cross_worked_by_hand():
    # frequencies .25 and .75 at one marker, 0 and .5 at the other
    counts = np.array([[[9, 6, 1, 0], [1, 6, 9, 0]], [[8, 0, 0, 0], [2, 4, 2, 0]]])
    crosses = first_cross_heterozygosity(counts)
    assert crosses[0, 1] == pytest.approx((0.25 * 0.25 + 0.75 * 0.75 + 0.5) / 2)
    assert crosses[0, 0] == pytest.approx(2 * 0.25 * 0.75 / 2)
    assert np.array_equal(crosses, crosses.T)


def test_sites_that_share_no_marker_give_no_cross():
    counts = np.array([[[9, 6, 1], [0, 0, 0]], [[0, 0, 0], [2, 4, 2]]])
    crosses = first_cross_heterozygosity(counts)
    assert np.isnan(crosses[0, 1])
    assert np.isfinite(np.diag(crosses)).all()


@pytest.mark.parametrize("seed", [1, 2])
def test_drawn_crosses_have_the_expected_heterozygosity(seed):
    rng = np.random.default_rng(seed)
    p, q = rng.uniform(0.1, 0.9, (2, 50000))
    cross = (rng.random(p.size) < p).astype(int) + (rng.random(p.size) < q)
    n = 10**6
    counts = np.stack([np.stack([n * (1 - f) ** 2, 2 * n * f * (1 - f), n * f**2], 1).round() for f in (p, q)], axis=1)
    assert (cross == 1).mean() == pytest.approx(first_cross_heterozygosity(counts)[0, 1], abs=0.01)


def test_sums_over_blocks_are_those_of_all_markers():
    counts = np.random.default_rng(0).integers(0, 9, (50, 4, 4))
    assert first_cross_sums(counts) == pytest.approx(first_cross_sums(counts[:20]) + first_cross_sums(counts[20:]))


def test_a_site_with_few_animals_takes_the_highest_level():
    share = np.array([0.2] * 6 + [0.4] * 6 + [0.1] * 2)
    site = np.repeat([0, 1, 2], [6, 6, 2])
    counts = np.tile(np.array([[[5, 5, 5]] * 3]), (100, 1, 1))
    found = limits(share, site, np.ones(14, bool), first_cross_heterozygosity(counts), 100, 4)
    spread = np.sqrt(0.2 * 0.8 / 100)  # of independent markers at the median animal, since sites do not vary
    assert found.local == pytest.approx(np.array([0.2, 0.4, 0.4, 0.4]) + SPREADS * spread)
    assert found.first_cross == pytest.approx(0.5 + SPREADS * spread)


def test_nothing_called_gives_no_limit():
    found = limits(np.full(3, np.nan), np.zeros(3, int), np.ones(3, bool), np.full((1, 1), np.nan), 0, 1)
    assert np.isnan(found.local).all()
