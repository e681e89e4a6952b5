"""Dating by tract lengths: the model against a plain one of two copies, and simulated crosses of known generation."""

import itertools

import numpy as np
import pytest

from homewater.assignment.tract_lengths import (
    RATES,
    SHARES,
    copies_chance,
    copies_tables,
    group_odds,
    log_likelihoods,
    log_odds,
    mixing_age,
)
from homewater.crosses.frequency_prior import fit_prior, flat_prior
from homewater.crosses.gene_drop import draw_class_from_frequencies, transmit
from homewater.crosses.likelihood import KnownUnits
from homewater.genotypes.genetic_map import RecombinationMap
from homewater.statistics.allele_counts import AlleleCounts

ERROR = 0.002


def naive(chance, steps, rate, share):
    """The sum over every path of two separate copies, written out."""
    total = 0.0
    for paths in itertools.product(itertools.product((0, 1), repeat=len(steps)), repeat=2):
        p = 1.0
        for path in paths:
            for j, now in enumerate(path):
                fresh = share if now else 1 - share
                kept = np.exp(-rate * steps[j]) if np.isfinite(steps[j]) else 0.0
                p *= (1 - kept) * fresh + kept * (j > 0 and path[j - 1] == now)
        for j, (a, b) in enumerate(zip(*paths, strict=True)):
            p *= chance[j, a + b]
        total += p
    return np.log(total)


@pytest.mark.parametrize("seed", range(3))
def test_likelihood_equals_the_sum_over_all_paths_of_two_copies(seed):
    rng = np.random.default_rng(seed)
    steps = np.array([np.inf, 0.1, 0.02, np.inf, 0.3])
    chance = rng.uniform(0.01, 1, (5, 3))
    rates, shares = np.array([0.0, 0.5, 20.0]), np.array([0.03, 0.5, 0.8])
    found = log_likelihoods(chance, steps, rates, shares)
    expected = [[naive(chance, steps, rate, share) for share in shares] for rate in rates]
    assert found == pytest.approx(np.array(expected), rel=1e-10)


def test_an_animal_counted_in_a_unit_is_taken_out_of_it():
    """Rannala & Mountain (1997): a heterozygote left out of 10 copies of which 4 alternate, Beta(1/2, 1/2)."""
    counts = AlleleCounts(np.array([[4.0, 9.0]]), np.array([[10.0, 12.0]]))
    tables = copies_tables(KnownUnits(counts, 0.0, flat_prior(2)))
    a, b, n = 3.5, 5.5, 9.0
    found = copies_chance(tables[1], np.array([1], dtype=np.int8))[0]
    p, q = a / n, 9.5 / 13
    assert found == pytest.approx([2 * a * b / (n * (n + 1)), p * (1 - q) + q * (1 - p), 2 * 9.5 * 3.5 / (13 * 14)])
    outside = copies_chance(tables[0], np.array([2], dtype=np.int8))[0]
    p = 4.5 / 11
    assert outside == pytest.approx([4.5 * 5.5 / (11 * 12), p * q, 9.5 * 10.5 / (13 * 14)])
    assert copies_chance(tables[2], np.array([-1], dtype=np.int8)).tolist() == [[1, 1, 1]]


def stocks(seed, fst=0.15, n_markers=4000, n_reference=60):
    """A map of 20 chromosomes of 50 cM, frequencies of two stocks, and copies counted in a sample of either."""
    rng = np.random.default_rng(seed)
    at = RecombinationMap(np.sort(rng.integers(0, 20, n_markers)), rng.uniform(0, 50, n_markers))
    at = at.take(at.order())
    ancestral, scale = rng.uniform(0.05, 0.95, n_markers), (1 - fst) / fst
    frequency = [rng.beta(ancestral * scale, (1 - ancestral) * scale).clip(0.001, 0.999) for _ in range(2)]
    alternate = np.stack([rng.binomial(2 * n_reference, f) for f in frequency], axis=1).astype(float)
    return rng, at, frequency, AlleleCounts(alternate, np.full((n_markers, 2), 2.0 * n_reference))


def odds_of(dosages, at, counts):
    tables = copies_tables(KnownUnits(counts, ERROR, fit_prior(counts)))
    return group_odds(dosages, np.full(dosages.shape[1], -1), tables, at.steps_in_morgans())


def descendants(rng, at, frequency, generations, n):
    """Young of a foreign ancestor crossed once, then with locals alone: the last of `generations` generations."""
    ancestry = np.zeros((2, at.n_loci, n), dtype=np.int8)
    ancestry[1] = 1
    for _ in range(generations - 1):
        ancestry = np.stack([transmit(ancestry, at, rng), np.zeros((at.n_loci, n), dtype=np.int8)])
    return read(rng, frequency, ancestry)


def after_one_mixture(rng, at, frequency, generations, share, n):
    """Animals of a population of which a share came from elsewhere, so many generations of random mating ago."""
    fresh = rng.random((2, at.n_loci, n)) < -np.expm1((1 - generations) * at.steps_in_morgans())[:, None]
    ancestry = rng.random((2, at.n_loci, n)) < share
    for j in range(1, at.n_loci):
        ancestry[:, j] = np.where(fresh[:, j], ancestry[:, j], ancestry[:, j - 1])
    return read(rng, frequency, ancestry)


def read(rng, frequency, ancestry):
    chance = np.where(ancestry == 1, frequency[1][:, None], frequency[0][:, None])
    return (rng.random(chance.shape) < chance).sum(axis=0).astype(np.int8)


def test_pure_animals_are_not_dated():
    rng, at, frequency, counts = stocks(1)
    for name in ("pure_a", "pure_b"):
        dosages, _ = draw_class_from_frequencies(name, *frequency, at, 40, rng)
        assert mixing_age(*odds_of(dosages, at, counts)) is None


@pytest.mark.parametrize(("name", "low", "high"), [("backcross_a", 1.5, 3), ("backcross_b", 1.5, 3), ("F2", 2, 3.5),
                                                   ("second_backcross_a", 2, 4.5)])  # fmt: skip
def test_crosses_of_two_and_three_generations(name, low, high):
    rng, at, frequency, counts = stocks(2)
    dosages, _ = draw_class_from_frequencies(name, *frequency, at, 12, rng)
    age = mixing_age(*odds_of(dosages, at, counts))
    assert age.n_mixed >= 11
    assert low < age.generations < high
    assert age.ci_low < age.generations < age.ci_high
    assert age.n_first_generation == 0


def test_hybrids_of_the_first_generation_are_counted_and_do_not_date_the_others():
    rng, at, frequency, counts = stocks(3)
    first = odds_of(draw_class_from_frequencies("F1", *frequency, at, 6, rng)[0], at, counts)
    age = mixing_age(*first)
    assert (age.n_first_generation, age.generations, age.ci_high) == (6, 1, 1)
    old = odds_of(descendants(rng, at, frequency, 4, 40), at, counts)
    both = mixing_age(*(np.concatenate(parts) for parts in zip(first, old, strict=True)))
    assert both.n_first_generation == 6
    assert both.generations == pytest.approx(mixing_age(*old).generations, rel=0.02)
    assert both.ci_low > 2


def test_generations_after_one_mixture_are_found():
    """Three studies of each kind: 10 of 12 intervals hold the truth at least (95 % expected), bias below 25 %."""
    held, ratio = 0, []
    for generations, share in ((3, 0.5), (8, 0.1), (12, 0.5), (40, 0.15)):
        for seed in range(3):
            rng, at, frequency, counts = stocks(10 + seed)
            dosages = after_one_mixture(rng, at, frequency, generations, share, 20)
            age = mixing_age(*odds_of(dosages, at, counts))
            held += age.ci_low <= generations <= age.ci_high
            ratio.append(age.generations / generations)
    assert held >= 10
    assert 0.8 < np.exp(np.mean(np.log(ratio))) < 1.25


def test_little_information_is_not_taken_for_a_first_cross():
    """Few markers: animals a dozen generations after mixing half and half look like first hybrids."""
    rng, at, frequency, counts = stocks(4, fst=0.03, n_markers=900)
    age = mixing_age(*odds_of(after_one_mixture(rng, at, frequency, 12, 0.5, 60), at, counts))
    assert age.ci_high > 12


def test_the_interval_is_where_the_likelihood_falls_by_half_a_chi_square_point():
    profile = 300 - 0.5 * ((np.log1p(RATES) - np.log1p(8)) / 0.2) ** 2
    aged = np.repeat(profile[None, :, None], len(SHARES), axis=2)
    age = mixing_age(np.zeros(1), aged)
    assert np.log(age.generations) == pytest.approx(np.log(9), abs=0.01)
    assert np.log([age.ci_low, age.ci_high]) == pytest.approx(np.log(9) + 1.96 * 0.2 * np.array([-1, 1]), abs=0.02)
    assert (age.n_mixed, age.n_first_generation) == (1, 0)
    flat = mixing_age(np.full(1, 50.0), np.full_like(aged, 50.0))
    assert (flat.ci_low, flat.ci_high) == (1, np.inf)


def test_odds_decide_who_counts_as_mixed():
    steps = np.array([np.inf, *[0.01] * 9])
    first, aged = log_odds(np.tile([0.9, 0.3, 0.1], (10, 1)), steps)
    assert mixing_age(np.array([first]), aged[None]) is None
    first, aged = log_odds(np.tile([0.1, 0.9, 0.1], (10, 1)), steps)
    assert first == pytest.approx(10 * np.log(9))
    assert first > aged.max()
    assert mixing_age(np.array([first]), aged[None]).n_mixed == 1
