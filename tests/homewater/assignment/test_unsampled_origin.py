"""Unsampled origins: the ratio by hand, its distribution under sampled classes, its power, what is left alone."""

import numpy as np
import pytest
from tests.drawn_genotypes import drifted, even_map, with_errors

from homewater.assignment.unsampled_origin import (
    excess_scatter,
    exclusion_p,
    exclusion_scores,
    exclusion_test,
    ratio_tables,
    stranger_table,
)
from homewater.crosses.frequency_prior import fit_prior, flat_prior
from homewater.crosses.likelihood import KnownUnits, allele_share, class_list, class_table, pair_table
from homewater.crosses.odds import counts_by_unit
from homewater.crosses.simulated import PanelModel
from homewater.running.seeds import generator
from homewater.statistics.allele_counts import AlleleCounts

TWO = class_list(2)


@pytest.fixture(scope="module")
def stocks():
    """Three stocks at F_ST 0.1, 100 animals of the first two as baseline, 400 markers not chosen by labels."""
    rng = np.random.default_rng(11)
    frequency = drifted(rng, 400, 0.1, 3)  # the third is never sampled
    baseline = with_errors(rng, rng.binomial(2, frequency[:, np.repeat([0, 1], 100)])).T
    counts = counts_by_unit(baseline, np.repeat([0, 1], 100), 2)
    return rng, frequency, np.ascontiguousarray(baseline), counts, fit_prior(counts)


def test_ratio_has_the_mean_and_variance_that_it_is_standardised_by(stocks):
    counts, prior = stocks[3:]
    known = KnownUnits(counts, 0.01, prior)
    ratio, mean, variance, slope = ratio_tables(known, TWO)
    table = class_table(known, TWO)
    assert (ratio * table).sum(axis=1) == pytest.approx(mean)
    assert (ratio**2 * table).sum(axis=1) - mean**2 == pytest.approx(variance)
    stranger = stranger_table(known)
    assert stranger.sum(axis=1) == pytest.approx(np.ones(400))
    plain = np.log(stranger)[:, :, None] - np.log(table)  # the ratio itself, by subtraction
    assert plain == pytest.approx(ratio, abs=1e-10)
    # a unit that drifted by f from the class: both copies share the moved frequency
    f, share = 1e-5, allele_share(pair_table(counts, prior))[:, 0]
    moved = table[:, :, 0] + f * (1 - 1.5 * 0.01) * (share * (1 - share))[:, None] * [1, -2, 1]
    beyond = (moved * ratio[:, :, 0]).sum(axis=1) - mean[:, 0]
    assert beyond / f == pytest.approx(slope[:, 0], abs=1e-8)


def test_sampled_origins_are_excluded_at_the_level_of_the_test(stocks):
    rng, frequency, _, counts, prior = stocks
    known = KnownUnits(counts, 0.005, prior)
    model = PanelModel(known, np.zeros(2), even_map(400), np.empty((0, 400), bool))
    n, nobody = 4000, np.full(4000, -1)
    for k, name in enumerate(("pure_a", "F1", "backcross_a")):
        animals = model.draw(name, 0, 1, n, generator(k, "test"))
        z, best = exclusion_scores(animals, nobody, known, np.zeros(2), TWO)
        own = z[:, TWO.of_pair(0, 1)[["pure_a", "pure_b", "F1", "F2", "backcross_a"].index(name)]]
        assert own.mean() == pytest.approx(0, abs=0.12)
        assert own.std() == pytest.approx(1, abs=0.12)
        assert np.mean(exclusion_p(best) < 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)
    fresh = with_errors(rng, rng.binomial(2, np.repeat(frequency[:, [0]], n, axis=1))).T
    _, best = exclusion_scores(np.ascontiguousarray(fresh), nobody, known, np.zeros(2), TWO)
    assert np.mean(exclusion_p(best) < 0.05) <= 0.06


def test_the_statistic_is_the_ratio_against_the_class_that_fits_best(stocks):
    """Against plain likelihoods of whole animals, one with gaps."""
    _, _, baseline, counts, prior = stocks
    some = baseline[[3, 80, 160]].copy()
    some[1, :50] = -1
    known = KnownUnits(counts, 0.005, prior)
    _, best = exclusion_scores(some, np.full(3, -1), known, np.zeros(2), TWO)
    table, stranger = class_table(known, TWO), stranger_table(known)
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
    z, _ = exclusion_scores(baseline, unit, KnownUnits(counts, 0.005, prior), np.zeros(2), TWO)
    for i in some:
        rest = np.delete(np.arange(200), i)
        left = KnownUnits(counts_by_unit(baseline[rest], unit[rest], 2), 0.005, prior)
        alone, _ = exclusion_scores(baseline[[i]], np.array([-1]), left, np.zeros(2), TWO)
        assert z[i] == pytest.approx(alone[0], abs=1e-10)


def test_drift_within_units_is_foreseen(stocks):
    _, _, baseline, counts, prior = stocks
    nobody, known = np.full(200, -1), KnownUnits(counts, 0.005, prior)
    without, _ = exclusion_scores(baseline, nobody, known, np.zeros(2), TWO)
    with_drift, _ = exclusion_scores(baseline, nobody, known, np.full(2, 0.02), TWO)
    assert (with_drift < without).all()


def test_few_markers_exclude_nobody():
    few = np.zeros((3, 40), dtype=np.int8)
    known = KnownUnits(AlleleCounts(np.zeros((40, 2)), np.full((40, 2), 10.0)), 0.005, flat_prior(2))
    z, best = exclusion_scores(few, np.full(3, -1), known, np.zeros(2), TWO)
    assert np.isnan(exclusion_p(best)).all()
    assert excess_scatter(z, np.zeros(3, int)) == (0.0, 1.0)
