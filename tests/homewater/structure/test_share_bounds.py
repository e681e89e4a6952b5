"""Likelihood intervals of shares: coverage of planted shares, pure animals, and the profile by plain numpy."""

import numpy as np
import pytest
from scipy import optimize
from tests.homewater.structure.planted_shares import log_likelihood, planted

from homewater.structure import admixture_fit
from homewater.structure.share_bounds import share_bounds


def bounds_of(genotypes, shares, frequencies):
    turned = np.ascontiguousarray(shares.T)
    gradient, curvature, _ = admixture_fit.derivatives(
        np.ascontiguousarray(genotypes.T), np.ascontiguousarray(frequencies.T), turned
    )
    return (bound.T for bound in share_bounds(gradient, curvature, turned))


def best_shares(genotypes, frequencies):
    turned = np.full((len(frequencies), len(genotypes)), 1 / len(frequencies))
    for _ in range(30):
        turned, _ = admixture_fit.improve(
            np.ascontiguousarray(genotypes.T), np.ascontiguousarray(frequencies.T), turned
        )
    return turned.T


def test_bounds_hold_planted_shares_as_often_as_they_say():
    """3,000 mixed animals, frequencies known, unlinked markers: 95 % coverage within 1.5 % (3.8 standard errors)."""
    rng = np.random.default_rng(9)
    _, frequencies, _ = planted(9, n_markers=400)
    shares = rng.dirichlet(np.full(3, 3.0), 3000)
    genotypes = rng.binomial(2, shares @ frequencies).astype(np.int8)
    low, high = bounds_of(genotypes, best_shares(genotypes, frequencies), frequencies)
    covered = (low <= shares) & (shares <= high)
    assert covered[:, 0].mean() == pytest.approx(0.95, abs=0.015)
    assert covered[:, 2].mean() == pytest.approx(0.95, abs=0.015)


def test_bounds_of_pure_animals_reach_one_and_are_no_point():
    rng = np.random.default_rng(10)
    _, frequencies, _ = planted(10, n_markers=400)
    shares = np.eye(3)[np.arange(300) % 3]
    genotypes = rng.binomial(2, shares @ frequencies).astype(np.int8)
    low, high = bounds_of(genotypes, best_shares(genotypes, frequencies), frequencies)
    own = shares == 1
    assert (low[own] < 1).all()
    assert ((low[own] <= 1) & (high[own] >= 1 - 1e-9)).mean() > 0.93
    assert (low[~own] <= 1e-9).mean() > 0.93
    assert low[own].min() > 0.5


def test_bounds_lie_where_the_profile_falls_by_half_a_chi_square():
    """The profile of one animal again by a general-purpose optimiser: 1.92 below the maximum at each inner bound."""
    _, frequencies, genotypes = planted(11, n_animals=12, n_markers=800)
    best = best_shares(genotypes, frequencies)
    low, high = bounds_of(genotypes, best, frequencies)
    checked = 0
    for i in range(12):
        top = log_likelihood(genotypes[[i]], best[[i]], frequencies)
        for bound in (low[i, 0], high[i, 0]):
            if 0.01 < bound < 0.99:

                def loss(x, i=i, bound=bound):
                    share = np.array([[bound, x, 1 - bound - x]])
                    return -log_likelihood(genotypes[[i]], share, frequencies)

                profile = -optimize.minimize_scalar(loss, bounds=(0, 1 - bound), method="bounded").fun
                assert top - profile == pytest.approx(1.92, rel=0.2)  # second order against the likelihood itself
                checked += 1
    assert checked >= 8
