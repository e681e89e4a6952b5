"""The ancestry likelihood: derivatives, Newton steps against plain numpy, planted shares, the EM step."""

import numpy as np
import pytest
from scipy import optimize
from tests.homewater.structure.planted_shares import log_likelihood, planted

from homewater.structure import admixture_fit


def em_step(genotypes, shares, frequencies):
    """One step of Tang et al. (2005), written out in numpy."""
    typed = genotypes >= 0
    alternate, reference = np.where(typed, genotypes, 0), np.where(typed, 2 - genotypes, 0)
    # 1 - s as a sum of its own: else rounding in the sums of the shares grows from step to step
    up, down = alternate / (shares @ frequencies), reference / (shares @ (1 - frequencies))
    of_alternate = frequencies * (shares.T @ up)
    of_reference = (1 - frequencies) * (shares.T @ down)
    new_shares = shares * (up @ frequencies.T + down @ (1 - frequencies).T) / (2 * typed.sum(axis=1))[:, None]
    return new_shares, of_alternate / (of_alternate + of_reference)


def test_derivatives_equal_plain_numpy():
    """Values, gradients and second derivatives of every column, in a matrix wider than a block and with gaps."""
    shares, frequencies, genotypes = planted(1, n_markers=150)
    gradient, curvature, value = admixture_fit.derivatives(genotypes, shares, frequencies)
    s, typed = shares @ frequencies, genotypes >= 0
    alternate, reference = np.where(typed, genotypes, 0), np.where(typed, 2 - genotypes, 0)
    assert gradient == pytest.approx(shares.T @ (alternate / s - reference / (1 - s)), rel=1e-10)
    bend = alternate / s**2 + reference / (1 - s) ** 2
    pairs = [(a, b) for a in range(3) for b in range(a + 1)]
    assert curvature == pytest.approx(np.array([(shares[:, a] * shares[:, b]) @ bend for a, b in pairs]), rel=1e-10)
    assert value.sum() == pytest.approx(log_likelihood(genotypes, shares, frequencies), rel=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_steps_solve_their_bounded_problems(seed):
    """Against a general-purpose optimiser (scipy SLSQP) on the same second-order model, ten columns of each kind."""
    shares, frequencies, genotypes = planted(seed)
    rng = np.random.default_rng(seed)
    blurred = 0.5 * shares + 0.5 * rng.dirichlet(np.ones(3), len(shares))
    cases = (
        (genotypes, blurred, frequencies, 0.02),
        (np.ascontiguousarray(genotypes.T), np.ascontiguousarray(frequencies.T), np.ascontiguousarray(blurred.T), None),
    )
    for matrix, left, right, floor in cases:
        gradient, curvature, _ = admixture_fit.derivatives(matrix, left, right)
        right = right if floor is None else right.clip(floor, 1 - floor)
        step = admixture_fit.solve(gradient, curvature, right, floor)
        for c in range(10):
            bend = np.zeros((3, 3))
            bend[np.tril_indices(3)] = curvature[:, c]
            bend = bend + np.tril(bend, -1).T

            def loss(d, c=c, bend=bend, gradient=gradient):
                return d @ bend @ d / 2 - gradient[:, c] @ d

            low, high = (0.0, 1.0) if floor is None else (floor, 1 - floor)
            rule = [{"type": "eq", "fun": lambda d: d.sum()}] if floor is None else []
            bounds = [(low - x, high - x) for x in right[:, c]]
            best = optimize.minimize(loss, np.zeros(3), bounds=bounds, constraints=rule, method="SLSQP", tol=1e-12)
            assert loss(step[:, c]) <= best.fun + 1e-6 * max(1, abs(best.fun))
            moved = right[:, c] + step[:, c]
            assert (moved >= low - 1e-12).all()
            assert (moved <= high + 1e-12).all()
            if floor is None:
                assert moved.sum() == pytest.approx(1, abs=1e-12)


def test_no_column_loses_likelihood():
    """From a start far away, where whole Newton steps overshoot."""
    shares, frequencies, genotypes = planted(4)
    far = np.random.default_rng(4).uniform(0.001, 0.999, frequencies.shape)
    _, _, before = admixture_fit.derivatives(genotypes, shares, far)
    better, after = admixture_fit.improve(genotypes, shares, far, 0.001)
    assert (after >= before).all()
    assert admixture_fit.derivatives(genotypes, shares, better)[2] == pytest.approx(after)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_fit_is_a_fixed_point_of_the_em_step(k):
    """At the fit, 300 more EM steps of the plain version gain under 0.05 log-likelihood units."""
    _, _, genotypes = planted(5, k=max(k, 2))
    start = np.random.default_rng(5).dirichlet(np.ones(k), len(genotypes))
    found = admixture_fit.fit(genotypes, start, 500, 1e-6)
    assert found.converged
    assert found.log_likelihood == pytest.approx(log_likelihood(genotypes, found.shares, found.frequencies), rel=1e-12)
    shares, frequencies = found.shares, found.frequencies
    floor = admixture_fit.frequency_floor(len(genotypes))
    for _ in range(300):
        shares, frequencies = em_step(genotypes, shares, frequencies)
        frequencies = frequencies.clip(floor, 1 - floor)
    assert log_likelihood(genotypes, shares, frequencies) - found.log_likelihood < 0.05


def test_fit_beats_a_long_run_of_plain_em_from_the_same_start():
    _, _, genotypes = planted(6)
    shares = np.random.default_rng(6).dirichlet(np.ones(3), len(genotypes))
    found = admixture_fit.fit(genotypes, shares, 300, 1e-4)
    floor = admixture_fit.frequency_floor(len(genotypes))
    frequencies = admixture_fit.start_frequencies(genotypes, shares, floor)
    for _ in range(500):
        shares, frequencies = em_step(genotypes, shares, frequencies)
        frequencies = frequencies.clip(floor, 1 - floor)
    assert found.log_likelihood > log_likelihood(genotypes, shares, frequencies) - 0.5
    assert found.steps < 100


def test_one_group_is_the_frequencies_of_all():
    _, _, genotypes = planted(7)
    genotypes[:, 0] = -1
    found = admixture_fit.fit(genotypes, np.ones((40, 1)), 5, 0.0)
    typed = genotypes >= 0
    expected = (genotypes * typed).sum(axis=0)[1:] / (2 * typed.sum(axis=0)[1:])
    floor = admixture_fit.frequency_floor(40)
    assert found.frequencies[0, 1:] == pytest.approx(expected.clip(floor, 1 - floor), abs=1e-6)
    assert found.frequencies[0, 0] == 0.5


def test_planted_shares_are_found():
    """3,000 markers, F_ST 0.2: one share of a mixed animal is known to about 0.02 with frequencies known, see below.

    With frequencies estimated from the same 60 animals the mean error stays below that, pure animals counted in.
    """
    shares, _, genotypes = planted(8, n_animals=60, n_markers=3000)
    start = 0.6 * shares + 0.4 / 3
    error = np.abs(admixture_fit.fit(genotypes, start, 200, 0.01).shares - shares)
    assert error.mean() < 0.02
