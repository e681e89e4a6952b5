"""Three clusters of animals: found where they are, and read as arrangements only with a heterozygous middle."""

import numpy as np
import pytest

from homewater.structure.arrangements import Clusters, are_arrangements, three_clusters


def drawn(seed, means=(0, 4, 8), n=(40, 60, 30)):
    rng = np.random.default_rng(seed)
    cluster = np.repeat([0, 1, 2], n)
    return rng.normal(np.array(means)[cluster], 1.0), cluster


@pytest.mark.parametrize("seed", range(10))
def test_clusters_are_found_with_their_means_and_shares(seed):
    score, cluster = drawn(seed)
    fit = three_clusters(score)
    assert fit.means == pytest.approx([0, 4, 8], abs=0.6)
    assert fit.spread == pytest.approx(1, abs=0.2)
    assert fit.shares == pytest.approx(np.bincount(cluster) / cluster.size, abs=0.06)
    assert fit.separation > 2.5
    assert fit.means[1] - fit.means[0] == pytest.approx(fit.means[2] - fit.means[1])
    assert (fit.posterior(score).argmax(axis=1) == cluster).mean() > 0.93


def test_posterior_by_hand():
    fit = Clusters(np.array([0.0, 2.0, 4.0]), 1.0, np.array([0.25, 0.5, 0.25]))
    own = np.array([0.25 * np.exp(-0.5), 0.5 * np.exp(-0.5), 0.25 * np.exp(-4.5)])
    assert fit.posterior(np.array([1.0]))[0] == pytest.approx(own / own.sum())


def test_readings():
    rng = np.random.default_rng(1)
    score, cluster = drawn(1)
    middle = 0.3 + 0.3 * (cluster == 1) + rng.normal(0, 0.05, cluster.size)
    fit = three_clusters(score)
    assert are_arrangements(fit, score, middle)
    assert not are_arrangements(fit, score, np.full(cluster.size, 0.3) + rng.normal(0, 0.05, cluster.size))
    assert not are_arrangements(None, score, middle)
    near, of = drawn(1, means=(0, 1.5, 3))
    assert not are_arrangements(three_clusters(near), near, 0.3 + 0.3 * (of == 1))
    two, of = drawn(2, means=(0, 4, 8), n=(60, 60, 1))
    assert not are_arrangements(three_clusters(two), two, 0.3 + 0.3 * (of == 1))
    one = rng.normal(0, 1, 200)
    assert not are_arrangements(three_clusters(one), one, np.exp(-(one**2)))


def test_an_arrangement_as_diverse_by_itself_as_the_mixed_animals_is_still_one():
    """Gene diversities .1 and .4 within, .4 between: the net difference between the arrangements is .15."""
    score, cluster = drawn(3)
    rng = np.random.default_rng(0)
    told = np.array([0.1, 0.4, 0.4])[cluster] + rng.normal(0, 0.05, cluster.size)
    assert are_arrangements(three_clusters(score), score, told)
    even = np.array([0.2, 0.3, 0.4])[cluster] + rng.normal(
        0, 0.05, cluster.size
    )  # no more than the mean: no arrangement
    assert not are_arrangements(three_clusters(score), score, even)


def test_too_few_animals_or_no_spread_give_no_clusters():
    assert three_clusters(np.arange(5.0)) is None
    assert three_clusters(np.ones(40)) is None
