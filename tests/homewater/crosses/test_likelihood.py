"""Genotype probabilities: values by hand, against general distributions, and against refitting for every animal."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom
from tests.drawn_genotypes import with_errors

from homewater.crosses.likelihood import (
    ANCESTRY_PAIRS,
    CLASSES,
    KnownUnits,
    class_list,
    class_table,
    left_out_table,
    log_likelihoods,
    log_likelihoods_left_out,
    one_copy_each,
    pair_table,
    posterior,
    two_copy_predictive,
    unit_pairs,
    with_error,
)
from homewater.statistics.allele_counts import AlleleCounts

# Rannala & Mountain (1997) PNAS 94:9197-9201, Dirichlet(1/2, 1/2): copies (first, second allele), P(11), P(12), P(22).
# Fractions recomputed by exact arithmetic from the paper's formula.
PREDICTIVE = [
    ((0, 0), (3 / 8, 1 / 4, 3 / 8)),
    ((10, 0), (161 / 176, 7 / 88, 1 / 176)),
    ((7, 3), (85 / 176, 35 / 88, 21 / 176)),
    ((19, 1), (533 / 616, 39 / 308, 5 / 616)),
    ((40, 0), (2241 / 2296, 27 / 1148, 1 / 2296)),
]


@pytest.mark.parametrize(("copies", "expected"), PREDICTIVE)
def test_predictive_equals_the_papers_formula_worked_by_hand(copies, expected):
    first, second = copies
    table = pair_table(AlleleCounts(np.array([[second]]), np.array([[first + second]])))[0, :, 0]
    assert table == pytest.approx(expected, abs=1e-14)


@given(st.integers(0, 400), st.integers(0, 400))
def test_predictive_is_the_beta_binomial_of_two_draws(alternate, reference):
    # scipy.stats.betabinom, an independent implementation
    table = pair_table(AlleleCounts(np.array([[alternate]]), np.array([[alternate + reference]])))[0, :, 0]
    assert table == pytest.approx(betabinom(2, alternate + 0.5, reference + 0.5).pmf([0, 1, 2]), rel=1e-10)


def test_posterior_of_two_samples_by_hand():
    # copies (18, 2) against (4, 16), equal prior; exact fractions
    table = pair_table(AlleleCounts(np.array([[2, 16]]), np.array([[20, 20]])))[0][:, :2]
    assert table[1] == pytest.approx([185 / 924, 9 / 28])
    assert posterior(np.log(table[1]), np.ones(2))[0] == pytest.approx(0.383817, abs=5e-7)
    assert table[0] == pytest.approx([481 / 616, 3 / 56])
    assert posterior(np.log(table[0]), np.ones(2))[0] == pytest.approx(481 / 514)


def test_plain_frequencies_are_reached_with_many_copies():
    # plain-frequency criterion, p = (.9, .8, .6), q = (.2, .3, .5), dosages (2, 1, 0): .041472 against .0042, exact
    many = 10_000_000
    frequency = np.array([[0.9, 0.2], [0.8, 0.3], [0.6, 0.5]])
    table = pair_table(AlleleCounts(frequency * many, np.full((3, 2), many)))[:, :, :2]
    found = log_likelihoods(np.array([[2, 1, 0]], dtype=np.int8), table)[0]
    assert np.exp(found) == pytest.approx([0.041472, 0.0042], rel=1e-5)
    assert (found[0] - found[1]) / np.log(10) == pytest.approx(0.994506, abs=2e-5)
    assert posterior(found, np.ones(2))[0] == pytest.approx(0.908040, abs=2e-5)


# Genotype probabilities of the classes for p_A = .9, p_B = .2, (11, 12, 22): Anderson & Thompson (2002) Genetics
# 160:1217-1229 for the ancestry pairs; fractions by Mendel's rules.
BY_CLASS = {
    "pure_a": (81 / 100, 9 / 50, 1 / 100),
    "pure_b": (1 / 25, 8 / 25, 16 / 25),
    "F1": (9 / 50, 37 / 50, 2 / 25),
    "F2": (121 / 400, 99 / 200, 81 / 400),
    "backcross_a": (99 / 200, 23 / 50, 9 / 200),
    "backcross_b": (11 / 100, 53 / 100, 9 / 25),
}


@pytest.mark.parametrize("name", BY_CLASS)
def test_genotypes_of_classes_by_mendels_rules(name):
    many = 1e9
    alternate = np.array([[0.1, 0.8]]) * many  # the first allele is the reference here
    classes = class_list(2)
    table = class_table(KnownUnits(AlleleCounts(alternate, np.full((1, 2), many)), 0), classes)[0][
        :, classes.of_pair(0, 1)
    ]
    assert table[:, CLASSES.index(name)] == pytest.approx(BY_CLASS[name], abs=1e-8)


def test_ancestry_pairs_follow_from_crossing_the_classes():
    """Cross parents by hand: a class is its parents' gametes, a gamete takes each copy with chance one half."""
    gamete = {"pure_a": 1.0, "pure_b": 0.0}  # chance that a gamete carries ancestry of a
    for name, parents in (
        ("F1", ("pure_a", "pure_b")),
        ("F2", ("F1", "F1")),
        ("backcross_a", ("F1", "pure_a")),
        ("backcross_b", ("F1", "pure_b")),
        ("second_backcross_a", ("backcross_a", "pure_a")),
        ("second_backcross_b", ("backcross_b", "pure_b")),
    ):
        x, y = (gamete[p] for p in parents)
        pairs = [x * y, x * (1 - y) + y * (1 - x), (1 - x) * (1 - y)]
        assert ANCESTRY_PAIRS[CLASSES.index(name)] == pytest.approx(pairs)
        gamete[name] = pairs[0] + pairs[1] / 2


@given(st.integers(1, 5), st.integers(0, 2**31), st.floats(0, 0.3))
def test_tables_sum_to_one(n_units, seed, error):
    rng = np.random.default_rng(seed)
    copies = 2 * rng.integers(0, 60, (4, n_units))
    alternate = rng.integers(0, copies + 1)
    table = class_table(KnownUnits(AlleleCounts(alternate, copies), error), class_list(n_units))
    assert table.sum(axis=1) == pytest.approx(np.ones((4, table.shape[2])))
    assert (table > 0).all()


@pytest.mark.parametrize("n_units", [1, 2, 3, 5])
def test_class_list_holds_every_class_once(n_units):
    classes = class_list(n_units)
    n_pairs = n_units * (n_units - 1) // 2
    assert len(classes.kind) == n_units + 6 * n_pairs
    assert classes.weights.sum(axis=0) == pytest.approx(np.ones(len(classes.kind)))
    seen = set()
    for a, b in itertools.permutations(range(n_units), 2):
        rows = classes.of_pair(a, b)
        share = classes.weights[:, rows]
        pairs = unit_pairs(n_units)
        place = [pairs.index((a, a)), pairs.index((min(a, b), max(a, b))), pairs.index((b, b))]
        np.testing.assert_allclose(share[place].T, ANCESTRY_PAIRS)
        seen |= set(rows.tolist())
    assert not seen or seen == set(range(len(classes.kind)))


@pytest.mark.parametrize("seed", [0, 1])
def test_taking_an_animal_out_equals_refitting_without_it(seed):
    rng = np.random.default_rng(seed)
    unit = rng.integers(0, 3, 24)
    dosages = with_errors(rng, rng.integers(0, 3, (24, 15)), missing=0.15)
    classes, error = class_list(3), 0.01

    def known(rows):
        alternate, copies = np.zeros((15, 3)), np.zeros((15, 3))
        for i in rows:
            for locus, g in enumerate(dosages[i]):
                if g >= 0:
                    alternate[locus, unit[i]] += g
                    copies[locus, unit[i]] += 2
        return KnownUnits(AlleleCounts(alternate, copies), error)

    found = log_likelihoods_left_out(dosages, unit, known(range(24)), classes)
    for i in range(24):
        table = class_table(known([j for j in range(24) if j != i]), classes)
        naive = [sum(np.log(table[k, g, c]) for k, g in enumerate(dosages[i]) if g >= 0) for c in range(table.shape[2])]
        assert found[i] == pytest.approx(naive, abs=1e-10)
    outside = log_likelihoods_left_out(dosages, np.full(24, -1), known(range(24)), classes)
    assert outside == pytest.approx(log_likelihoods(dosages, class_table(known(range(24)), classes)))
    assert (found[np.arange(24), unit] < outside[np.arange(24), unit]).all()  # leaving it in flatters its own unit


def test_sizes_are_heads_of_the_list_and_missing_counts_as_one():
    rng = np.random.default_rng(3)
    table = rng.dirichlet([1, 1, 1], (9, 4)).transpose(0, 2, 1)
    dosages = rng.integers(-1, 3, (5, 9)).astype(np.int8)
    by_size = log_likelihoods(dosages, table, [2, 5, 5, 9])
    for s, size in enumerate([2, 5, 5, 9]):
        assert by_size[:, s] == pytest.approx(log_likelihoods(dosages[:, :size], table[:size]))
    assert (log_likelihoods(np.full((2, 9), -1, dtype=np.int8), table) == 0).all()
    assert log_likelihoods(np.empty((3, 0), dtype=np.int8), table[:0]).shape == (3, 4)


def test_error_turns_a_call_into_either_of_the_others():
    table = with_error(np.array([[[1.0], [0.0], [0.0]]]), 0.02)
    assert table[0, :, 0] == pytest.approx([0.98, 0.01, 0.01])


def test_predictives_agree_at_their_common_limit():
    share = np.array([0.0, 0.25, 1.0])
    many = 1e12
    assert one_copy_each(share, share) == pytest.approx(two_copy_predictive(share * many, (1 - share) * many), abs=1e-9)


def test_left_out_table_of_an_absent_animal_is_finite():
    table = left_out_table(KnownUnits(AlleleCounts(np.zeros((1, 2)), np.zeros((1, 2))), 0.01), 0, class_list(2))
    assert np.isfinite(np.log(table)).all()
