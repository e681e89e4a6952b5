"""Rates: against the one-class formula, coverage of the interval on simulated sites, sites without a stock."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from homewater.assignment.rates import (
    PowerCounts,
    power_counts,
    rate_table,
    recent_share,
    rogan_gladen,
    unit_rate_table,
)
from homewater.crosses.likelihood import CLASSES

CALLED = ("local", "non_local", "unresolved", "unsampled_origin", *CLASSES[2:])


def test_one_class_by_the_published_formula():
    # Rogan & Gladen (1978) Am J Epidemiol 107:71-76; numbers from influentialpoints.com, whose
    # interval is 1.96 standard errors to either side
    estimate, low, high, error, clipped = rogan_gladen(0.30, 200, 0.95, 0.90)
    assert (estimate, low, high, error) == pytest.approx((0.235294, 0.160575, 0.310013, 0.038122), abs=2e-6)
    assert not clipped
    assert rogan_gladen(0.30, 200, 0.95, 0.90, 100, 100)[3] == pytest.approx(0.047097, abs=1e-6)
    estimate, low, _, _, clipped = rogan_gladen(0.02, 200, 0.9, 0.95)
    assert pytest.approx(-0.035294, abs=1e-6) == (0.02 + 0.95 - 1) / 0.85
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


def power_like_a_real_one():
    rows = np.zeros((8, len(CALLED)))
    for name, calls in {
        "pure_a": {"local": 0.9985, "backcross_a": 0.0005, "second_backcross_a": 0.0005, "unsampled_origin": 0.0005},
        "pure_b": {"non_local": 0.98, "unresolved": 0.01, "second_backcross_b": 0.01},
        "F1": {"F1": 0.98, "F2": 0.02},
        "F2": {"F2": 0.78, "F1": 0.04, "backcross_a": 0.1, "backcross_b": 0.08},
        "backcross_a": {"local": 0.1, "backcross_a": 0.74, "second_backcross_a": 0.12, "F2": 0.04},
        "backcross_b": {"non_local": 0.03, "backcross_b": 0.77, "second_backcross_b": 0.15, "F2": 0.05},
        "second_backcross_a": {"local": 0.55, "backcross_a": 0.22, "second_backcross_a": 0.23},
        "second_backcross_b": {"non_local": 0.3, "backcross_b": 0.24, "second_backcross_b": 0.46},
    }.items():
        for call, rate in calls.items():
            rows[CLASSES.index(name), CALLED.index(call)] = rate
    return rows


def power_frame(rows, n=1000):
    return pd.DataFrame(
        [(CLASSES[j], CALLED[k], rows[j, k], "unit_1", "unit_2", n) for j in range(8) for k in range(len(CALLED))],
        columns=["true_class", "called_class", "rate", "unit_a", "unit_b", "n"],
    )


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


def calls(*rows):
    return pd.DataFrame(rows, columns=["locationID", "outcome", "reason", "called", "year"])


def test_table_counts_everybody_and_leaves_undefined_rates_empty():
    power = power_frame(power_like_a_real_one())
    local = ("S1", "local", "", "local", 2020)
    judged = calls(
        *[local] * 17, ("S1", "non_local", "", "non_local", 2021), ("S1", "mixed", "", "F1", 2021),
        ("S1", "unresolved", "too_few_markers", "unresolved", 2021), ("F1", "non_local", "", "non_local", 2021),
        ("F1", "unsampled_origin", "", "unsampled_origin", 2021),
    )  # fmt: skip
    sites, units = ["S1", "S2", "F1"], {"S1": "unit_1", "S2": "unit_1", "F1": ""}
    table = rate_table(judged, power, sites, units, {"S1": True}, 0.001).set_index("locationID")
    assert table.loc["S1", ["n", "n_local", "n_non_local", "n_mixed", "n_unresolved"]].tolist() == [20, 17, 1, 1, 1]
    assert table.loc["S1", "raw_rate"] == 0.1
    assert table.loc["S1", "ci_low"] < table.loc["S1", "rate"] < table.loc["S1", "ci_high"]
    assert table.loc["S1", "expected_false"] == pytest.approx(0.019)
    assert table.loc["S1", "n_too_few_markers"] == 1
    assert table["contact_zone"].tolist() == [True, False, False]
    assert table.loc["S2", "n"] == 0
    assert table.loc["F1", ["n", "n_non_local", "n_unsampled_origin"]].tolist() == [2, 1, 1]
    assert table.loc[["S2", "F1"], ["raw_rate", "rate", "ci_low", "ci_high", "expected_false"]].isna().all(axis=None)
    by_year = rate_table(judged, power, sites, units, {}, 0.001, by_year=True)
    assert by_year[["locationID", "year", "n"]].to_numpy().tolist() == [
        ["S1", 2020, 17],
        ["S1", 2021, 3],
        ["F1", 2021, 2],
    ]


def test_units_pool_their_sites_and_keep_contact_zones_apart():
    """A unit's row is the row of one site that holds all its animals."""
    power = power_frame(power_like_a_real_one())
    local, moved = ("local", "", "local", 2020), ("non_local", "", "non_local", 2020)
    judged = calls(
        *[("S1", *local)] * 30, ("S1", *moved), *[("S2", *local)] * 9, ("S2", *moved), *[("Z", *moved)] * 4,
        ("F1", *moved),
    )  # fmt: skip
    units = {"S1": "unit_1", "S2": "unit_1", "Z": "unit_1", "F1": "", "S3": "unit_1"}
    table = unit_rate_table(judged, power, units, {"Z": True}, ["unit_1"], 0.001)
    assert table[["unit", "contact_zone", "n_sites", "n"]].to_numpy().tolist() == [
        ["unit_1", False, 2, 41], ["unit_1", True, 1, 4],
    ]  # fmt: skip
    one = judged[judged["locationID"].isin(["S1", "S2"])].assign(locationID="S1")
    expected = rate_table(one, power, ["S1"], units, {}, 0.001)
    columns = ["n_non_local", "raw_rate", "rate", "ci_low", "ci_high", "expected_false"]
    assert table.loc[0, columns].tolist() == expected.loc[0, columns].tolist()
    nobody = unit_rate_table(judged.iloc[:0], power, units, {}, ["unit_1"], 0.001)
    assert nobody[["n", "n_sites"]].to_numpy().tolist() == [[0, 0]]
    assert nobody["rate"].isna().all()


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
