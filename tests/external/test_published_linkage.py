"""Linkage disequilibrium: worked haplotypes, and the pair of estimate and expectation that effective size rests on."""

import itertools

import numpy as np
import pytest

from homewater.filters.linkage_thinning import thin_by_linkage
from homewater.genotypes.bit_planes import group_words, layout_by_site, pack
from homewater.structure.effective_size import SMALL_SAMPLE, effective_size, expected_r_squared, size_from_drift


def kept(dosages, max_r2):
    """Which of a few markers thinning keeps."""
    n = dosages.shape[1]
    layout = layout_by_site(np.zeros(n, dtype=int))
    _, word, bits, _ = group_words(layout, np.zeros(n, dtype=int), 1)
    mask = np.zeros(layout.n_words, np.uint64)
    mask[word] = bits
    at_one_place = np.zeros(len(dosages))
    return thin_by_linkage([pack(dosages, layout)], mask, at_one_place, at_one_place, max_r2).tolist()


def test_squared_correlation_of_worked_haplotypes():
    """AB 50, Ab 10, aB 10, ab 30: D .14, r2 .340278 = .14^2 / (.6 .4 .6 .4), exact; each haplotype made homozygous."""
    haplotypes = np.repeat([[0, 0], [0, 1], [1, 0], [1, 1]], [50, 10, 10, 30], axis=0)
    dosages = np.ascontiguousarray(2 * haplotypes.T).astype(np.int8)
    assert kept(dosages, 0.340277) == [True, False]
    assert kept(dosages, 0.340279) == [True, True]


def test_mean_squared_correlation_over_all_permutations():
    """Over all 720 orders of 6 animals the squared correlation of dosages averages 1 / (n - 1), whatever the genotypes.

    Exact. Burrows' form, to which the published expectations belong, is (n / (n - 1))^2 times that: 36 / 125.
    """
    first, second = [0, 0, 1, 2, 1, 1], [0, 1, 1, 2, 2, 0]
    found, plain = [], []
    for order in itertools.permutations(second):
        found.append(effective_size(np.array([first, order], dtype=np.int8), np.array([0, 1])).r_squared)
        plain.append(np.corrcoef(first, order)[0, 1] ** 2)
    assert np.mean(plain) == pytest.approx(1 / 5, abs=1e-12)
    assert np.mean(found) == pytest.approx(36 / 125, abs=1e-12)


@pytest.mark.parametrize("n", [15, 20, 25, 30, 50, 100, 200])
def test_expectation_belongs_to_the_form_that_is_averaged(n):
    """Waples (2006) Conserv Genet 7:167-184 (constants from memory) against n^2 / (n - 1)^3, Burrows' form.

    Within 0.5 %; the plain form, 1 / (n - 1), is 1 % off in 200 animals and more in fewer.
    """
    expected = float(expected_r_squared(n, n < SMALL_SAMPLE))
    assert expected == pytest.approx(n * n / (n - 1) ** 3, rel=0.005)
    assert abs(expected * (n - 1) - 1) > 0.0095


@pytest.mark.parametrize(("n", "simulated"), [(20, 0.05827), (30, 0.03691), (50, 0.02124), (100, 0.01029)])
def test_samples_of_an_infinite_population(n, simulated):
    """Unlinked loci, animals drawn independently; the values come from another simulation (recomputed).

    1 %, 3 to 4 standard errors of 5 x 300 loci; the plain form is 2 to 11 % off.
    """
    rng = np.random.default_rng(n)
    found = []
    for _ in range(5):
        dosages = rng.binomial(2, rng.uniform(0.15, 0.85, (300, 1)), (300, n)).astype(np.int8)
        found.append(effective_size(dosages, np.arange(300)).r_squared)
    assert np.mean(found) == pytest.approx(simulated, rel=0.01)


def test_constants_agree_where_small_and_large_samples_meet():
    """At 30 animals both forms of the expectation: .036878 and .036967 (recomputed)."""
    assert [float(expected_r_squared(30, small)) for small in (False, True)] == pytest.approx(
        [0.036878, 0.036967], abs=5e-7
    )
    for drift in (0.001, 0.005, 0.01):
        assert size_from_drift(drift, True) == pytest.approx(size_from_drift(drift, False), rel=0.1)
