"""Unsampled origins: the ratio by hand, its distribution under sampled classes, its power, what is left alone."""

import numpy as np
import pytest
from tests.drawn_genotypes import drifted, even_map, with_errors

from homewater.assignment.unsampled_origin import (
    MIN_TYPED,
    excess_scatter,
    exclusion_markers,
    exclusion_p,
    exclusion_scores,
    exclusion_test,
    ratio_tables,
    shared_rates,
    stranger_table,
)
from homewater.crosses.frequency_prior import fit_prior, flat_prior
from homewater.crosses.likelihood import allele_share, class_list, class_table, pair_table
from homewater.crosses.odds import counts_by_unit
from homewater.crosses.simulated import PanelModel
from homewater.running.seeds import generator

TWO = class_list(2)


@pytest.fixture(scope="module")
def stocks():
    """Three stocks at F_ST 0.1, 100 animals of the first two as baseline, 400 markers not chosen by labels."""
    rng = np.random.default_rng(11)
    frequency = drifted(rng, 400, 0.1, 3)  # the third is never sampled
    baseline = with_errors(rng, rng.binomial(2, frequency[:, np.repeat([0, 1], 100)])).T
    counts = counts_by_unit(baseline, np.repeat([0, 1], 100), 2)
    return rng, frequency, np.ascontiguousarray(baseline), counts, fit_prior(*counts)


def test_ratio_has_the_mean_and_variance_that_it_is_standardised_by(stocks):
    counts, prior = stocks[3:]
    ratio, mean, variance, slope = ratio_tables(*counts, TWO, 0.01, prior)
    table = class_table(*counts, TWO, 0.01, prior)
    assert (ratio * table).sum(axis=1) == pytest.approx(mean)
    assert (ratio**2 * table).sum(axis=1) - mean**2 == pytest.approx(variance)
    stranger = stranger_table(*counts, 0.01, prior)
    assert stranger.sum(axis=1) == pytest.approx(np.ones(400))
    plain = np.log(stranger)[:, :, None] - np.log(table)  # the ratio itself, by subtraction
    assert plain == pytest.approx(ratio, abs=1e-10)
    # a unit that drifted by f from the class: both copies share the moved frequency
    f, share = 1e-5, allele_share(pair_table(*counts, prior))[:, 0]
    moved = table[:, :, 0] + f * (1 - 1.5 * 0.01) * (share * (1 - share))[:, None] * [1, -2, 1]
    beyond = (moved * ratio[:, :, 0]).sum(axis=1) - mean[:, 0]
    assert beyond / f == pytest.approx(slope[:, 0], abs=1e-8)


def test_sampled_origins_are_excluded_at_the_level_of_the_test(stocks):
    rng, frequency, _, counts, prior = stocks
    model = PanelModel(*counts, np.zeros(2), 0.005, even_map(400), np.empty((0, 400), bool), prior)
    n, nobody = 4000, np.full(4000, -1)
    for k, name in enumerate(("pure_a", "F1", "backcross_a")):
        animals = model.draw(name, 0, 1, n, generator(k, "test"))
        z, best = exclusion_scores(animals, nobody, *counts, TWO, 0.005, np.zeros(2), prior)
        own = z[:, TWO.of_pair(0, 1)[["pure_a", "pure_b", "F1", "F2", "backcross_a"].index(name)]]
        assert own.mean() == pytest.approx(0, abs=0.12)
        assert own.std() == pytest.approx(1, abs=0.12)
        assert np.mean(exclusion_p(best) < 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)
    fresh = with_errors(rng, rng.binomial(2, np.repeat(frequency[:, [0]], n, axis=1))).T
    _, best = exclusion_scores(np.ascontiguousarray(fresh), nobody, *counts, TWO, 0.005, np.zeros(2), prior)
    assert np.mean(exclusion_p(best) < 0.05) <= 0.06


def test_the_statistic_is_the_ratio_against_the_class_that_fits_best(stocks):
    """Against plain likelihoods of whole animals, one with gaps."""
    _, _, baseline, counts, prior = stocks
    some = baseline[[3, 80, 160]].copy()
    some[1, :50] = -1
    _, best = exclusion_scores(some, np.full(3, -1), *counts, TWO, 0.005, np.zeros(2), prior)
    table, stranger = class_table(*counts, TWO, 0.005, prior), stranger_table(*counts, 0.005, prior)
    for animal, found in zip(some, best, strict=True):
        loci = np.flatnonzero(animal >= 0)
        likelihood = np.log(table[loci, animal[loci]]).sum(axis=0)
        statistic = np.log(stranger[loci, animal[loci]]).sum() - likelihood.max()
        ratio = np.log(stranger[loci])[:, :, None] - np.log(table[loci])
        mean = (table[loci] * ratio).sum(axis=1)
        variance = (table[loci] * ratio**2).sum(axis=1) - mean**2
        expected = (statistic - mean.sum(axis=0)) / np.sqrt(variance.sum(axis=0))
        assert found == pytest.approx(expected, abs=1e-9)


def test_an_unsampled_stock_is_found(stocks):
    rng, frequency, baseline, _, prior = stocks
    strangers = with_errors(rng, rng.binomial(2, np.repeat(frequency[:, [2]], 1000, axis=1))).T
    both = np.concatenate([baseline, strangers])
    counted = np.concatenate([np.repeat([0, 1], 100), np.full(1000, -1)])
    p, told = exclusion_test(np.ascontiguousarray(both), counted, np.zeros(2), TWO, 0.005, prior)
    assert np.mean(p[200:] < 0.05) > 0.95
    assert np.mean(p[200:] < 0.0005) > 0.6
    assert np.mean(p[:200] < 0.05) <= 0.08  # 0.05 + 2 standard errors
    assert told["n_markers"] == 400
    assert told["scale"] >= 1


def test_baseline_animals_are_taken_out_of_their_unit_first(stocks):
    _, _, baseline, counts, prior = stocks
    unit = np.repeat([0, 1], 100)
    some = [0, 57, 150]
    z, _ = exclusion_scores(baseline, unit, *counts, TWO, 0.005, np.zeros(2), prior)
    for i in some:
        rest = np.delete(np.arange(200), i)
        left = counts_by_unit(baseline[rest], unit[rest], 2)
        alone, _ = exclusion_scores(baseline[[i]], np.array([-1]), *left, TWO, 0.005, np.zeros(2), prior)
        assert z[i] == pytest.approx(alone[0], abs=1e-10)


def test_drift_within_units_is_foreseen(stocks):
    _, _, baseline, counts, prior = stocks
    nobody = np.full(200, -1)
    without, _ = exclusion_scores(baseline, nobody, *counts, TWO, 0.005, np.zeros(2), prior)
    with_drift, _ = exclusion_scores(baseline, nobody, *counts, TWO, 0.005, np.full(2, 0.02), prior)
    assert (with_drift < without).all()


def test_few_markers_exclude_nobody_and_panel_markers_take_no_part():
    thinned = np.zeros(1000, dtype=bool)
    thinned[::2] = True
    panel = np.array([0, 2, 500])
    chosen = exclusion_markers(thinned, panel, 100)
    assert len(chosen) == 100
    assert not set(chosen) & set(panel.tolist())
    assert (np.diff(chosen) > 0).all()
    assert len(exclusion_markers(thinned, panel, 5000)) == 497
    few = np.zeros((3, 40), dtype=np.int8)
    z, best = exclusion_scores(
        few, np.full(3, -1), np.zeros((40, 2)), np.full((40, 2), 10.0), TWO, 0.005, np.zeros(2), flat_prior(2)
    )
    assert np.isnan(exclusion_p(best)).all()
    assert excess_scatter(z, np.zeros(3, int)) == (0.0, 1.0)


def test_cutoff_and_test_share_the_rate_of_false_flags():
    settings = {"false_flag_rate": 0.001, "exclusion_level": 0.001}
    assert shared_rates(settings, MIN_TYPED) == (0.0005, 0.0005)
    assert shared_rates(settings, MIN_TYPED - 1) == (0.001, 0.0)
    assert shared_rates(settings | {"exclusion_level": 0.0001}, 1000) == (0.0009, 0.0001)
