"""Where fits start: groups as tight as those of scikit-learn, and few points."""

import numpy as np
import pytest
from sklearn.cluster import KMeans

from homewater.structure import admixture_start


def test_groups_are_as_tight_as_scikit_learn_finds_them():
    rng = np.random.default_rng(15)
    points = np.concatenate([rng.normal(c, 0.4, (30, 2)) for c in ((0, 0), (3, 0), (0, 3), (3, 3))])
    ours = min(admixture_start.k_means(points, 4, np.random.default_rng(s))[1] for s in range(10))
    assert ours == pytest.approx(KMeans(4, n_init=10, random_state=0).fit(points).inertia_, rel=1e-9)


def test_fewer_points_than_groups_run():
    group, spread = admixture_start.k_means(np.zeros((3, 1)), 5, np.random.default_rng(0))
    assert (len(group), spread) == (3, 0.0)
    shares = admixture_start.start_shares(np.zeros((3, 0)), 2, np.random.default_rng(0), True)
    assert shares.sum(axis=1) == pytest.approx(np.ones(3))
