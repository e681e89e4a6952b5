"""Allele counts from genotype counts, and expected heterozygosity, by hand and by plain counting."""

import itertools

import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.statistics.allele_counts import AlleleCounts, expected_heterozygosity, n_called


def test_copies_are_counted_animal_by_animal():
    """Three markers by two groups: 1 hom. ref., 2 het., 3 hom. alt., 4 missing; all missing; all het."""
    counts = np.array([[[1, 2, 3, 4], [0, 0, 0, 5]], [[2, 0, 0, 0], [0, 4, 0, 0]]], dtype=np.int32)
    alleles = AlleleCounts.of_genotypes(counts)
    assert n_called(counts).tolist() == [[6, 0], [2, 4]]
    assert alleles.alternate.tolist() == [[8, 0], [0, 4]]
    assert alleles.reference.tolist() == [[4, 0], [4, 4]]
    assert alleles.copies.tolist() == [[12, 0], [4, 8]]
    assert alleles.frequency[1].tolist() == [0.0, 0.5]
    assert np.isnan(alleles.frequency[0, 1])
    assert alleles.take(np.array([1])).copies.tolist() == [[4, 8]]


@pytest.mark.parametrize(
    ("n", "p", "expected"), [(10, 0.5, 0.526316), (25, 0.9, 0.183673), (5, 0.8, 0.355556), (1, 0.5, 1.0)]
)
def test_expected_heterozygosity_by_exact_arithmetic(n, p, expected):
    """Nei (1978): 2n / (2n - 1) (1 - sum p^2), exact rationals."""
    assert expected_heterozygosity(AlleleCounts(np.array(2 * n * p), np.array(2 * n))) == pytest.approx(
        expected, abs=5e-7
    )


def test_expected_heterozygosity_equals_counting_every_pair_of_copies():
    dosages = drawn_dosages(1, [7], 30, missing=0.0)
    got = expected_heterozygosity(AlleleCounts(dosages.sum(axis=1), np.full(30, 14)))
    for row, value in zip(dosages, got, strict=True):
        copies = [copy for d in row for copy in (1,) * d + (0,) * (2 - d)]
        assert value == pytest.approx(np.mean([a != b for a, b in itertools.combinations(copies, 2)]))
