"""Mixture shares: a second optimiser, hand-worked intervals, coverage on simulated catches of known shares."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from tests.drawn_genotypes import drifted, with_errors

from homewater.assignment.mixture_shares import (
    TypedReference,
    drawn_likelihoods,
    mixture_table,
    profile_intervals,
    shares,
)
from homewater.crosses.likelihood import KnownUnits, class_list, class_table, log_likelihoods
from homewater.crosses.odds import counts_by_unit

CLEAR = 40.0  # natural logarithms between the right unit and the others


def clear(units, n_units):
    """Log likelihoods that leave no doubt."""
    return np.where(np.arange(n_units) == np.asarray(units)[:, None], 0.0, -CLEAR)


def catch(rng, mix, n, fst, n_baseline=25, n_loci=60):
    """Log likelihoods of a simulated catch, of the same under baselines drawn anew, and the catch's own shares."""
    n_units = len(mix)
    frequency = drifted(rng, n_loci, fst, n_units)
    unit = np.repeat(np.arange(n_units), n_baseline)
    reference = np.ascontiguousarray(with_errors(rng, rng.binomial(2, frequency[:, unit])).T)
    source = rng.choice(n_units, size=n, p=mix)
    dosages = np.ascontiguousarray(with_errors(rng, rng.binomial(2, frequency[:, source])).T)
    known = KnownUnits(counts_by_unit(reference, unit, n_units), 0.005)
    table = class_table(known, class_list(n_units))[..., :n_units]
    drawn = drawn_likelihoods(dosages, TypedReference(reference, unit, unit, n_units), 0.005, None, rng, 60)
    return log_likelihoods(dosages, table), np.stack(list(drawn)), np.bincount(source, minlength=n_units) / n


def table_of(likelihood, drawn, n_units):
    animals = pd.DataFrame(
        {"locationID": "V01", "year": 2021, "outcome": "local", "reason": ""}, index=range(len(likelihood))
    )
    found = mixture_table(animals, likelihood, drawn, [f"unit_{u + 1}" for u in range(n_units)], ["V01"])
    return found[found["scope"] == "site"].reset_index(drop=True)


@pytest.mark.parametrize("seed", range(4))
def test_shares_equal_those_of_a_general_optimiser(seed):
    """Second version: scipy's SLSQP over the simplex on the same likelihood."""
    rng = np.random.default_rng(seed)
    likelihood = rng.normal(0, 2, (50, 3))
    found = shares(likelihood)

    def loss(share):
        return -np.log(np.exp(likelihood) @ share).sum()

    other = minimize(loss, np.full(3, 1 / 3), bounds=[(0, 1)] * 3, method="SLSQP", options={"ftol": 1e-12},
                     constraints={"type": "eq", "fun": lambda s: s.sum() - 1})  # fmt: skip
    assert found.sum() == pytest.approx(1)
    assert loss(found) <= other.fun + 1e-6
    assert found == pytest.approx(other.x, abs=2e-3)


def test_animals_without_doubt_are_counted():
    """Then the likelihood is the multinomial's, and its profile the binomial's: -2 log ratio of 3.8415 at the ends."""
    likelihood = clear([0] * 12 + [1] * 6 + [2] * 2, 3)
    share, low, high = profile_intervals(likelihood)
    assert share == pytest.approx([0.6, 0.3, 0.1], abs=1e-6)
    for k, ends in ((12, (low[0], high[0])), (6, (low[1], high[1])), (2, (low[2], high[2]))):
        for end in ends:
            drop = k * np.log(k / 20 / end) + (20 - k) * np.log((1 - k / 20) / (1 - end))
            assert 2 * drop == pytest.approx(3.841459, abs=1e-4)
    share, low, high = profile_intervals(clear([0] * 5, 2))
    assert (share[0], low[1], high[0]) == pytest.approx((1, 0, 1), abs=1e-9)
    assert high[1] == pytest.approx(1 - np.exp(-1.920729 / 5), abs=1e-6)  # none of five: (1 - p)^5 = exp(-1.92)


@pytest.mark.parametrize("mix", [(0.7, 0.3), (1.0, 0.0), (0.5, 0.3, 0.2)])
def test_intervals_cover_known_shares(mix):
    """40 catches of 40 animals by baselines of 25 a unit, seeds 0 to 39; 95 % +- 3 binomial standard errors (0.10)."""
    mix, covered, error = np.array(mix), [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        likelihood, drawn, _ = catch(rng, mix, 40, 0.06)
        found = table_of(likelihood, drawn, len(mix))
        covered.append(((found["ci_low"] <= mix) & (mix <= found["ci_high"])).to_numpy())
        error.append(found["share"].to_numpy() - mix)
    assert np.mean(covered, axis=0).min() >= 0.85
    assert np.abs(np.mean(error, axis=0)).max() < 0.04  # a standard error of the mean is 0.012


def test_intervals_cover_where_the_baseline_is_what_is_unsure():
    """100 animals by baselines of 10 a unit that differ little: the catch's sampling alone covers far too seldom."""
    mix, joined, profile = np.array([0.7, 0.3]), [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        likelihood, drawn, _ = catch(rng, mix, 100, 0.02, 10)
        row = table_of(likelihood, drawn, 2).iloc[0]
        joined.append(row["ci_low"] <= 0.7 <= row["ci_high"])
        profile.append(row["profile_low"] <= 0.7 <= row["profile_high"])
    assert np.mean(joined) >= 0.85  # 95 % less three binomial standard errors
    assert np.mean(profile) < 0.8


def test_a_poor_baseline_widens_the_interval():
    widths = []
    for n_baseline in (6, 200):
        rng = np.random.default_rng(1)
        likelihood, drawn, _ = catch(rng, (0.5, 0.5), 60, 0.05, n_baseline)
        row = table_of(likelihood, drawn, 2).iloc[0]
        assert row["ci_low"] <= row["profile_low"] <= row["share"] <= row["profile_high"] <= row["ci_high"]
        widths.append(row["baseline_standard_deviation"])
    assert widths[0] > 2 * widths[1]


def test_the_table_counts_who_is_left_out():
    animals = pd.DataFrame(
        {
            "locationID": ["F1", "F1", "F1", "V01", "F1"],
            "year": [2020, 2020, 2021, 2021, 2021],
            "outcome": ["non_local", "unresolved", "unsampled_origin", "unresolved", "mixed"],
            "reason": ["", "too_few_markers", "", "too_few_markers", ""],
        }
    )
    likelihood = clear([0, 0, 1, 1, 1], 2)
    found = mixture_table(animals, likelihood, np.stack([likelihood] * 3), ["unit_1", "unit_2"], ["V01", "F1", "none"])
    keys = found[["scope", "locationID"]].drop_duplicates().to_numpy().tolist()
    assert keys == [["site", "V01"], ["site_year", "V01"], ["site", "F1"], ["site_year", "F1"]]
    whole = found[(found["scope"] == "site") & (found["locationID"] == "F1")]
    assert whole["share"].tolist() == pytest.approx([0.5, 0.5])
    counts = ["n", "n_used", "n_mixed", "n_unsampled_origin", "n_too_few_markers"]
    assert whole[counts].iloc[0].tolist() == [4, 2, 1, 1, 1]
    assert found.loc[found["locationID"] == "V01", ["share", "ci_low", "ci_high"]].isna().all(axis=None)
    assert found.loc[found["locationID"] == "V01", "n_used"].eq(0).all()
