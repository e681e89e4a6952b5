"""Studies drawn like this one: what was put in comes out again, and the noise is that of linked markers."""

import numpy as np
import pytest
from tests.made_replicates import on_a_line

from homewater.units.simulated_coasts import Coast, drawn_studies, drifted, frequencies

EDGES = np.array([[0, 1], [1, 2], [2, 3]])


def coast(walk=0.0, own=0.0, noise=1.0, n_markers=2000, animals=40):
    return Coast(
        typed=np.full((n_markers, 4), animals),
        frequency=np.random.default_rng(0).uniform(0.1, 0.9, n_markers),
        block=np.arange(n_markers) * 10 // n_markers,
        edges=EDGES,
        walk=np.full(3, walk),
        own=np.full(4, own),
        noise=noise,
    )


@pytest.mark.parametrize("f", [0.01, 0.1])
def test_drift_has_the_variance_of_its_size(f):
    p = np.full(40_000, 0.3)
    out = drifted(np.random.default_rng(1), p, f)
    assert out.mean() == pytest.approx(0.3, abs=0.003)
    assert out.var() == pytest.approx(0.3 * 0.7 * f, rel=0.05)
    assert drifted(np.random.default_rng(1), np.array([0.0, 1.0]), f).tolist() == [0, 1]


def test_line_walk_and_own_drift_add_up_as_they_were_put_in():
    """Means of 40 studies; y of a pair is the line, the walk between and both drifts, to first order in F."""
    share = np.array([0.0, 0.0, 1.0, 1.0])
    drawn = drawn_studies(coast(walk=0.004, own=0.006), 0.03, share, 40, np.random.default_rng(2))
    y = np.mean([one.drift[0] for one in drawn], axis=0)
    steps = on_a_line(np.arange(4)) * 0.002
    expected = steps + 0.006 + 0.03 / 0.97 * (share[:, None] != share[None, :])
    off = ~np.eye(4, dtype=bool)
    np.testing.assert_allclose(y[off], expected[off], rtol=0.06, atol=0.0006)


def test_a_mixture_lies_between():
    share = np.array([0.0, 0.5, 0.5, 1.0])
    drawn = drawn_studies(coast(), 0.08, share, 20, np.random.default_rng(3))
    y = np.mean([one.drift[0] for one in drawn], axis=0)
    assert y[1, 2] == pytest.approx(0, abs=0.001)
    assert y[0, 1] == pytest.approx(y[0, 3] / 4, rel=0.1)


def test_noise_enlarges_the_scatter_and_leaves_the_mean():
    share = np.array([0.0, 0.0, 1.0, 1.0])
    plain, noisy = (
        np.stack([one.drift[0] for one in drawn_studies(coast(noise=k), 0.02, share, 60, np.random.default_rng(4))])
        for k in (1.0, 3.0)
    )
    assert noisy.mean(axis=0)[0, 3] == pytest.approx(plain.mean(axis=0)[0, 3], rel=0.02)
    assert noisy.std(axis=0)[0, 3] / plain.std(axis=0)[0, 3] == pytest.approx(3, rel=0.05)


def test_fixed_frequencies_do_not_break_anything():
    p = frequencies(coast(walk=0.5, own=0.5), 0.5, np.array([0.0, 0.3, 0.7, 1.0]), np.random.default_rng(5))
    assert np.isfinite(p).all()
    assert p.min() >= 0
    assert p.max() <= 1
