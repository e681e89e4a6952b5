"""The fitted prior: recovers what was simulated, ties units together, undoes what the choice of markers overstates."""

import numpy as np
import pytest
from scipy.special import betaln
from tests.drawn_genotypes import drifted

from homewater.crosses.frequency_prior import FrequencyPrior, ancestral_posterior, fit_prior, flat_prior
from homewater.crosses.likelihood import allele_share, pair_table
from homewater.statistics.allele_counts import AlleleCounts


@pytest.mark.parametrize("fst", [0.02, 0.1, 0.2])
def test_drift_of_simulated_units_is_recovered(fst):
    rng = np.random.default_rng(1)
    copies = np.full((4000, 3), 120.0)
    prior = fit_prior(AlleleCounts(rng.binomial(120, drifted(rng, 4000, fst, 3)).astype(float), copies))
    assert prior.drift == pytest.approx(np.full(3, fst), rel=0.25)
    assert prior.weight.sum() == pytest.approx(1)
    assert prior.ancestral @ prior.weight == pytest.approx(0.5, abs=0.02)


def test_posterior_of_the_ancestor_equals_the_formula_written_out():
    rng = np.random.default_rng(2)
    prior = FrequencyPrior(np.array([0.1, 0.4, 0.8]), np.array([0.2, 0.5, 0.3]), np.array([0.05, 0.3]))
    copies = np.array([[20.0, 30], [0, 10], [6, 6]])
    alternate = np.floor(copies * rng.random(copies.shape))
    found = ancestral_posterior(AlleleCounts(alternate, copies), prior)
    for locus in range(3):
        weight = []
        for x, w in zip(prior.ancestral, prior.weight, strict=True):
            log = np.log(w)
            for u, f in enumerate(prior.drift):
                a, b = x * (1 - f) / f, (1 - x) * (1 - f) / f
                log += betaln(alternate[locus, u] + a, copies[locus, u] - alternate[locus, u] + b) - betaln(a, b)
            weight.append(np.exp(log))
        assert found[locus] == pytest.approx(np.array(weight) / sum(weight))


def test_predictive_averages_over_ancestors_and_keeps_units_tied_together():
    prior = FrequencyPrior(np.array([0.2, 0.8]), np.array([0.5, 0.5]), np.array([0.1, 0.1]))
    nothing = np.zeros((1, 2))
    table = pair_table(AlleleCounts(nothing, nothing), prior)[0]
    # no counts: both copies of one unit by the beta-binomial, copies of two units tied by their ancestor alone
    assert table[2, 2] == pytest.approx(0.5 * (0.2**2 + 0.8**2))
    assert table[2, 0] == pytest.approx(np.mean([x * x + 0.1 * x * (1 - x) for x in (0.2, 0.8)]))
    assert table.sum(axis=0) == pytest.approx(np.ones(3))
    seen = pair_table(AlleleCounts(np.array([[0.0, 30]]), np.array([[0.0, 30]])), prior)
    assert allele_share(seen)[0, 0] == pytest.approx(0.8, abs=0.01)  # unit 0 was not sampled; its sister tells


def test_frequencies_of_chosen_markers_are_pulled_together_by_what_the_choice_overstates():
    overstated, corrected = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        frequency = drifted(rng, 4000, 0.05)
        sample, copies = rng.binomial(60, frequency).astype(float), np.full((4000, 2), 60.0)
        best = np.argsort(-np.abs(sample[:, 0] - sample[:, 1]), kind="stable")[:84]
        sign = np.sign(sample[best, 0] - sample[best, 1])
        truth = (sign * (frequency[best, 0] - frequency[best, 1])).mean()
        for prior, errors in ((flat_prior(2), overstated), (fit_prior(AlleleCounts(sample, copies)), corrected)):
            share = allele_share(pair_table(AlleleCounts(sample[best], copies[best]), prior))
            errors.append((sign * (share[:, 0] - share[:, 1])).mean() - truth)
    assert np.mean(overstated) > 0.05
    assert abs(np.mean(corrected)) < 0.01


def test_fit_starts_anywhere_and_takes_anything():
    rng = np.random.default_rng(3)
    counts = AlleleCounts(rng.binomial(100, drifted(rng, 3000, 0.1)).astype(float), np.full((3000, 2), 100.0))
    whole = fit_prior(counts)
    again = fit_prior(counts, start=whole)
    assert again.drift == pytest.approx(whole.drift, rel=0.1)
    assert FrequencyPrior.from_record(whole.as_record()).weight.tolist() == whole.weight.tolist()
    assert fit_prior(AlleleCounts(np.empty((0, 2)), np.empty((0, 2)))).drift.tolist() == [0.5, 0.5]
    unseen = fit_prior(AlleleCounts(np.zeros((5, 2)), np.zeros((5, 2))))
    assert np.isfinite(unseen.weight).all()
