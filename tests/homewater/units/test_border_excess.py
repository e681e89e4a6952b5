"""What a border adds beyond distance and units: hand-worked figures, a slow version, and simulated coasts."""

from itertools import combinations

import numpy as np
import pytest

from homewater.units.border_excess import excess_across, pair_residuals
from homewater.units.replicates import Replicates, pair_replicates
from homewater.units.variance_shares import border_rank

CHAIN = np.array([[0, 1], [1, 2], [2, 3]])
KM = np.abs(np.subtract.outer(*[10.0 * np.arange(4)] * 2))
HALVES = np.array([0, 0, 1, 1])


def replicates_of(matrix, n_blocks=4):
    """The same figures in every replicate: no error."""
    linear = np.repeat(np.asarray(matrix, float)[None], n_blocks + 1, axis=0)
    return Replicates(linear, linear, np.full(n_blocks, 10))


def across(group, size):
    group = np.asarray(group)
    return size * (group[:, None] != group[None, :])


def test_a_step_on_a_gradient_by_hand():
    # One unit at 0, 10, 20, 30 km, 0.001 a km and a step of 0.02 in the middle. The line takes the gradient and, of the
    # step, 0.0008 a km; the residuals of pairs 01 02 03 12 13 23 are -.4 .2 -.2 .6 .2 -.4 times 0.02 (worked by hand).
    replicates = replicates_of(0.001 * KM + across(HALVES, 0.02))
    residuals = pair_residuals(replicates, KM, ["unit_1"] * 4)
    assert residuals.values[0] == pytest.approx(0.02 * np.array([-0.4, 0.2, -0.2, 0.6, 0.2, -0.4]))
    assert excess_across(residuals, HALVES) == pytest.approx([0.012] * 5)
    row = border_rank(HALVES, CHAIN, residuals, replicates)
    assert row["beyond_units_fst"] == pytest.approx(0.012 / 1.012)
    assert row["beyond_ci_low"] == row["beyond_ci_high"] == pytest.approx(0.012 / 1.012)
    assert (row["rank_among_placements"], row["n_placements"]) == (1, 3)
    # a border at the end of the coast: pairs across 01 02 03 (mean -0.4/3), on one side 12 13 23 (mean 0.4/3)
    end = border_rank(np.array([0, 1, 1, 1]), CHAIN, residuals, replicates)
    assert end["beyond_units_fst"] == pytest.approx(-0.016 / 3 / (1 - 0.016 / 3))
    assert end["rank_among_placements"] == 2  # the other end is its mirror image: equal, so not larger


def test_a_mere_gradient_leaves_nothing():
    residuals = pair_residuals(replicates_of(0.003 + 0.001 * KM), KM, ["unit_1"] * 4)
    assert residuals.values == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("unit", "km", "left"),
    [
        (["unit_1", "unit_1", "unit_2", "unit_2"], KM, [-0.005, 0.005]),  # two pairs: 01 and 23
        (["unit_1", "unit_2", "unit_1", "unit_1"], 7.0 * (KM > 0), [-0.01 / 3, -0.01 / 3, 0.02 / 3]),  # one distance
    ],
)
def test_without_a_slope_the_mean_is_subtracted(unit, km, left):
    matrix = np.zeros((4, 4))
    matrix[2, 3] = matrix[3, 2] = 0.01
    assert pair_residuals(replicates_of(matrix), km, unit).values[0] == pytest.approx(left)


def test_pairs_of_two_units_and_pairs_without_a_way_by_water_are_left_out():
    km = KM.copy()
    km[0, 1] = km[1, 0] = np.nan
    residuals = pair_residuals(replicates_of(KM), km, ["unit_1"] * 3 + ["unit_2"])
    assert list(zip(residuals.first, residuals.second, strict=True)) == [(0, 2), (1, 2)]


@pytest.mark.parametrize("seed", range(5))
def test_residuals_equal_those_of_a_fitted_line_pair_by_pair(seed):
    """Second version: numpy's polynomial fit, replicate by replicate."""
    rng = np.random.default_rng(seed)
    n, unit = 7, [f"unit_{k}" for k in np.random.default_rng(seed).integers(1, 3, 7)]
    at = rng.uniform(0, 300, n)
    km = np.abs(at[:, None] - at[None, :])
    linear = rng.normal(0, 1, (4, n, n)) + km
    linear = linear + linear.transpose(0, 2, 1)
    group = rng.integers(0, 3, n)
    pairs = [(i, j) for i, j in combinations(range(n), 2) if unit[i] == unit[j]]
    slow = []
    for matrix in linear:
        y, x = np.array([matrix[p] for p in pairs]), np.array([km[p] for p in pairs])
        rest = y - np.polyval(np.polyfit(x, y, 1), x)
        apart = np.array([group[i] != group[j] for i, j in pairs])
        slow.append(rest[apart].mean() - rest[~apart].mean())
    residuals = pair_residuals(Replicates(linear, linear, np.full(3, 5)), km, unit)
    assert excess_across(residuals, group) == pytest.approx(slow)


def test_a_border_along_the_line_between_units_has_nothing_of_its_own():
    replicates = replicates_of(0.001 * KM + across(HALVES, 0.1))
    residuals = pair_residuals(replicates, KM, ["unit_1", "unit_1", "unit_2", "unit_2"])
    assert border_rank(HALVES, CHAIN, residuals, replicates) == {}
    # and where it divides a unit, the line between the units is no placement to compare with
    row = border_rank(np.array([0, 1, 1, 1]), CHAIN, residuals, replicates)
    assert row["n_placements"] == 2


def test_one_unit_of_one_site_a_side_cannot_be_compared():
    replicates = replicates_of(np.zeros((2, 2)))
    residuals = pair_residuals(replicates, KM[:2, :2], ["unit_1"] * 2)
    assert border_rank(np.array([0, 1]), CHAIN[:1], residuals, replicates) == {}


def coast(seed, step_at=None, size=0.0, n_sites=10, n_markers=600, n_animals=25):
    """Counts of sites 40 km apart whose frequencies wander along the coast, with one larger step if wanted."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(0, 0.02, (n_markers, n_sites - 1))
    if step_at is not None:
        steps[:, step_at] += rng.normal(0, size, n_markers)
    p = rng.uniform(0.3, 0.7, (n_markers, 1)) + np.concatenate([np.zeros((n_markers, 1)), steps], axis=1).cumsum(axis=1)
    genotypes = rng.binomial(2, np.clip(p, 0.02, 0.98)[:, :, None], (n_markers, n_sites, n_animals))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    replicates = pair_replicates(counts, np.arange(n_markers) // 60)
    at = 40.0 * np.arange(n_sites)
    edges = np.stack([np.arange(n_sites - 1), np.arange(1, n_sites)], axis=1)
    return replicates, np.abs(at[:, None] - at[None, :]), edges


def test_a_border_in_the_middle_of_a_gradient_ranks_first_no_more_often_than_chance():
    """40 seeds, 9 placements: 40/9 = 4.4 firsts by chance; 10 or more have a chance of 1.2 % (binomial)."""
    border, ranks, covered = np.array([0] * 5 + [1] * 5), [], []
    for seed in range(40):
        replicates, km, edges = coast(seed)
        row = border_rank(border, edges, pair_residuals(replicates, km, ["unit_1"] * 10), replicates)
        assert row["n_placements"] == 9
        ranks.append(row["rank_among_placements"])
        covered.append(row["beyond_ci_low"] <= 0 <= row["beyond_ci_high"])
    assert ranks.count(1) < 10
    assert 3.5 < np.mean(ranks) < 6.5  # 5 by chance, standard error 0.41
    assert np.mean(covered) >= 0.85  # 0.95 by chance; 34 or more of 40 with a chance of 98.6 %


@pytest.mark.parametrize("seed", range(10))
def test_a_step_planted_at_the_border_inside_one_unit_ranks_first(seed):
    replicates, km, edges = coast(seed, step_at=3, size=0.06)
    residuals = pair_residuals(replicates, km, ["unit_1"] * 10)
    row = border_rank(np.array([0] * 4 + [1] * 6), edges, residuals, replicates)
    assert row["rank_among_placements"] == 1
    assert row["beyond_ci_low"] > 0
    assert border_rank(np.array([0] * 8 + [1] * 2), edges, residuals, replicates)["rank_among_placements"] > 1


def test_a_planted_step_is_seen_beside_a_larger_one_between_units():
    replicates, km, edges = coast(1, step_at=6, size=0.3)
    step = across(np.array([0] * 3 + [1] * 7), 0.01)
    replicates = Replicates(replicates.linear + step, replicates.drift, replicates.weights)
    residuals = pair_residuals(replicates, km, ["unit_1"] * 7 + ["unit_2"] * 3)
    row = border_rank(np.array([0] * 3 + [1] * 7), edges, residuals, replicates)
    assert (row["rank_among_placements"], row["n_placements"]) == (1, 8)
