"""The sigmoid cline: closed forms from the papers, a second maximiser, and the coverage of intervals by simulation."""

import numpy as np
import pytest
from scipy import optimize, stats

from homewater.statistics.intervals import LIKELIHOOD_DROP
from homewater.units.cline_fit import Shares, dispersion, expected_shares, fit_cline, log_likelihood, sigmoid

KM = np.linspace(0, 330, 12)


def shares(km, share, copies, floor=0.0):
    km = np.asarray(km, float)
    full = [np.broadcast_to(np.asarray(a, float), km.shape) for a in (share, copies, floor)]
    return Shares(km, *full, np.ones(len(km), dtype=bool))


def drawn(rng, centre=160.0, width=110.0, copies=40):
    return shares(KM, rng.binomial(copies, sigmoid(KM, centre, width)) / copies, copies)


def test_share_at_half_a_width_from_the_centre():
    # 1 / (1 + exp(-+2)) = 0.880797, 0.119203: from p = 1 / (1 + exp(-4 (x - c) / w)), Szymura & Barton (1986)
    assert sigmoid(np.array([70.0, 30.0, 50.0]), 50.0, 40.0) == pytest.approx([0.880797, 0.119203, 0.5], abs=1e-6)


def test_distance_from_a_fifth_to_four_fifths():
    # solving p = 0.2 and 0.8 by hand: x - c = -+ w ln(4) / 4, so w ln(4) / 2 lies between
    width, reach = 40.0, 40.0 * np.log(4) / 2
    assert sigmoid(np.array([-reach / 2, reach / 2]), 0.0, width) == pytest.approx([0.2, 0.8])


def test_width_is_the_inverse_of_the_steepest_slope():
    # definition of width in Barton & Gale (1993), here by differences
    km = np.linspace(-100, 100, 20001)
    slope = np.diff(sigmoid(km, 3.0, 40.0)) / np.diff(km)
    assert 1 / slope.max() == pytest.approx(40.0, rel=1e-5)


def test_the_drop_is_half_of_a_chi_square_quantile():
    assert stats.chi2.ppf(0.95, 1) / 2 == pytest.approx(LIKELIHOOD_DROP, abs=1e-12)


def test_likelihood_is_that_of_a_binomial_but_for_a_constant():
    rng = np.random.default_rng(0)
    data = drawn(rng)
    counts, curves = np.rint(data.share * 40), ((150.0, 90.0), (170.0, 140.0))
    exact = [stats.binom.logpmf(counts, 40, sigmoid(KM, *curve)).sum() for curve in curves]
    found = log_likelihood(data, *np.array(curves).T)
    assert found[0] - found[1] == pytest.approx(exact[0] - exact[1], abs=1e-5)


def slow_profile(data, fixed, value, start):
    """The best likelihood with the centre (0) or the log width (1) held, by another maximiser from several starts."""

    def loss(free):
        pair = np.insert(free, fixed, value)
        return -float(log_likelihood(data, pair[:1], np.exp(pair[1:]))[0])

    spread = (0.0, -1.0, 1.0) if fixed == 0 else (0.0, -40.0, 40.0)
    return -min(optimize.minimize(loss, [start + s], method="Nelder-Mead").fun for s in spread)


@pytest.mark.parametrize("seed", range(6))
def test_estimates_and_bounds_equal_those_of_another_maximiser(seed):
    data = drawn(np.random.default_rng(seed))
    found = fit_cline(data)
    free = optimize.minimize(
        lambda pair: -float(log_likelihood(data, pair[:1], np.exp(pair[1:]))[0]),
        [165.0, np.log(100.0)],
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10},
    )
    assert (found.centre, np.log(found.width)) == pytest.approx(free.x, rel=1e-4)
    assert found.best == pytest.approx(-free.fun, abs=1e-6)
    for bound in (found.centre_low, found.centre_high):
        assert found.best - slow_profile(data, 0, bound, free.x[1]) == pytest.approx(found.drop, abs=1e-3)
    for bound in (found.width_low, found.width_high):
        assert found.best - slow_profile(data, 1, np.log(bound), free.x[0]) == pytest.approx(found.drop, abs=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_intervals_of_expected_shares_equal_those_over_a_fine_grid_of_curves(seed):
    data = drawn(np.random.default_rng(seed))
    found = fit_cline(data)
    share, low, high = expected_shares(data, found)
    assert share == pytest.approx(sigmoid(KM, found.centre, found.width))
    centre, width = np.meshgrid(np.linspace(100, 220, 401), np.geomspace(20, 600, 401))
    inside = log_likelihood(data, centre.ravel(), width.ravel()) >= found.best - found.drop
    curves = sigmoid(KM[:, None], centre.ravel()[inside], width.ravel()[inside])
    assert low == pytest.approx(curves.min(axis=1), abs=0.004)
    assert high == pytest.approx(curves.max(axis=1), abs=0.004)


@pytest.fixture(scope="module")
def many():
    """Fits of 400 simulated clines, seeds 0 to 399."""
    fits = []
    for seed in range(400):
        data = drawn(np.random.default_rng(seed))
        fits.append(fit_cline(data))
    return fits


def test_intervals_cover_the_truth(many):
    """95 % asked; of 400 simulations 93 to 97 % is within two standard errors (1.1 % each) of it."""
    for low, high, true in (("centre_low", "centre_high", 160.0), ("width_low", "width_high", 110.0)):
        bounds = np.array([[getattr(fit, low), getattr(fit, high)] for fit in many])
        assert np.isfinite(bounds).all()
        assert 0.93 <= ((bounds[:, 0] <= true) & (true <= bounds[:, 1])).mean() <= 0.97


def test_estimates_are_not_biased(many):
    centre, width = (np.array([getattr(fit, name) for fit in many]) for name in ("centre", "width"))
    assert centre.mean() == pytest.approx(160, abs=3 * centre.std() / 20)
    assert np.median(width) == pytest.approx(110, rel=0.05)


def test_sound_data_are_rarely_called_scattered(many):
    """At a level of 5 %: 34 or more of 400 have a chance of 0.2 % (binomial)."""
    assert sum(fit.dispersion > 1 for fit in many) <= 33


def test_scatter_sets_the_scale_of_intervals():
    # a site far inside one stock holds a fifth of the other: no sigmoid does that
    calm = fit_cline(shares(range(0, 360, 60), [0, 0.02, 0.3, 0.7, 0.98, 1], 40))
    data = shares(range(0, 360, 60), [0.2, 0.02, 0.3, 0.7, 0.98, 1], 40)
    found = fit_cline(data)
    assert (calm.dispersion, calm.drop) == (1.0, LIKELIHOOD_DROP)
    observed, curve = data.share, sigmoid(data.km, found.centre, found.width)
    with np.errstate(divide="ignore", invalid="ignore"):  # deviance of a binomial, written out, 0 ln 0 = 0
        terms = (
            np.nan_to_num(observed * np.log(observed / curve)),
            np.nan_to_num((1 - observed) * np.log((1 - observed) / (1 - curve))),
        )
    deviance = 2 * 40 * (terms[0] + terms[1]).sum()
    degrees = 4  # six sites, less centre and width
    assert found.dispersion == pytest.approx(deviance / degrees, rel=1e-3)
    assert found.drop == pytest.approx(found.dispersion * stats.t.ppf(0.975, degrees) ** 2 / 2)
    assert found.width_high - found.width_low > 2 * (calm.width_high - calm.width_low)


def test_two_sites_or_fewer_cannot_scatter():
    data = shares([0, 40], [0.1, 0.4], 40)
    assert dispersion(data, -1000.0) == (1.0, LIKELIHOOD_DROP)


def test_a_step_between_two_sites_has_no_width_and_no_lower_bound():
    data = shares([0, 40, 100, 150], [0, 0, 1, 1], 40)
    found = fit_cline(data)
    assert found.centre == 70
    assert np.isnan([found.width, found.width_low]).all()
    assert 40 < found.centre_low < 70 < found.centre_high < 100
    # at the upper bound the best curve, centred half-way by symmetry, leaves 40 ln p at each site: solved by hand
    assert log_likelihood(data, np.array([70.0]), found.width_high)[0] == pytest.approx(-LIKELIHOOD_DROP, abs=0.15)
    share, low, high = expected_shares(data, found)
    assert share.tolist() == [0, 0, 1, 1]
    assert low[:2].tolist() == [0, 0]
    assert high[2:].tolist() == [1, 1]
    assert 0 < high[0] < high[1] < 0.06  # 1.92 / 40 = 0.048: at most that share where none of 40 copies is foreign


def test_noise_below_the_floor_does_not_bound_the_width():
    at, share = range(0, 300, 50), [0, 0, 0.02, 0.98, 1, 1]
    assert np.isnan(fit_cline(shares(at, share, 400, floor=0.02)).width_low)
    assert not np.isnan(fit_cline(shares(at, share, 400)).width_low)
    assert np.isnan(fit_cline(shares(at, [0.012, 0, 0.009, 1, 0.99, 1], 40, floor=0.012)).width_low)


def test_shares_that_do_not_change_bound_nothing_above():
    found = fit_cline(shares(range(0, 300, 50), 0.5, 20))
    assert np.isnan(found.width_high)
    assert np.isnan([found.centre_low, found.centre_high]).all()


def test_a_cline_seen_from_one_side_is_open_on_the_other():
    found = fit_cline(shares(range(0, 300, 50), [0, 0, 0, 0.02, 0.05, 0.1], 30))
    assert found.centre > 250
    assert found.centre_low > 200


def test_places_may_repeat_but_not_all_be_one():
    assert 0 < fit_cline(shares([0, 0, 50, 50, 90], [0, 0.1, 0.4, 0.5, 1], 40)).centre < 90
    with pytest.raises(ValueError, match="two places"):
        fit_cline(shares([5, 5, 5], [0, 0.5, 1], 40))


def test_turning_the_coast_round_mirrors_the_cline():
    data = drawn(np.random.default_rng(3))
    turned = shares(330 - KM[::-1], 1 - data.share[::-1], 40)
    one, other = fit_cline(data), fit_cline(turned)
    assert other.centre == pytest.approx(330 - one.centre, rel=1e-4)
    assert (other.width, other.width_low, other.width_high) == pytest.approx(
        (one.width, one.width_low, one.width_high), rel=1e-4
    )
