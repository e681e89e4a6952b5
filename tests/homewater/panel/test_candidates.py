"""Choice of markers: against a naive greedy choice, spacing, balance over pairs of units."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.drawn_genotypes import Arrays, positions, with_errors

from homewater.crosses.frequency_prior import fit_prior
from homewater.crosses.likelihood import pair_table
from homewater.panel.candidates import (
    AHEAD,
    BlockLimit,
    block_of_markers,
    candidates,
    falling,
    for_prior,
    random_markers,
    rank_markers,
)
from homewater.statistics.allele_counts import AlleleCounts


def differences(frequency):
    """Worth of markers by the plainest of scores, one row a pair of units."""
    return np.array([np.abs(frequency[:, a] - frequency[:, b]) for a, b in combinations(range(frequency.shape[1]), 2)])


def naive_choice(frequency, candidate, chrom, pos, n, spacing):
    """Two units: look through all markers again for each one taken."""
    chosen = []
    while len(chosen) < n:
        free = [
            m for m in range(len(pos)) if candidate[m] and m not in chosen
            and all(chrom[m] != chrom[c] or abs(int(pos[m]) - int(pos[c])) >= spacing for c in chosen)
        ]  # fmt: skip
        if not free:
            break
        chosen.append(max(free, key=lambda m: (abs(frequency[m, 0] - frequency[m, 1]), -m)))
    return chosen


@pytest.mark.parametrize("spacing", [0, 400_000, 3_000_000])
@pytest.mark.parametrize("seed", [0, 1])
def test_choice_for_two_units_equals_the_naive_one(seed, spacing):
    rng = np.random.default_rng(seed)
    frequency = np.round(rng.random((120, 2)), 1)  # many ties
    candidate = rng.random(120) < 0.7
    chrom, pos = positions(120, 3)
    found = rank_markers(differences(frequency), candidate, chrom, pos, 30, spacing)
    assert found.tolist() == naive_choice(frequency, candidate, chrom, pos, 30, spacing)


def test_spacing_that_refuses_most_of_the_best_reaches_beyond_them():
    # all of the best lie on one chromosome within the spacing; the choice must go on past what it had put in order
    n = 3 * AHEAD
    frequency = np.stack([np.zeros(n), np.linspace(1, 0.01, n)], axis=1)
    chrom, pos = np.array(["1"] * (n - 1) + ["2"]), np.arange(n) + 1
    found = rank_markers(differences(frequency), np.ones(n, bool), chrom, pos, 2, n)
    assert found.tolist() == [0, n - 1] == naive_choice(frequency, np.ones(n, bool), chrom, pos, 2, n)


def test_prior_takes_back_what_a_filter_of_rare_alleles_took():
    reasons = ["", "minor_allele_frequency", "minor_allele_frequency", "minor_allele_count", "call_rate", "monomorphic"]
    markers = pd.DataFrame({"reason": reasons, "minor_allele_frequency": [0.3, 0.04, 0.009, 0.01, 0.2, 0.0]})
    kept = np.array([True, False, False, False, False, False])
    assert for_prior(markers, kept).tolist() == [True, True, False, True, False, False]


def test_prior_with_rare_alleles_put_back_foretells_better():
    # drift 0.05 from ancestral frequencies that are mostly low; 300 of the markers that a filter at 0.1 leaves are
    # chosen for their difference, and fresh animals of both units and F1 are foretold
    rng = np.random.default_rng(9)
    ancestral = 0.02 * 25 ** rng.random((6000, 1))
    p = rng.beta(ancestral * 19, (1 - ancestral) * 19, (6000, 2))
    counts, dosages = np.zeros((6000, 2, 4), dtype=int), rng.binomial(2, p[:, :, None], (6000, 2, 100))
    for g in range(3):
        counts[:, :, g] = (dosages == g).sum(axis=2)
    frequency = AlleleCounts.of_genotypes(counts.sum(axis=1)).frequency
    minor = np.minimum(frequency, 1 - frequency)
    differ = np.where(minor >= 0.1, np.abs(np.subtract(*AlleleCounts.of_genotypes(counts).frequency.T)), 0)
    chosen = np.argsort(-differ)[:300]
    fresh = [rng.binomial(1, p[chosen][:, pair], (500, 300, 2)).sum(axis=2) for pair in ([0, 0], [1, 1], [0, 1])]

    def told(least):
        prior = fit_prior(AlleleCounts.of_genotypes(counts[minor >= least]), most_markers=6000)
        table = np.log(pair_table(AlleleCounts.of_genotypes(counts[chosen]), prior))
        return np.mean([table[np.arange(300), d, pair].sum() for pair, of in enumerate(fresh) for d in of])

    assert told(0.01) > told(0.1)


@given(st.lists(st.integers(0, 5), max_size=30), st.integers(0, 40))
def test_falling_is_the_head_of_the_whole_order(values, n):
    worth = np.array(values, dtype=float)
    whole = sorted(range(len(values)), key=lambda place: (-values[place], place))
    found = falling(worth, n)
    assert len(found) >= min(n, len(values))
    assert found.tolist() == whole[: len(found)]


@given(st.integers(2, 4), st.integers(0, 1000), st.integers(0, 5_000_000))
def test_choice_keeps_its_promises(n_units, seed, spacing):
    rng = np.random.default_rng(seed)
    frequency, candidate = rng.random((60, n_units)), rng.random(60) < 0.8
    chrom, pos = positions(60, 4)
    found = rank_markers(differences(frequency), candidate, chrom, pos, 20, spacing)
    assert len(set(found.tolist())) == len(found) <= 20
    assert candidate[found].all()
    for i, a in enumerate(found):
        assert all(chrom[a] != chrom[b] or abs(pos[a] - pos[b]) >= spacing for b in found[:i])
    shorter = rank_markers(differences(frequency), candidate, chrom, pos, 7, spacing)
    assert found[: len(shorter)].tolist() == shorter.tolist()
    drawn = random_markers(candidate, chrom, pos, 20, spacing, rng)
    assert candidate[drawn].all()
    assert len(set(drawn.tolist())) == len(drawn)


def test_no_pair_is_sacrificed_for_an_easier_one():
    # units 0 and 1 differ little, unit 2 much from both: difference alone would never take markers for the close pair
    rng = np.random.default_rng(5)
    close = np.clip(0.5 + rng.normal(0, 0.06, (400, 1)), 0.05, 0.95)
    frequency = np.concatenate([close, close + rng.normal(0, 0.1, (400, 1)), rng.random((400, 1))], axis=1)
    chrom, pos = positions(400)
    chosen = rank_markers(differences(frequency), np.ones(400, bool), chrom, pos, 40, 0)
    worst = np.abs(frequency[:, 0] - frequency[:, 1])
    easy = np.abs(frequency - frequency[:, [2]]).max(axis=1)
    assert worst[chosen].sum() > 1.5 * worst[np.argsort(-easy)[:40]].sum()
    assert worst[chosen].sum() > 0.95 * np.sort(worst)[-40:].sum()  # all that can be had


def test_counts_frequencies_and_call_rates_equal_plain_counting():
    rng = np.random.default_rng(2)
    dosages = with_errors(rng, rng.integers(0, 3, (50, 30)), missing=0.2)
    dosages[7] = -1
    unit = rng.integers(-1, 2, 30)
    counts = Arrays(dosages).genotype_counts(unit, 2)
    alleles = AlleleCounts.of_genotypes(counts)
    for u in range(2):
        here = dosages[:, unit == u]
        assert alleles.alternate[:, u].tolist() == [sum(g for g in row if g > 0) for row in here.tolist()]
        assert alleles.copies[:, u].tolist() == [2 * sum(g >= 0 for g in row) for row in here.tolist()]
        share = (here >= 0).mean(axis=1)
        assert (candidates(counts, np.ones(50, bool), 0.8) <= (share >= 0.8)).all()
    assert not candidates(counts, np.ones(50, bool), 0.0)[7]
    assert np.isnan(alleles.frequency[7]).all()
    assert candidates(counts, np.zeros(50, bool), 0.0).sum() == 0


@pytest.mark.parametrize("most", [0, 1, 2, 5])
def test_no_more_than_so_many_markers_of_one_block_are_taken(most):
    rng = np.random.default_rng(most)
    chrom, pos = np.repeat(["a", "b"], 100), np.tile(np.arange(100) * 1000 + 1, 2)
    blocks = pd.DataFrame({"chrom": ["a", "b"], "start": [1, 20_001], "end": [30_000, 40_000]})
    block = block_of_markers(chrom, pos, blocks)
    assert np.bincount(block + 1).tolist() == [150, 30, 20]
    assert block[[0, 29, 30, 120, 139, 140]].tolist() == [0, 0, -1, 1, 1, -1]
    worth = rng.uniform(0.1, 0.2, (1, 200))
    worth[0, block >= 0] += 1  # the block's markers would all come first
    found = rank_markers(worth, np.ones(200, bool), chrom, pos, 40, 0, BlockLimit(block, most))
    assert len(found) == 40
    assert np.bincount(block[found] + 1, minlength=3)[1:].tolist() == [most, most]
    assert (block[found[: 2 * most]] >= 0).all()
    drawn = random_markers(np.ones(200, bool), chrom, pos, 150, 0, rng, BlockLimit(block, most))
    assert np.bincount(block[drawn] + 1, minlength=3)[1:].max() <= most
