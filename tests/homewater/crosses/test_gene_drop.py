"""Gene drop against Mendel, Haldane's map function and a plain second version that places each exchange by itself."""

import itertools

import numpy as np
import pytest

from homewater.crosses.gene_drop import CLASSES, draw_class, draw_class_from_frequencies, draw_founders, transmit
from homewater.genotypes.genetic_map import RecombinationMap

# Chance of (no, one, two) copies from stock b at a locus, by class: Mendel's laws (Anderson & Thompson 2002, table 1).
MENDEL = {
    "pure_a": (1, 0, 0),
    "pure_b": (0, 0, 1),
    "F1": (0, 1, 0),
    "F2": (1 / 4, 1 / 2, 1 / 4),
    "backcross_a": (1 / 2, 1 / 2, 0),
    "backcross_b": (0, 1 / 2, 1 / 2),
    "second_backcross_a": (3 / 4, 1 / 4, 0),
    "second_backcross_b": (0, 1 / 4, 3 / 4),
}


def even_map(n_chromosomes: int = 3, n_loci: int = 11, cm: float = 50) -> RecombinationMap:
    return RecombinationMap(
        np.repeat(np.arange(n_chromosomes), n_loci), np.tile(np.linspace(0, cm, n_loci), n_chromosomes)
    )


def plain_gamete(parent: np.ndarray, chrom: np.ndarray, cm: np.ndarray, length: float, rng) -> np.ndarray:
    """The process itself: a Poisson number of exchanges at even places, a fair start, locus by locus."""
    gamete = np.zeros(len(chrom), dtype=int)
    for c in np.unique(chrom):
        exchanges = rng.uniform(0, length, size=rng.poisson(length / 100))
        start = rng.integers(2)
        for locus in np.flatnonzero(chrom == c):
            gamete[locus] = parent[(start + int((exchanges < cm[locus]).sum())) % 2, locus]
    return gamete


def test_recombination_equals_haldanes_function_and_the_plain_process():
    """Share of recombinants between each pair of loci: (1 - exp(-2 d)) / 2, 1/2 across chromosomes (Haldane 1919)."""
    n, recombination = 20000, even_map(2, 4, 90)
    parent = np.array([[0] * 8, [1] * 8], dtype=np.int8)
    fast = transmit(parent, recombination, np.random.default_rng(5), n=n)
    rng = np.random.default_rng(6)
    plain = np.stack(
        [plain_gamete(parent, recombination.chrom_index, recombination.position_cm, 90, rng) for _ in range(4000)],
        axis=1,
    )
    for i, j in itertools.combinations(range(8), 2):
        distance = abs(recombination.position_cm[i] - recombination.position_cm[j]) / 100
        expected = (
            0.5 * (1 - np.exp(-2 * distance)) if recombination.chrom_index[i] == recombination.chrom_index[j] else 0.5
        )
        for gametes in (fast, plain):
            error = np.sqrt(expected * (1 - expected) / gametes.shape[1])
            assert (
                abs((gametes[i] != gametes[j]).mean() - expected) < 4.5 * error
            )  # 56 comparisons: 4.5 errors, p < 1e-3


def test_loci_in_any_order_give_the_same_gametes():
    """A panel in order of rank is dropped as if it stood in map order."""
    recombination = even_map()
    shuffled = np.random.default_rng(1).permutation(recombination.n_loci)
    parent = np.arange(2 * recombination.n_loci).reshape(2, -1)
    in_order = transmit(parent, recombination, np.random.default_rng(2), n=50)
    other = transmit(parent[:, shuffled], recombination.take(shuffled), np.random.default_rng(2), n=50)
    assert np.array_equal(in_order[shuffled], other)


@pytest.mark.parametrize("class_name", CLASSES)
def test_ancestry_pairs_follow_mendel(class_name):
    """Shares of loci with 0, 1, 2 foreign copies, per class, within 4.5 standard errors at unlinked loci."""
    n, unlinked = 2000, RecombinationMap(np.arange(20), np.zeros(20))
    _, ancestry = draw_class_from_frequencies(
        class_name, np.zeros(20), np.ones(20), unlinked, n, np.random.default_rng(3)
    )
    copies = ancestry.sum(axis=0)
    for count, expected in enumerate(MENDEL[class_name]):
        error = np.sqrt(max(expected * (1 - expected), 0) / copies.size)
        assert abs((copies == count).mean() - expected) <= 4.5 * error


def test_tracts_are_as_long_as_the_map_says():
    """Ancestry switches of a backcross: one meiosis of 0.5 Morgan a chromosome, so 0.5 on average (Poisson)."""
    recombination = even_map(4, 2001, 50)
    labels, origin = draw_founders("backcross_a", recombination, 500, np.random.default_rng(4))
    first = origin[labels[0]].reshape(4, 2001, 500)
    switches = (np.diff(first, axis=1) != 0).sum(axis=1)
    assert switches.mean() == pytest.approx(0.5, abs=4.5 * np.sqrt(0.5 / switches.size))
    assert not origin[labels[1]].any()


@pytest.mark.parametrize("class_name", CLASSES)
def test_alleles_come_from_the_stock_that_the_ancestry_names(class_name):
    """Stock a carries only 0, stock b only 1: dosages are the foreign copies."""
    recombination = even_map()
    n_loci = recombination.n_loci
    a, b = np.zeros((n_loci, 6), np.int8), np.ones((n_loci, 6), np.int8)
    dosages, ancestry = draw_class(class_name, a, b, recombination, 40, np.random.default_rng(8))
    assert dosages.dtype == np.int8
    assert np.array_equal(dosages, ancestry.sum(axis=0))
    dosages, ancestry = draw_class_from_frequencies(
        class_name, np.zeros(n_loci), np.ones((n_loci, 40)), recombination, 40, np.random.default_rng(8)
    )
    assert np.array_equal(dosages, ancestry.sum(axis=0))


def test_founder_haplotypes_are_passed_on_whole_where_nothing_recombines():
    """On a map of no length every copy is one of the founders, and a pure animal never carries the same one twice."""
    still = RecombinationMap(np.zeros(12, int), np.zeros(12))
    pool = np.unpackbits(np.arange(8, dtype=np.uint8)[None, :], axis=0)[-3:].repeat(4, axis=0).astype(np.int8)
    pairs = {tuple(pool[:, i] + pool[:, j]) for i, j in itertools.combinations(range(8), 2)}
    dosages, _ = draw_class("pure_a", pool, pool[:, :0], still, 300, np.random.default_rng(9))
    assert {tuple(column) for column in dosages.T} <= pairs
    few, _ = draw_class("pure_a", pool[:, :1], pool[:, :0], still, 3, np.random.default_rng(9))
    assert np.array_equal(few, 2 * np.repeat(pool[:, :1], 3, axis=1))


def test_every_pair_of_founders_is_equally_likely():
    """Choosing without replacement favours no haplotype: counts of 6 pairs of 4 (chi-square, 5 df, p > 1e-4)."""
    still = RecombinationMap(np.arange(4), np.zeros(4))
    pool = np.eye(4, dtype=np.int8)
    dosages, _ = draw_class("pure_b", pool, pool, still, 60000, np.random.default_rng(10))
    # a pure animal is its two founders, each marked by one locus
    assert np.array_equal(dosages.sum(axis=0), np.full(60000, 2))
    counts = np.unique(dosages.T, axis=0, return_counts=True)[1]
    assert len(counts) == 6
    assert ((counts - 10000) ** 2 / 10000).sum() < 25.74


def test_frequencies_can_differ_between_animals():
    """A column of frequencies an animal is used for that animal alone."""
    recombination = even_map()
    freq = np.zeros((recombination.n_loci, 2))
    freq[:, 1] = 1
    dosages, _ = draw_class_from_frequencies("pure_a", freq, freq, recombination, 2, np.random.default_rng(11))
    assert (dosages == [0, 2]).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: draw_founders("F3", even_map(), 1, np.random.default_rng(0)), "F3"),
        (lambda: transmit(np.zeros((2, 3)), even_map(), np.random.default_rng(0)), r"\(2, 33\[, n\]\)"),
        (
            lambda: draw_class_from_frequencies(
                "F1", np.full(33, np.nan), np.zeros(33), even_map(), 1, np.random.default_rng(0)
            ),
            "must lie in",
        ),
        (
            lambda: draw_class("F1", np.zeros((33, 1)), np.zeros((33, 0)), even_map(), 1, np.random.default_rng(0)),
            "33, 0",
        ),
    ],
)
def test_wrong_arguments_are_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
