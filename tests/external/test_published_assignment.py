"""Origins: taking an animal out by hand, and what classes of mixed animals look like at diagnostic loci."""

import numpy as np
import pytest
from tests.verification.assignment import informativeness

from homewater.assignment.hybrid_index import hybrid_index, interclass_heterozygosity
from homewater.crosses.likelihood import (
    CLASSES,
    KnownUnits,
    allele_share,
    class_list,
    class_table,
    left_out_table,
    log_likelihoods,
    log_likelihoods_left_out,
    pair_table,
    posterior,
)
from homewater.statistics.allele_counts import AlleleCounts

MANY = 1e12
CLASSES_OF_TWO = class_list(2)
ROWS = CLASSES_OF_TWO.of_pair(0, 1)

# Rannala & Mountain (1997) PNAS 94:9197-9201, Dirichlet(1/2, 1/2): (reference, alternate) copies with the animal
# counted, its dosage, and its chance without its own two copies. Fractions recomputed exactly from the paper's formula.
LEFT_OUT = [
    ((12, 0), 0, 161 / 176),
    ((11, 1), 1, 7 / 88),
    ((10, 2), 2, 1 / 176),
    ((9, 3), 0, 85 / 176),
    ((8, 4), 1, 35 / 88),
    ((7, 5), 2, 21 / 176),
    ((21, 1), 0, 533 / 616),
    ((20, 2), 1, 39 / 308),
    ((19, 3), 2, 5 / 616),
    ((1, 1), 1, 1 / 4),
]


@pytest.mark.parametrize(("counted", "dosage", "chance"), LEFT_OUT)
def test_an_animals_own_copies_are_taken_out_by_hand(counted, dosage, chance):
    copies = np.array([[sum(counted)]], dtype=float)
    known = KnownUnits(AlleleCounts(np.array([[counted[1]]], dtype=float), copies), 0.0)
    table = left_out_table(known, 0, class_list(1))
    assert table[0, dosage, 0] == pytest.approx(chance, rel=1e-12)


def test_posterior_of_an_animal_that_is_counted_in_its_unit():
    """Units of (18, 2) copies, once the animal is out, and (4, 16); exact fractions.

    A heterozygote: 185/924 against 9/28, posterior .383817. A homozygote: 481/616 against 3/56, posterior 481/514.
    """
    for first, dosage, expected in (((19, 3), 1, 0.383817), ((20, 2), 0, 481 / 514)):
        known = KnownUnits(AlleleCounts(np.array([[first[1], 16.0]]), np.array([[22.0, 20.0]])), 0.0)
        animal = np.array([[dosage]], dtype=np.int8)
        found = log_likelihoods_left_out(animal, np.array([0]), known, CLASSES_OF_TWO)
        assert posterior(found[0, :2], np.ones(2))[0] == pytest.approx(expected, abs=5e-7)


def diagnostic(n_loci):
    """Chances of dosages by class, in the order of CLASSES, where a carries only 0 and b only 1."""
    copies = np.full((n_loci, 2), MANY)
    known = KnownUnits(AlleleCounts(copies * [0.0, 1.0], copies), 0.0)
    return class_table(known, CLASSES_OF_TWO)[:, :, ROWS]


def test_what_diagnostic_loci_cannot_tell():
    """10 loci, by Mendel's rules (Anderson & Thompson 2002 Genetics 160:1217-1229); relative 1e-9.

    A backcross to a shows no b, or looks like an F1, with chance 2^-10 (9.77e-4); an F2 shows no b with 4^-10 and looks
    like an F1 with 2^-10; a second backcross shows no b with (3/4)^10.
    """
    animals = np.array([[0] * 10, [1] * 10], dtype=np.int8)
    only_a, like_f1 = np.exp(log_likelihoods(animals, diagnostic(10)))
    expected = {
        "pure_a": (1, 0), "F1": (0, 1), "F2": (4.0**-10, 2.0**-10), "backcross_a": (2.0**-10, 2.0**-10),
        "backcross_b": (0, 2.0**-10), "second_backcross_a": (0.75**10, 4.0**-10), "pure_b": (0, 0),
        "second_backcross_b": (0, 4.0**-10),
    }  # fmt: skip
    assert set(expected) == set(CLASSES)
    for name, (none_of_b, all_mixed) in expected.items():
        column = CLASSES.index(name)
        assert only_a[column] == pytest.approx(none_of_b, rel=1e-9, abs=1e-11)
        assert like_f1[column] == pytest.approx(all_mixed, rel=1e-9, abs=1e-11)


@pytest.mark.parametrize(
    ("name", "share_of_a", "heterozygosity"),
    [
        ("pure_a", 1, 0), ("pure_b", 0, 0), ("F1", 0.5, 1), ("F2", 0.5, 0.5), ("backcross_a", 0.75, 0.5),
        ("backcross_b", 0.25, 0.5), ("second_backcross_a", 0.875, 0.25), ("second_backcross_b", 0.125, 0.25),
    ],
)  # fmt: skip
def test_expected_index_and_heterozygosity(name, share_of_a, heterozygosity):
    """Anderson & Thompson (2002), ancestry pairs; the share is that of a there, the index that of b here.

    An animal whose loci show the class's genotypes exactly in the expected shares has the expected index, by maximum
    likelihood, to 1e-6.
    """
    table = diagnostic(1)
    column = CLASSES.index(name)
    assert allele_share(table)[0, column] == pytest.approx(1 - share_of_a, abs=1e-11)
    assert table[0, 1, column] == pytest.approx(heterozygosity, abs=1e-11)
    animal = np.repeat(np.arange(3), np.round(16 * table[0, :, column]).astype(int))[None].astype(np.int8)
    assert animal.shape == (1, 16)
    pairs = np.tile(np.eye(3), (16, 1, 1))
    assert hybrid_index(animal, pairs)[0] == pytest.approx([1 - share_of_a], abs=1e-6)
    assert interclass_heterozygosity(animal, pairs) == pytest.approx([heterozygosity], abs=1e-6)


def test_second_backcross_genotypes_by_mendels_rules():
    """p_A .9, p_B .2: three quarters of (81, 18, 1) and a quarter of (18, 74, 8) in 100, exact."""
    many = 1e9
    known = KnownUnits(AlleleCounts(np.array([[0.1, 0.8]]) * many, np.full((1, 2), many)), 0.0)
    table = class_table(known, CLASSES_OF_TWO)[0][:, ROWS]
    assert table[:, CLASSES.index("second_backcross_a")] == pytest.approx([0.6525, 0.32, 0.0275], abs=1e-8)


@pytest.mark.parametrize("seed", [1, 2])
def test_drawn_samples_meet_the_predictive(seed):
    """Frequencies from Beta(1/2, 1/2), 20 copies with 19 of one allele: which genotypes does the next animal have?

    533/616, 39/308, 5/616 (Rannala & Mountain 1997), 4 standard errors of those drawn.
    """
    rng = np.random.default_rng(seed)
    p = rng.beta(0.5, 0.5, 2_000_000)
    p = p[rng.binomial(20, p) == 1]
    shares = np.bincount(rng.binomial(2, p), minlength=3) / p.size
    exact = np.array([533 / 616, 39 / 308, 5 / 616])
    assert (np.abs(shares - exact) < 4 * np.sqrt(exact * (1 - exact) / p.size)).all()
    assert pair_table(AlleleCounts(np.array([[1.0]]), np.array([[20.0]])))[0, :, 0] == pytest.approx(exact, rel=1e-12)


def test_informativeness_that_the_panel_is_compared_with():
    """Rosenberg and others (2003) Am J Hum Genet 73:1402-1422, equation 4; values recomputed from it, natural log.

    Ceilings: ln 2 at a fixed difference of two, 0.636514 where one of three is fixed for the other allele.
    """
    two = np.array([[1.0, 0.0], [0.4, 0.4], [0.8, 0.2], [0.9, 0.6]])
    assert informativeness(two) == pytest.approx([np.log(2), 0, 0.192745, 0.063288], abs=5e-7)
    three = np.array([[1.0, 0.0, 0.0], [0.9, 0.5, 0.1]])
    assert informativeness(three) == pytest.approx([0.636514, 0.245376], abs=5e-7)
