"""Shares and f3 of mixtures: by algebra, by plain products of frequencies, and on sampled genotypes."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.drawn_mixtures import mixtures

from homewater.units.mixtures import f3, mean_among, mixture_shares, spread


def differences(p):
    """Half the squared differences of known frequencies, (1, n, n)."""
    return np.array([[((p[:, i] - p[:, j]) ** 2).sum() / 2 for j in range(p.shape[1])] for i in range(p.shape[1])])[
        None
    ]


def distinct(sites):
    return list(itertools.permutations(sites, 2)) or [(sites[0], sites[0])]


def test_shares_equal_plain_products_of_frequencies_over_distinct_sites():
    """Second version: the mean of (x - a)(b - a') over that of (b - a)(b' - a'), no site met twice."""
    rng = np.random.default_rng(2)
    base = np.array([0.2, 0.25, 0.4, 0.5, 0.7, 0.75])  # the sources lie apart, so every share is defined
    p = np.clip(base + rng.normal(0, 0.1, (300, 6)), 0, 1)
    found = mixture_shares(differences(p), np.arange(6), np.array([0, 1]), np.array([4, 5]))[0]
    for site in range(6):
        one, other = ([k for k in ref if k != site] for ref in ([0, 1], [4, 5]))
        above = np.mean([(p[:, site] - p[:, a]) @ (p[:, b] - p[:, c]) for a, c in distinct(one) for b in other])
        below = np.mean(
            [(p[:, b] - p[:, a]) @ (p[:, d] - p[:, c]) for a, c in distinct(one) for b, d in distinct(other)]
        )
        assert found[site] == pytest.approx(above / below)


@given(
    share=st.floats(0, 1),
    own=st.floats(0, 0.05),
    apart=st.floats(0.01, 0.5),
    drifts=st.lists(st.floats(0, 0.05), min_size=4, max_size=4),
)
def test_own_drift_of_sites_and_sources_changes_no_share_and_f3_is_that_of_the_mixture(share, own, apart, drifts):
    """By algebra: a mixture with share m of the second source differs by m^2 S and (1 - m)^2 S, S between the sources.

    Own drifts add to each pair; f3 is own drift less m (1 - m) S (Patterson et al. 2012, equations 1 and 2).
    """
    z = np.zeros((1, 5, 5))
    z[0, 0, 1:3], z[0, 0, 3:] = share**2 * apart, (1 - share) ** 2 * apart
    z[0, 1:3, 3:] = apart
    z = z + z.transpose(0, 2, 1)
    d = np.array([own, *drifts])
    z[0] += d[:, None] + d[None, :]
    np.einsum("kii->ki", z)[:] = 0
    sites, one, other = np.array([0]), np.array([1, 2]), np.array([3, 4])
    assert mixture_shares(z, sites, one, other)[0, 0] == pytest.approx(share, abs=1e-9)
    assert spread(z, one, other)[0] == pytest.approx(apart)
    assert f3(z, sites, one, other)[0, 0] == pytest.approx(own - share * (1 - share) * apart, abs=1e-12)


def test_f3_equals_its_definition_on_frequencies():
    """Patterson et al. (2012) equation 1: the mean product (c - a)(c - b), over all pairs of two sources' sites."""
    p = np.random.default_rng(3).uniform(0, 1, (200, 6))
    found = f3(differences(p), np.array([2, 3]), np.array([0, 1]), np.array([4, 5]))[0]
    for c, value in zip((2, 3), found, strict=True):
        plain = np.mean([(p[:, c] - p[:, a]) @ (p[:, c] - p[:, b]) for a in (0, 1) for b in (4, 5)])
        assert value == pytest.approx(plain / 2)


def test_one_site_has_no_pairs_and_its_own_drift_is_what_is_assumed():
    z = differences(np.random.default_rng(4).uniform(0, 1, (50, 3)))
    assert mean_among(z, np.array([1])).tolist() == [0.0]
    assert mean_among(z, np.array([1]), 0.02).tolist() == [0.04]
    assert mean_among(z, np.array([0, 1, 2]))[0] == pytest.approx((z[0, 0, 1] + z[0, 0, 2] + z[0, 1, 2]) / 3)


def test_sampled_shares_are_the_planted_ones_without_bias_and_their_errors_hold():
    planted = np.array([0, 0, 0.1, 0.5, 0.85, 1, 1])
    z = []
    for seed in range(30):
        replicates = mixtures(planted, seed)
        found = mixture_shares(replicates.drift, np.arange(7), np.array([0, 1]), np.array([5, 6]))
        z.append((found[0] - planted) / replicates.error(found))
    z = np.array(z)
    assert np.abs(z.mean(axis=0)).max() < 3 / np.sqrt(30) * 1.2  # t-like with 14 degrees: sd 1.08
    assert 0.8 < z.std() < 1.35


def test_a_site_alone_in_its_unit_has_no_share_of_its_own():
    found = mixture_shares(mixtures([0, 0, 1], 1).drift, np.arange(3), np.array([0, 1]), np.array([2]))
    assert np.isnan(found[:, 2]).all()
    assert np.isfinite(found[:, :2]).all()
