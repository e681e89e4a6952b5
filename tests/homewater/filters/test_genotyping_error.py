"""Genotyping error from replicates: planted errors are found, and the interval covers them."""

import numpy as np
import pytest

from homewater.filters.genotyping_error import discordance, error_by_batch, error_rate


def test_counts_leave_missing_calls_out():
    first = np.array([[0, 1], [1, -1], [2, 2], [0, 0]], np.int8)
    second = np.array([[0, 2], [2, 1], [-1, 2], [0, 1]], np.int8)
    differing, compared = discordance(first, second)
    assert (differing.tolist(), compared.tolist()) == ([1, 2], [3, 3])


def test_estimate_worked_by_hand():
    # 19 of 100 differ: 1 - sqrt(1 - 0.19) = 0.1; interval of 19/100 by Wilson .1251 .2778 (Newcombe's method 3)
    found = error_rate(np.array([19]), np.array([100]), 0.005)
    assert found["estimate"] == pytest.approx(0.1)
    assert 1 - (1 - found["ci_low"]) ** 2 == pytest.approx(0.1251, abs=5e-5)
    assert 1 - (1 - found["ci_high"]) ** 2 == pytest.approx(0.2778, abs=5e-5)
    assert (found["n_pairs"], found["n_genotypes"], found["source"]) == (1, 100, "replicates")


def test_without_replicates_the_setting_stands_without_an_interval():
    nothing = {"estimate": 0.005, "ci_low": None, "ci_high": None, "n_pairs": 0, "n_genotypes": 0, "source": "setting"}
    assert error_rate(np.array([], int), np.array([], int), 0.005) == nothing
    assert error_rate(np.array([0]), np.array([0]), 0.005) == nothing


def test_no_difference_still_has_an_upper_bound():
    found = error_rate(np.array([0, 0]), np.array([10, 10]), 0.005)
    assert (found["estimate"], found["ci_low"]) == (0, 0)
    assert found["ci_high"] == pytest.approx(1 - np.sqrt(1 - 0.1611), abs=1e-4)  # 0/20: .1611 (Newcombe 1998)


def test_a_bad_pair_among_good_ones_widens_the_interval():
    even = error_rate(np.array([20, 20, 20, 20]), np.array([1000] * 4), 0)
    uneven = error_rate(np.array([2, 2, 2, 74]), np.array([1000] * 4), 0)
    assert even["estimate"] == uneven["estimate"]
    assert uneven["ci_high"] - uneven["ci_low"] > 3 * (even["ci_high"] - even["ci_low"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_planted_error_is_found_and_covered(seed):
    rng = np.random.default_rng(seed)
    error, covered, estimates = 0.01, 0, []
    for _ in range(200):
        truth = rng.integers(0, 3, (2000, 5))
        records = [np.where(rng.random(truth.shape) < error, (truth + rng.integers(1, 3, truth.shape)) % 3, truth)
                   for _ in range(2)]  # fmt: skip
        found = error_rate(*discordance(*records), 0.5)
        estimates.append(found["estimate"])
        covered += found["ci_low"] <= error <= found["ci_high"]
    assert np.mean(estimates) == pytest.approx(error, rel=0.03)
    assert covered >= 182  # 95 % of 200 less 3 standard errors


def test_each_batch_has_the_error_of_its_own_pairs():
    differing, compared = np.array([10, 30, 4, 0]), np.array([1000, 1000, 1000, 0])
    rows = error_by_batch(differing, compared, np.array(["b", "a", "", "c"]), np.array(["b", "b", "", "c"]))
    assert [(row["batch"], row["n_pairs"], row["n_genotypes"]) for row in rows] == [("a", 1, 1000), ("b", 2, 2000)]
    alone = error_rate(differing[1:2], compared[1:2], 0.005)
    assert {key: rows[0][key] for key in ("estimate", "ci_low", "ci_high")} == {
        key: alone[key] for key in ("estimate", "ci_low", "ci_high")
    }
    assert rows[0]["ci_low"] < rows[0]["estimate"] < rows[0]["ci_high"]
    assert rows[1]["estimate"] == pytest.approx(1 - (1 - 40 / 2000) ** 0.5)
    assert error_by_batch(differing[:0], compared[:0], np.array([], str), np.array([], str)) == []
