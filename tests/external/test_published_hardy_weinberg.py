"""Hardy-Weinberg: the published example of the exact test column by column, and textbook blood groups and moths."""

import numpy as np
import pytest
from scipy import stats

from homewater.filters.hardy_weinberg import hardy_weinberg_p
from homewater.structure.diversity import diversity_sums

# Wigginton, Cutler & Abecasis (2005) Am J Hum Genet 76:887-893, 100 animals with 21 copies of the rarer allele.
# Recomputed from the paper's formula in exact rationals: heterozygotes, P(heterozygotes), mid-p, chi-square.
# The two-sided p of the same rows is checked in tests/homewater/test_hardy_weinberg.py.
EXAMPLE = [
    (21, 0.309604, 0.438843, 1.3764),
    (19, 0.406355, 0.796823, 0.0119),
    (17, 0.214465, 0.176809, 0.9121),
    (15, 0.059283, 0.0399349, 4.0770),
    (13, 0.00937457, 0.00560615, 9.5065),
    (11, 8.70496e-4, 4.83611e-4, 17.2008),
    (9, 4.69385e-5, 2.4894e-5, 27.1597),
    (7, 1.40348e-6, 7.23046e-7, 39.3832),
    (5, 2.11731e-8, None, 53.8715),
    (3, 1.33669e-10, None, 70.6244),
    (1, 2.25285e-13, None, 89.6420),
]
# Genotypes with their source, frequency of the first allele, expected heterozygotes, chi-square (1 degree of freedom).
# Counts from memory, the rest recomputed exactly; CCR5 read in a published document (issuhub.com/view/index/5340).
TEXTBOOK = {
    "MN, 1000 British (Race & Sanger; Hartl & Clark)": ((298, 489, 213), 0.5425, 496.388, 0.22149),
    "MN, Hong Kong 1937": ((342, 500, 187), 0.575316, None, 0.0325),
    "scarlet tiger moth (Ford 1971)": ((1469, 138, 5), 0.954094, 141.2, 0.83095),
    "CCR5, 294 people": ((224, 64, 6), None, None, 0.31813),
}


def genotypes(heterozygotes):
    """Common homozygotes, heterozygotes, rare homozygotes of the example."""
    rare = (21 - heterozygotes) // 2
    return 100 - heterozygotes - rare, heterozygotes, rare


def moments(counts):
    """Observed and expected heterozygosity (without the small-sample factor) of one sample, by the library."""
    n = sum(counts)
    sums = diversity_sums(np.array([[[*counts, 0]]]), np.zeros(1, dtype=int), 2)
    return sums["observed"][0, 0], sums["expected"][0, 0] * (2 * n - 1) / (2 * n)


def test_each_outcome_has_its_published_probability_and_mid_p():
    """Sorted by probability, the p of an outcome less that of the next is its own probability. 5e-6, relative."""
    p = dict(zip([row[0] for row in EXAMPLE], hardy_weinberg_p(np.array([[genotypes(r[0])] for r in EXAMPLE])),
                 strict=True))  # fmt: skip
    ranked = sorted(EXAMPLE, key=lambda row: -row[1])
    assert [row[0] for row in ranked[:3]] == [19, 21, 17]
    for (het, probability, mid_p, _), after in zip(ranked, [*ranked[1:], None], strict=True):
        own = p[het] - (p[after[0]] if after else 0)
        assert own == pytest.approx(probability, rel=5e-6)
        if mid_p is not None:
            assert p[het] - own / 2 == pytest.approx(mid_p, rel=5e-6)


@pytest.mark.parametrize(("het", "chi_square"), [(row[0], row[3]) for row in EXAMPLE])
def test_chi_square_of_the_example_is_n_f_squared(het, chi_square):
    """Chi-square = n F^2 (Li & Horvitz 1953, from memory): observed and expected heterozygosity. 5e-5."""
    observed, expected = moments(genotypes(het))
    assert 100 * (1 - observed / expected) ** 2 == pytest.approx(chi_square, abs=5.1e-5)


def test_exact_test_and_chi_square_disagree_where_the_paper_says():
    """15 heterozygotes: chi-square rejects at 5 % (p .0435), the exact test does not (.0696)."""
    observed, expected = moments(genotypes(15))
    assert stats.chi2.sf(100 * (1 - observed / expected) ** 2, 1) == pytest.approx(0.0435, abs=5e-5)
    assert hardy_weinberg_p(np.array([[genotypes(15)]]))[0] == pytest.approx(0.0696, abs=5e-5)


@pytest.mark.parametrize("name", TEXTBOOK)
def test_textbook_samples(name):
    """Frequencies and expectations to the digits printed.

    In samples of 294 to 1,612 the exact p meets chi-square's to within half the probability of a single outcome or two:
    0.03.
    """
    counts, frequency, heterozygotes, chi_square = TEXTBOOK[name]
    n = sum(counts)
    observed, expected = moments(counts)
    if frequency is not None:
        assert expected == pytest.approx(2 * frequency * (1 - frequency), abs=5e-6)
    if heterozygotes is not None:
        assert n * expected == pytest.approx(heterozygotes, abs=0.05)
    assert n * (1 - observed / expected) ** 2 == pytest.approx(chi_square, abs=5e-5)
    assert hardy_weinberg_p(np.array([[counts]]))[0] == pytest.approx(stats.chi2.sf(chi_square, 1), abs=0.03)
