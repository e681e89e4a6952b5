"""Axes beyond chance: the rate of false ones with and without structure, on short maps too, and a second version."""

import numpy as np
import pytest
from scipy import stats
from tests.drawn_genotypes import drawn_dosages

from homewater.invented.stocks import StockModel, simulate_chromosome
from homewater.structure import axis_test
from homewater.structure.relationship import BLOCK, pair_sums, relationship_matrix


def halves_of(dosages, second):
    everyone = np.ones(dosages.shape[1], dtype=bool)
    blocks = [[half[i : i + BLOCK] for i in range(0, len(half), BLOCK)] for half in (dosages[~second], dosages[second])]
    one, other = (relationship_matrix(of_half, everyone) for of_half in blocks)
    return one, other


def p_of(dosages, second, n_axes=6, seed=0):
    return axis_test.axis_p_values([halves_of(dosages, second)], n_axes, np.random.default_rng(seed))


def p_drawn_halves(seed, sizes, n_markers, fst):
    return halves_of(drawn_dosages(seed, sizes, n_markers, fst=fst), np.arange(n_markers) % 2 == 0)


def p_drawn(seed, sizes, n_markers, fst):
    return p_of(drawn_dosages(seed, sizes, n_markers, fst=fst), np.arange(n_markers) % 2 == 0)


def beyond(p_values):
    return int(axis_test.axes_beyond_chance(p_values).sum())


def most(n, level=0.05):
    """Count that is exceeded by chance in one test of 1,000."""
    return stats.binom.ppf(0.999, n, level)


def test_one_population_shows_an_axis_in_one_study_of_twenty():
    p = np.array([p_drawn(seed, [40], 600, 0)[0] for seed in range(200)])
    assert 2 <= (p <= 0.05).sum() <= most(200)
    assert (p <= 0.01).sum() <= most(200, 0.01)


@pytest.mark.parametrize("sizes", [[25, 25], [40, 10], [10, 30, 10]])
def test_groups_give_their_axes_and_one_too_many_in_one_study_of_twenty(sizes):
    """F_ST 0.1 between groups, of unequal size and drift too; 100 studies each."""
    found = np.array([beyond(p_drawn(seed, sizes, 2000, 0.1)) for seed in range(100)])
    assert (found >= len(sizes) - 1).all()
    assert (found >= len(sizes)).sum() <= most(100)


def test_chromosomes_inherited_nearly_whole_do_not_pass_for_structure():
    """One population by coalescence, eight chromosomes of 5 cM, 40 animals; 60 studies."""
    model, p = StockModel((0,), 2000, 0.0, 0, 2000, panmictic=True), []
    for seed in range(60):
        seeds = [(100 * seed + c + 1, 100 * seed + c + 30, 100 * seed + c + 60) for c in range(8)]
        copies = [simulate_chromosome(model, [80], 60, 5_000_000, 1.0, of)[1] for of in seeds]
        second = np.repeat(np.arange(8) % 2 == 0, [len(c) for c in copies])
        alleles = np.concatenate(copies)
        p.append(p_of((alleles[:, 0::2] + alleles[:, 1::2]).astype(np.int8), second)[0])
    assert (np.array(p) <= 0.05).sum() <= most(60)


def test_animals_that_are_inbred_or_badly_typed_make_no_axis():
    """A quarter of the animals wholly homozygous and another quarter with six of ten genotypes missing; 60 studies."""
    p = []
    for seed in range(60):
        dosages, rng = drawn_dosages(seed, [40], 600, fst=0), np.random.default_rng(seed)
        inbred = dosages[:, :10]
        dosages[:, :10] = np.where(inbred == 1, 2 * rng.integers(0, 2, inbred.shape), inbred)
        dosages[:, 10:20][rng.random((600, 10)) < 0.6] = -1
        p.append(p_of(dosages, np.arange(600) % 2 == 0)[0])
    assert (np.array(p) <= 0.05).sum() <= most(60)


def test_the_test_agrees_with_permuting_each_marker():
    """Second version: the largest eigenvalue against genotypes of each marker permuted among animals, unlinked markers.

    Six studies without structure and six with a little (F_ST 0.02); both p values go together.
    """
    ours, rng = np.ones(40, dtype=bool), np.random.default_rng(0)
    by_halves, by_permuting = [], []
    for fst in (0, 0.02):
        for seed in range(6):
            dosages = drawn_dosages(seed, [20, 20], 600, fst=fst)

            def largest(drawn):
                return np.linalg.eigvalsh(relationship_matrix([drawn], ours))[-1]

            by_halves.append(p_drawn(seed, [20, 20], 600, fst)[0])
            by_permuting.append(
                np.mean([largest(rng.permuted(dosages, axis=1)) >= largest(dosages) for _ in range(100)])
            )
    assert stats.spearmanr(by_halves, by_permuting).statistic > 0.6
    assert max(by_halves[6:]) <= 0.05
    assert max(by_permuting[6:]) <= 0.05


def test_the_statistic_is_that_of_plain_sums():
    """Second version by loops over animals, the first axis, orders drawn from the same generator."""
    dosages, second = drawn_dosages(4, [6, 6], 60, fst=0.05), np.arange(60) % 2 == 0
    everyone = np.ones(12, dtype=bool)
    halves = [relationship_matrix([dosages[half]], everyone) for half in (~second, second)]
    got = axis_test.axis_p_values([(halves[0], halves[1])], 1, np.random.default_rng(5))
    likeness = []
    for half in halves:
        m = half.copy()
        np.fill_diagonal(m, 0)
        for _ in range(axis_test.ROUNDS):
            np.fill_diagonal(m, m.sum() / 144)
        likeness.append(m - m.mean(axis=0) - m.mean(axis=1)[:, None] + m.mean())
    first, other = (np.linalg.eigh(m)[1][:, -1] for m in likeness)

    def size(order):
        top, below = 0.0, 0.0
        for i in range(12):
            for j in range(12):
                a = first[order[i]] * first[order[j]] * likeness[1][i, j]
                b = other[i] * other[j] * likeness[0][order[i], order[j]]
                top, below = top + a + b, below + first[order[i]] ** 2 * first[order[j]] ** 2 * likeness[1][i, j] ** 2
                below += other[i] ** 2 * other[j] ** 2 * likeness[0][order[i], order[j]] ** 2
        return top / np.sqrt(below)

    draw = np.random.default_rng(5)
    at, n_orders = size(np.arange(12)), axis_test.PERMUTATIONS
    larger = sum(size(draw.permutation(12)) >= at - 1e-9 for _ in range(n_orders))
    assert got[0] == pytest.approx((larger + 1) / (n_orders + 1), abs=0.0011)


def test_axes_after_the_first_that_fails_are_not_tested():
    p = p_drawn(2, [25, 25], 2000, 0.05)
    assert p[0] == 0.001
    assert p[1] >= 0.05
    assert np.isnan(p[2:]).all()


@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_with_few_animals_nothing_is_tested(n):
    p = axis_test.axis_p_values([(np.eye(n), np.eye(n))], 4, np.random.default_rng(0))
    assert p.size == max(0, min(4, n - 1))
    assert np.isnan(p).all()


def test_without_genotypes_nothing_is_beyond_chance():
    p = axis_test.axis_p_values([(np.zeros((8, 8)), np.zeros((8, 8)))], 4, np.random.default_rng(0))
    assert beyond(p) == 0


def test_parts_hold_whole_chromosomes_and_about_as_many_markers():
    chrom = np.repeat(["a", "b", "c", "d", "e", "f"], [50, 30, 20, 19, 10, 5])
    group = axis_test.genome_groups(chrom)
    assert {name: set(group[chrom == name].tolist()) for name in "abcdef"} == {
        "a": {0}, "b": {1}, "c": {2}, "d": {3}, "e": {3}, "f": {2},
    }  # fmt: skip
    assert np.unique(axis_test.genome_groups(np.repeat(["a", "b", "c"], 3))).tolist() == [0, 1, 2]
    assert axis_test.genome_groups(np.repeat("a", 5)).tolist() == [0, 0, 0, 1, 1]
    assert axis_test.genome_groups(np.array([])).size == 0


@pytest.mark.parametrize(
    ("n_parts", "ways"), [(2, {"0|1"}), (3, {"12|0", "02|1", "01|2"}), (4, {"01|23", "02|13", "03|12"})]
)
def test_every_way_to_halve_the_genome_uses_each_part_once(n_parts, ways):
    """The sums of a part are its number in a system of base two, so that those of a half tell which parts it holds."""
    parts = [(np.full((1, 1), 2.0**k), np.full((1, 1), 2.0**-10)) for k in range(n_parts)]
    found = set()
    for halves in axis_test.genome_halves(parts):
        held = []
        for half in halves:
            for size in range(1, n_parts):
                total = half[0, 0] * size * 2.0**-10
                members = [k for k in range(n_parts) if int(total) >> k & 1]
                if total == int(total) and len(members) == size:
                    held.append("".join(map(str, members)))
        found.add("|".join(held))
    assert found == ways


def test_what_one_way_to_halve_the_genome_tells_alone_is_no_axis():
    """Of three ways the middle p counts, times 3/2; a chance likeness of one pair of halves is not enough."""
    structured = [p_drawn_halves(3, [20, 20], 2000, 0.1), p_drawn_halves(3, [20, 20], 2000, 0.1)]
    none = p_drawn_halves(5, [40], 2000, 0)

    def p(splits):
        return axis_test.axis_p_values(splits, 1, np.random.default_rng(1))[0]

    assert p(structured[:1]) == pytest.approx(0.001)
    assert p([*structured, none]) == pytest.approx(0.0015)
    assert p([structured[0], none, none]) == pytest.approx(min(1, 1.5 * p([none])), abs=0.1)


def test_three_ways_to_halve_a_genome_hold_the_level():
    """One population, eight unlinked chromosomes, 30 animals; 100 studies."""
    p = []
    for seed in range(100):
        dosages, group = drawn_dosages(seed, [30], 400, fst=0), np.arange(400) % 4
        everyone = np.ones(30, dtype=bool)
        splits = axis_test.genome_halves([pair_sums([dosages[group == k]], everyone) for k in range(4)])
        p.append(axis_test.axis_p_values(splits, 1, np.random.default_rng(seed))[0])
    assert (np.array(p) <= 0.05).sum() <= most(100)
