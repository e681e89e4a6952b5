"""Isolation by distance against worked examples and a slow second version of the fit with site effects."""

import numpy as np
import pytest
from scipy import stats

from homewater.tables.schema_tables import check_table
from homewater.units.isolation_by_distance import (
    isolation_table,
    pair_covariance,
    row_of,
    shared_site_correlation,
    slopes,
)
from homewater.units.replicates import Replicates, pair_replicates


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
    three = row_of(replicates_of(square([2, 7, 6], 3)), square([1, 2, 3], 3), "all", np.arange(3))
    assert three["correlation"] == pytest.approx(0.755929, abs=1e-6)
    at = np.array([0, 1, 3, 7])
    km = np.abs(at[:, None] - at[None, :]).astype(float)
    four = row_of(replicates_of(square([0.01, 0.05, 0.06, 0.03, 0.09, 0.04], 4)), km, "all", np.arange(4))
    assert four["correlation"] == pytest.approx(0.842525, abs=1e-6)


def test_slope_on_a_line_is_the_lines():
    at = np.array([0.0, 1, 3, 7, 12])
    km = np.abs(at[:, None] - at[None, :])
    row = row_of(replicates_of(0.002 * km, noise=1e-5), km, "all", np.arange(5))
    assert row["slope"] == pytest.approx(0.002)
    assert row["slope_site_effects"] == pytest.approx(0.002)
    assert row["correlation"] == pytest.approx(1)
    assert row["ci_low"] < 0.002 < row["ci_high"]
    assert row["p_value"] < 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_fit_with_site_effects_equals_a_search_over_the_normal_density(seed):
    """Second version: scipy's multivariate normal, slope, intercept and variance searched, correlation on the grid."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(seed)
    first, second = np.triu_indices(6, 1)
    site = rng.normal(0, 0.5, 6)
    distance = rng.uniform(1, 9, 15)
    y = 0.3 + 0.2 * distance + site[first] + site[second] + rng.normal(0, 0.3, 15)
    chosen = shared_site_correlation(first, second, distance, y)
    found = {}
    for shared in (chosen - 0.01, chosen, chosen + 0.01):
        if not 0 <= shared < 0.5:
            continue
        matrix = np.array(
            [
                [1.0 if a == b else shared if {*a} & {*b} else 0.0 for b in zip(first, second, strict=True)]
                for a in zip(first, second, strict=True)
            ]
        )
        np.testing.assert_array_equal(matrix, pair_covariance(first, second, shared))

        def loss(q, matrix=matrix):
            return -stats.multivariate_normal(q[0] + q[1] * distance, np.exp(q[2]) * matrix).logpdf(y)

        best = minimize(
            loss, [0.3, 0.2, -1.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 5000}
        )
        found[shared] = (-best.fun, best.x[1])
    assert max(found, key=lambda s: found[s][0]) == chosen
    ours = slopes(distance, y[None], pair_covariance(first, second, chosen))[0]
    assert ours == pytest.approx(found[chosen][1], abs=1e-5)


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
        found.append(row_of(Replicates(values, values, np.ones(12)), km, "all", np.arange(6))["p_value"])
    assert stats.kstest(found, "uniform").pvalue > 0.001
    assert 20 - 3.5 * 4.36 <= (np.array(found) <= 0.05).sum() <= 20 + 3.5 * 4.36


def test_p_keeps_its_level_on_counts_of_one_population():
    """200 studies of three sites: p <= 0.05 in 10, within 3.5 standard errors; both slopes."""
    at = 40.0 * np.arange(3)
    km = np.abs(at[:, None] - at[None, :])
    rejected = np.zeros(2)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        genotypes = rng.binomial(2, rng.uniform(0.2, 0.8, (600, 1, 1)), (600, 3, 12))
        counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
        row = row_of(pair_replicates(counts, np.arange(600) // 60), km, "all", np.arange(3))
        rejected += [row["p_value"] <= 0.05, row["p_value_site_effects"] <= 0.05]
    assert (rejected <= 10 + 3.5 * 3.08).all()
    assert (rejected > 0).all()


def test_table_has_a_row_for_all_and_for_units_of_three_sites():
    at = np.array([0.0, 1, 3, 7, 12])
    km = np.abs(at[:, None] - at[None, :])
    units = ["unit_2", "unit_1", "unit_1", "unit_1", "unit_2"]
    table = check_table(isolation_table(replicates_of(0.002 * km, 1e-4), km, units), "isolation_by_distance")
    assert table["scope"].tolist() == ["all", "unit_1"]
    assert table["n_sites"].tolist() == [5, 3]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_sites_give_an_empty_row(n):
    table = isolation_table(replicates_of(np.zeros((n, n))), np.ones((n, n)), ["unit_1"] * n)
    table = check_table(table, "isolation_by_distance")
    assert table["scope"].tolist() == ["all"]
    assert table["slope"].isna().all()


def test_pairs_that_no_water_joins_are_left_out():
    at = np.array([0.0, 1, 3, 7])
    km = np.abs(at[:, None] - at[None, :])
    linear = 0.002 * km
    linear[3, :3] = linear[:3, 3] = 9.0
    km[3, :3] = km[:3, 3] = np.nan
    row = row_of(replicates_of(linear, 1e-5), km, "all", np.arange(4))
    assert row["n_pairs"] == 3
    assert row["slope"] == pytest.approx(0.002)
