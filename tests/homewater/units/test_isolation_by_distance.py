"""Isolation by distance against worked examples and a slow second version of the fit with site effects."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from homewater.running.seeds import draws
from homewater.tables.schema_tables import check_table
from homewater.units import isolation_by_distance
from homewater.units.isolation_by_distance import (
    MIN_STATED_SITES,
    isolation_table,
    p_of_places,
    reading_of,
    row_of,
    site_effects_taken_off,
    slopes_with_site_effects,
)
from homewater.units.replicates import Replicates, pair_replicates

DRAWS = draws(0, "detectable", "topshell")


def square(values, n):
    out = np.zeros((n, n))
    out[np.triu_indices(n, 1)] = values
    return out + out.T


def replicates_of(linear, noise=0.0, n_blocks=10, seed=0):
    rng = np.random.default_rng(seed)
    n = len(linear)
    values = np.repeat(np.asarray(linear, dtype=float)[None], n_blocks + 1, axis=0)
    for k in range(1, n_blocks + 1):
        values[k] += square(rng.normal(0, noise, n * (n - 1) // 2), n)
    return Replicates(values, values, np.full(n_blocks, 50))


def test_correlations_of_worked_examples():
    """Correlations recomputed for examples of the test of Mantel (1967) Cancer Res 27:209-220."""
    three = row_of(replicates_of(square([2, 7, 6], 3)), square([1, 2, 3], 3), "all", np.arange(3), DRAWS)
    assert three["correlation"] == pytest.approx(0.755929, abs=1e-6)
    at = np.array([0, 1, 3, 7])
    km = np.abs(at[:, None] - at[None, :]).astype(float)
    four = row_of(replicates_of(square([0.01, 0.05, 0.06, 0.03, 0.09, 0.04], 4)), km, "all", np.arange(4), DRAWS)
    assert four["correlation"] == pytest.approx(0.842525, abs=1e-6)


def test_slope_on_a_line_is_the_lines():
    at = np.array([0.0, 1, 3, 7, 12])
    km = np.abs(at[:, None] - at[None, :])
    row = row_of(replicates_of(0.002 * km, noise=1e-5), km, "all", np.arange(5), DRAWS)
    assert row["slope"] == pytest.approx(0.002)
    assert row["slope_site_effects"] == pytest.approx(0.002)
    assert row["correlation"] == pytest.approx(1)
    assert row["ci_low"] < 0.002 < row["ci_high"]
    assert row["p_value"] < 1e-6


@pytest.mark.parametrize("n", [4, 5, 7, 12])
@pytest.mark.parametrize("seed", range(3))
def test_slope_beside_site_effects_equals_least_squares_with_a_column_a_site(n, seed):
    """Second version: one design of site effects and distance, by numpy's least squares; some pairs are missing."""
    rng = np.random.default_rng(seed)
    first, second = np.triu_indices(n, 1)
    stays = np.arange(len(first)) != (3 if n > 4 else -1)
    first, second = 10 + first[stays], 10 + second[stays]
    distance, values = rng.uniform(1, 9, len(first)), rng.normal(0, 1, (5, len(first)))
    design = np.zeros((len(first), n + 1))
    for pair, (i, j) in enumerate(zip(first, second, strict=True)):
        design[pair, [i - 10, j - 10]] = 1
    design[:, n] = distance
    expected = np.linalg.lstsq(design, values.T, rcond=None)[0][n]
    assert slopes_with_site_effects(first, second, distance, values) == pytest.approx(expected, rel=1e-9)


def test_site_effects_of_all_pairs_are_taken_off_by_means():
    """Of all pairs: value - (sums of both sites) / (n - 2) + total / ((n - 1)(n - 2)), the two-way table by hand."""
    n, rng = 6, np.random.default_rng(0)
    first, second = np.triu_indices(n, 1)
    values = rng.normal(size=len(first))
    whole = square(values, n)
    sums = whole.sum(axis=0)
    expected = values - (sums[first] + sums[second]) / (n - 2) + sums.sum() / ((n - 1) * (n - 2))
    assert site_effects_taken_off(first, second, values) == pytest.approx(expected)


def test_drift_of_three_sites_explains_any_distances():
    first, second = np.triu_indices(3, 1)
    assert np.isnan(slopes_with_site_effects(first, second, np.array([1.0, 2, 1]), np.ones((2, 3)))).all()


@given(
    st.integers(4, 8),
    st.lists(st.floats(0, 1), min_size=8, max_size=8),
    st.floats(-0.01, 0.01),
    st.integers(0, 99),
)
def test_own_drift_never_changes_the_slope(n, drift, slope, seed):
    """Whatever drift each site has of its own, what is left is the slope."""
    at = np.cumsum(np.random.default_rng(seed).uniform(1, 9, n))
    first, second = np.triu_indices(n, 1)
    distance, drift = np.abs(at[first] - at[second]), np.array(drift)
    found = slopes_with_site_effects(first, second, distance, (drift[first] + drift[second] + slope * distance)[None])
    assert found[0] == pytest.approx(slope, abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_share_of_orders_equals_fitting_every_order(seed):
    """Second version: sites renumbered and the slope fitted anew, all 720 orders."""
    rng = np.random.default_rng(seed)
    first, second = np.triu_indices(6, 1)
    at, values = rng.uniform(0, 9, 6), square(rng.normal(0, 1, 15), 6)
    distance = np.abs(at[first] - at[second])
    orders = [np.array(order) for order in itertools.permutations(range(6))]
    every = [
        slopes_with_site_effects(first, second, distance, values[order[first], order[second]][None])[0]
        for order in orders
    ]
    expected = np.mean(np.array(every) >= every[0] - 1e-9)
    assert p_of_places(first, second, distance, values[first, second], rng) == pytest.approx(expected)


def test_orders_of_a_perfect_gradient_by_hand():
    """Five evenly spaced sites: 8 of 120 orders do as well, which is why six are asked for; of six, 8 of 720."""
    for n, share in ((5, 8 / 120), (6, 8 / 720)):
        first, second = np.triu_indices(n, 1)
        distance = (second - first).astype(float)
        assert p_of_places(first, second, distance, distance, None) == pytest.approx(share)
    assert MIN_STATED_SITES == 6


def test_drawn_orders_agree_with_all_orders(monkeypatch):
    """Seven sites both ways: within 3.5 binomial errors of 4,999 draws."""
    rng = np.random.default_rng(1)
    first, second = np.triu_indices(7, 1)
    distance, values = rng.uniform(0, 9, 21), rng.normal(0, 1, 21)
    values += 0.15 * distance
    exact = p_of_places(first, second, distance, values, rng)
    monkeypatch.setattr(isolation_by_distance, "MAX_SITES_ENUMERATED", 3)
    assert 0.05 < exact < 0.95
    drawn = p_of_places(first, second, distance, values, rng)
    assert drawn == pytest.approx(exact, abs=3.5 * np.sqrt(exact * (1 - exact) / 4999))


def test_sites_change_places_within_their_waters():
    """Two waters of three and four sites: orders that mix them do not count (3! x 4! of 7!)."""
    first, second = np.triu_indices(7, 1)
    stays = (first < 3) == (second < 3)
    first, second, rng = first[stays], second[stays], np.random.default_rng(0)
    distance, values = rng.uniform(0, 9, len(first)), rng.normal(0, 1, len(first))
    matrix = np.full((7, 7), np.nan)
    matrix[first, second] = matrix[second, first] = values
    every = []
    for a in itertools.permutations(range(3)):
        for b in itertools.permutations(range(3, 7)):
            order = np.array([*a, *b])
            every.append(
                slopes_with_site_effects(first, second, distance, matrix[order[first], order[second]][None])[0]
            )
    expected = np.mean(np.array(every) >= every[0] - 1e-9)
    assert p_of_places(first, second, distance, values, rng) == pytest.approx(expected)


def test_the_rule_by_hand():
    nan = float("nan")
    cases = {
        (0.01, 0.01): "isolation_by_distance",
        (0.01, 0.3): "one_site_alone",
        (0.2, 0.01): "not_detected",
        (0.05, 0.01): "not_detected",
        (nan, 0.01): "too_few_sites",
        (0.01, nan): "too_few_sites",
    }
    assert {case: reading_of(*case) for case in cases} == cases


def test_a_rise_that_one_pair_makes_is_one_sites_alone():
    """Ten sites alike but for the first two, which are kin: without either nothing is left."""
    km = np.abs(np.subtract.outer(50.0 * np.arange(10), 50.0 * np.arange(10)))
    differences = 0.02 * (1 - np.eye(10))
    differences[0, 1] = differences[1, 0] = 0.001
    row = row_of(replicates_of(differences, 1e-4), km, "all", np.arange(10), DRAWS)
    assert row["p_value_site_effects"] < 0.001
    assert row["reading"] == ("one_site_alone" if row["p_value_places"] < 0.05 else "not_detected")
    assert row["site_that_matters_most"] in (0, 1)
    assert abs(row["slope_without_one"]) < 1e-6 < row["slope_site_effects"]


def coast(seed, own, step, n, n_markers=1500):
    """Counts of 25 animals a site on 15 chromosomes: drift from site to site, then drift of each site's own."""
    rng = np.random.default_rng(seed)

    def drifted(p, f):
        return rng.beta(p * (1 - f) / f, (1 - p) * (1 - f) / f) if f > 1e-6 else p

    p, rows = rng.uniform(0.1, 0.9, n_markers), []
    for site in range(n):
        p = np.clip(drifted(p, step if site else 0), 1e-3, 1 - 1e-3)
        rows.append(drifted(p, min(own * rng.exponential(), 0.5)))
    genotypes = rng.binomial(2, np.array(rows).T[:, :, None], (n_markers, n, 25))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    km = 50.0 * np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    return pair_replicates(counts, np.arange(n_markers) // (n_markers // 15)), km


def test_islands_with_drift_of_their_own_are_no_isolation_by_distance():
    """100 studies of six islands, own drift exponential with mean .05: p below .05 in 5 within 3.5 errors, stated in 2.

    The plain p calls more than a quarter of them.
    """
    rows = [row_of(*coast(seed, 0.05, 0, 6), "all", np.arange(6), DRAWS) for seed in range(100)]
    assert sum(row["p_value_stated"] < 0.05 for row in rows) <= 5 + 3.5 * 2.18
    assert sum(row["reading"] == "isolation_by_distance" for row in rows) <= 2
    assert sum(row["p_value"] < 0.05 for row in rows) > 25


def test_a_gradient_is_found_beside_drift_of_the_sites_own():
    """30 studies of eight sites, .004 a step, own drift of mean .005: stated in 28."""
    rows = [row_of(*coast(seed, 0.005, 0.004, 8), "all", np.arange(8), DRAWS) for seed in range(30)]
    assert sum(row["reading"] == "isolation_by_distance" for row in rows) >= 28


def test_p_is_uniform_when_chromosomes_carry_no_gradient():
    """400 studies of 12 independent blocks: Kolmogorov-Smirnov above 0.001, and 5 % below 5 % within 3.5 errors."""
    at = np.arange(6.0)
    km = np.abs(at[:, None] - at[None, :])
    first, second = np.triu_indices(6, 1)
    found = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        site = rng.normal(0, 1, (12, 6))
        blocks = site[:, first] + site[:, second] + rng.normal(0, 0.5, (12, 15))
        whole, without = blocks.mean(axis=0), (blocks.sum(axis=0) - blocks) / 11
        values = np.stack([square(v, 6) for v in (whole, *without)])
        found.append(row_of(Replicates(values, values, np.ones(12)), km, "all", np.arange(6), DRAWS)["p_value"])
    assert stats.kstest(found, "uniform").pvalue > 0.001
    assert 20 - 3.5 * 4.36 <= (np.array(found) <= 0.05).sum() <= 20 + 3.5 * 4.36


def test_p_keeps_its_level_on_counts_of_one_population():
    """200 studies of four sites: p <= 0.05 in 10, within 3.5 standard errors; both slopes."""
    at = 40.0 * np.arange(4)
    km = np.abs(at[:, None] - at[None, :])
    rejected = np.zeros(2)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        genotypes = rng.binomial(2, rng.uniform(0.2, 0.8, (600, 1, 1)), (600, 4, 12))
        counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
        row = row_of(pair_replicates(counts, np.arange(600) // 60), km, "all", np.arange(4), DRAWS)
        rejected += [row["p_value"] <= 0.05, row["p_value_site_effects"] <= 0.05]
    assert (rejected <= 10 + 3.5 * 3.08).all()
    assert (rejected > 0).all()


def test_table_has_a_row_for_all_and_for_units_of_three_sites():
    at = np.array([0.0, 1, 3, 7, 12])
    km = np.abs(at[:, None] - at[None, :])
    units = ["unit_2", "unit_1", "unit_1", "unit_1", "unit_2"]
    table = check_table(
        isolation_table(replicates_of(0.002 * km, 1e-4), km, units, list("abcde"), DRAWS), "isolation_by_distance"
    )
    assert table["scope"].tolist() == ["all", "unit_1"]
    assert table["n_sites"].tolist() == [5, 3]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_sites_give_an_empty_row(n):
    table = isolation_table(replicates_of(np.zeros((n, n))), np.ones((n, n)), ["unit_1"] * n, list("ab")[:n], DRAWS)
    table = check_table(table, "isolation_by_distance")
    assert table["scope"].tolist() == ["all"]
    assert table["slope"].isna().all()


def test_pairs_that_no_water_joins_are_left_out():
    at = np.array([0.0, 1, 3, 7])
    km = np.abs(at[:, None] - at[None, :])
    linear = 0.002 * km
    linear[3, :3] = linear[:3, 3] = 9.0
    km[3, :3] = km[:3, 3] = np.nan
    row = row_of(replicates_of(linear, 1e-5), km, "all", np.arange(4), DRAWS)
    assert row["n_pairs"] == 3
    assert row["slope"] == pytest.approx(0.002)
