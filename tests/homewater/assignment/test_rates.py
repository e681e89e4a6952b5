"""Rates: against the one-class formula and a general optimiser, and the coverage of the interval on simulated sites."""

import numpy as np
import pytest
from scipy.optimize import minimize
from tests.class_power import CALLED, power_frame, power_like_a_real_one

from homewater.assignment.rates import PowerCounts, power_counts, recent_share
from homewater.crosses.likelihood import CLASSES


def unclipped_rogan_gladen(
    apparent: float,
    n: int,
    sensitivity: float,
    specificity: float,
    n_sensitivity: int | None = None,
    n_specificity: int | None = None,
) -> tuple[float, float, float, float]:
    """Return the true share behind an apparent one, for a single class of foreign animals, whatever range it lies in.

    Args:
        apparent: share flagged, in [0, 1].
        n: animals.
        sensitivity: share of foreign animals that are flagged.
        specificity: share of locals that are not flagged.
        n_sensitivity: animals behind the sensitivity; known without error by default.
        n_specificity: animals behind the specificity; known without error by default.

    Returns:
        (estimate, low, high, standard error), the interval being estimate -+ 1.96 standard errors.

    Raises:
        ValueError: where sensitivity + specificity is not above 1, since then a flag says nothing.
    Source: Rogan & Gladen (1978) Am J Epidemiol 107:71-76.
    """
    youden = sensitivity + specificity - 1
    if not youden > 0:
        raise ValueError(f"sensitivity + specificity must be above 1, got {sensitivity + specificity}")
    estimate = (apparent + specificity - 1) / youden
    variance = apparent * (1 - apparent) / n
    if n_sensitivity:
        variance += sensitivity * (1 - sensitivity) / n_sensitivity * estimate**2
    if n_specificity:
        variance += specificity * (1 - specificity) / n_specificity * (1 - estimate) ** 2
    error = variance**0.5 / youden
    return estimate, estimate - 1.959963984540054 * error, estimate + 1.959963984540054 * error, error


def rogan_gladen(*arguments: float) -> tuple[float, float, float, float, bool]:
    """Return the estimate and its interval clipped to [0, 1], the standard error, and whether anything was clipped."""
    *raw, error = unclipped_rogan_gladen(*arguments)
    clipped = [min(1.0, max(0.0, value)) for value in raw]
    return (*clipped, error, clipped != raw)


def test_one_class_by_the_published_formula():
    # Rogan & Gladen (1978) Am J Epidemiol 107:71-76; numbers from influentialpoints.com, whose
    # interval is 1.96 standard errors to either side
    estimate, low, high, error, clipped = rogan_gladen(0.30, 200, 0.95, 0.90)
    assert (estimate, low, high, error) == pytest.approx((0.235294, 0.160575, 0.310013, 0.038122), abs=2e-6)
    assert not clipped
    assert rogan_gladen(0.30, 200, 0.95, 0.90, 100, 100)[3] == pytest.approx(0.047097, abs=1e-6)
    estimate, low, _, _, clipped = rogan_gladen(0.02, 200, 0.9, 0.95)
    assert unclipped_rogan_gladen(0.02, 200, 0.9, 0.95)[0] == pytest.approx(-0.035294, abs=1e-6)
    assert (estimate, low, clipped) == (0, 0, True)
    with pytest.raises(ValueError, match="above 1"):
        rogan_gladen(0.1, 10, 0.4, 0.6)


@pytest.mark.parametrize("flagged", [4, 11, 30])
def test_two_classes_give_the_one_class_formula(flagged):
    power = PowerCounts(np.array([[95e6, 5e6], [20e6, 80e6]]), np.array([False, True]), ("local", "non_local"))
    share, low, high = recent_share(np.array([100 - flagged, flagged]), power)
    expected = rogan_gladen(flagged / 100, 100, 0.8, 0.95)
    assert share == pytest.approx(expected[0], abs=1e-4)
    assert low <= share <= high
    if flagged == 30:  # away from 0 the profile is close to the normal interval
        assert (low, high) == pytest.approx(expected[1:3], abs=0.02)


def test_fit_equals_a_general_optimiser():
    """scipy.optimize over class shares, calling rates held at those of very many simulated animals."""
    power = power_counts(power_frame(power_like_a_real_one(), 10**9), "unit_1")
    counts = np.zeros(len(CALLED))
    counts[[CALLED.index(c) for c in ("local", "non_local", "F1", "F2", "backcross_a")]] = 60, 5, 4, 2, 6
    chance = power.counts / power.counts.sum(axis=1, keepdims=True)

    def minus(x):
        share = np.exp(x - x.max())
        return -(counts * np.log(share / share.sum() @ chance + 1e-300)).sum()

    best = min((minimize(minus, np.random.default_rng(k).normal(size=9), method="L-BFGS-B", options={"maxiter": 5000})
                for k in range(4)), key=lambda found: found.fun)  # fmt: skip
    share = np.exp(best.x - best.x.max())
    expected = share[power.recent].sum() / share.sum()
    assert recent_share(counts, power)[0] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("rate", "n"), [(0.05, 60), (0.2, 40), (0.3, 40)])
def test_interval_holds_the_true_rate(rate, n):
    truth = power_like_a_real_one()
    rng = np.random.default_rng(int(rate * 100))
    share = np.zeros(8)
    for name, part in {"pure_b": 0.3, "F1": 0.3, "F2": 0.1, "backcross_a": 0.3}.items():
        share[CLASSES.index(name)] = rate * part
    share[0] = 1 - rate
    held, estimates = 0, []
    for _ in range(200):
        simulated = np.array([rng.multinomial(1000, row / row.sum()) for row in truth])
        power = power_counts(power_frame(simulated / 1000), "unit_1")
        counts = rng.multinomial(n, share @ (truth / truth.sum(axis=1, keepdims=True)))
        estimate, low, high = recent_share(counts, power)
        estimates.append(estimate)
        held += low <= rate <= high
    assert held / 200 >= 0.91  # 0.95 - 2.6 binomial standard errors of 200 sites
    assert np.mean(estimates) == pytest.approx(rate, abs=0.025)


def test_no_foreign_animal_still_has_an_upper_end():
    power = power_counts(power_frame(power_like_a_real_one()), "unit_1")
    for n in (10, 40, 400):
        counts = np.zeros(len(CALLED))
        counts[0] = n
        share, low, high = recent_share(counts, power)
        assert share == low == 0
        # profile likelihood of none in n, were all found: 1 - exp(-1.92 / n); some are missed, so it is wider
        assert 1 - np.exp(-1.92 / n) <= high + 1e-3
        assert high < 1.6 * (1 - np.exp(-1.92 / n))
    assert np.isnan(recent_share(np.zeros(len(CALLED)), power)).all()
