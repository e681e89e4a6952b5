"""F statistics and heterozygosities against published data sets, textbook identities and simulated island models."""

import allel
import msprime
import numpy as np
import pytest

from homewater.crosses.drift import drift_within
from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.fst import joint_by_marker, pair_components, pairwise_fst
from homewater.structure.diversity import diversity_sums
from homewater.units.variance_shares import share_components

# Isotoma petraea, GOT-1 in 12 populations (James et al. 1983), as used in the lecture notes of K. Holsinger. Counts
# from memory; they give the published results to all four digits.
ISOTOMA = "29,0,0 14,3,3 15,2,3 9,0,0 9,0,0 23,5,2 23,3,4 29,3,1 5,0,0 1,0,0 0,1,0 1,0,0"


def counts_of(*groups):
    """One marker: each group its (hom_ref, het, hom_alt) counts."""
    return np.array([[(*group, 0) for group in groups]], dtype=np.int32)


@pytest.fixture
def isotoma():
    return counts_of(*(map(int, group.split(",")) for group in ISOTOMA.split()))


def test_isotoma_unweighted_f_statistics(isotoma):
    """F_IS 0.1372, F_ST 0.2143, F_IT 0.3221: darwin.eeb.uconn.edu/eeb348/lecture-notes/genetic-structure/node3.html.

    From unweighted heterozygosities H_I .133965, H_S .155269, H_T .197629 (recomputed), without the small-sample factor
    that the library has. Half a unit of the last digit.
    """
    sums = diversity_sums(isotoma, np.zeros(1, dtype=int), 2)
    n = isotoma[0, :, :3].sum(axis=1)
    h_i = sums["observed"][0].mean()
    h_s = (sums["expected"][0] * (2 * n - 1) / (2 * n)).mean()
    p = AlleleCounts.of_genotypes(isotoma).frequency[0].mean()
    h_t = 2 * p * (1 - p)
    assert (h_i, h_s, h_t) == pytest.approx((0.133965, 0.155269, 0.197629), abs=5.1e-7)
    assert (1 - h_i / h_s, 1 - h_s / h_t, 1 - h_i / h_t) == pytest.approx((0.1372, 0.2143, 0.3221), abs=5e-5)


def test_isotoma_corrected_for_sample_size(isotoma):
    """Weir & Cockerham, recomputed: total inbreeding F .557664 and theta .038695, a fifth of the uncorrected F_ST."""
    a, b, c = (part[0] for part in joint_by_marker(isotoma))
    assert 1 - c / (a + b + c) == pytest.approx(0.557664, abs=5e-7)
    assert 0.2143 / (a / (a + b + c)) > 5


def test_two_samples_by_components():
    """(10,20,20) and (30,15,5), exact arithmetic: a .0586735, b .0413265, c .175, f .191038."""
    a, b, c = (part[0] for part in joint_by_marker(counts_of((10, 20, 20), (30, 15, 5))))
    assert (a, b, c) == pytest.approx((0.0586735, 0.0413265, 0.175), abs=5e-8)
    assert b / (b + c) == pytest.approx(0.191038, abs=5e-7)


def test_two_samples_by_hudsons_estimator():
    """The same samples, Bhatia et al. (2013) equation 10: .1181818 / .55 = .214876, exact arithmetic."""
    alleles = AlleleCounts.of_genotypes(counts_of((10, 20, 20), (30, 15, 5)))
    assert drift_within(alleles) == pytest.approx(0.1181818 / 0.55, abs=2e-7)
    assert drift_within(alleles) == pytest.approx(0.214876, abs=5e-7)


@pytest.mark.parametrize(("p", "q", "g_st"), [(0.9, 0.6, 0.12), (0.8, 0.2, 0.36), (1.0, 0.0, 1.0)])
def test_two_gene_pools_known_without_error(p, q, g_st):
    """H_T .375, H_S .33, G_ST .12 at .9/.6; .36 at .8/.2 (Wahlund's variance); 1 at a fixed difference: exact.

    G_ST counts self pairs in the total; estimators of Weir & Cockerham's and Hudson's kind do not, and converge to
    2 G / (1 + G) for two pools. Samples of a million in Hardy-Weinberg proportions; 5e-6.
    """
    n = 1_000_000
    counts = counts_of(*[tuple(round(n * v) for v in ((1 - f) ** 2, 2 * f * (1 - f), f * f)) for f in (p, q)])
    alleles = AlleleCounts.of_genotypes(counts)
    top, bottom = pair_components(counts, np.zeros(1, dtype=int))
    between, everything = share_components(alleles, np.array([0, 1]), np.zeros(1, dtype=int), 1)
    for fst in (top[0, 0] / bottom[0, 0], drift_within(alleles), between[0] / everything[0]):
        assert fst / (2 - fst) == pytest.approx(g_st, abs=5e-6)


def simulated(demes, migrants, replicates, size=100, sampled=20):
    """Independent genealogies of an island model; return genotypes by deme, number of the genealogy, allele counts."""
    demography = msprime.Demography.island_model([size] * demes, migrants / size / (demes - 1))
    genealogies = msprime.sim_ancestry(
        {f"pop_{i}": sampled for i in range(demes)}, demography=demography, num_replicates=replicates,
        random_seed=demes, sequence_length=1, discrete_genome=False,
    )  # fmt: skip
    rows, number, within, between = [], [], 0.0, 0.0
    for k, trees in enumerate(genealogies):
        mutated = msprime.sim_mutations(trees, rate=1e-3, random_seed=1000 + k, discrete_genome=False)
        rows.append(mutated.genotype_matrix().reshape(-1, demes, sampled, 2).sum(axis=3))
        number += [k] * mutated.num_sites
        sets = [mutated.samples(population=i) for i in range(demes)]
        pairs = [(i, j) for i in range(demes) for j in range(i)]
        within += np.mean([mutated.diversity([sets[i], sets[j]]) for i, j in pairs])
        between += mutated.divergence(sets, indexes=pairs).mean()
    dosages = np.concatenate(rows)
    counts = np.stack([(dosages == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    return counts, np.array(number), 1 - within / between


@pytest.mark.parametrize(("demes", "migrants", "genealogies"), [(2, 1.0, 1500), (5, 1.0, 300), (10, 0.5, 300)])
def test_island_model_by_pairs(demes, migrants, genealogies):
    """Two demes of an island model: 1 / (1 + 4 N m d / (d - 1)), since pairs of one deme are no part of the total.

    The textbook form 1 / (1 + 4 N m (d / (d - 1))^2) is that of G_ST (Wright; Takahata 1983, from memory) and is off:
    .0588 for two demes where pairs give .1111. Recomputed by simulation elsewhere: .1063 .1670 .3168 for the three
    cases. 4 standard errors of a jackknife over 30 groups of genealogies.
    """
    counts, number, from_trees = simulated(demes, migrants, genealogies)
    top, bottom = pair_components(counts, number % 30)
    top, bottom = top.sum(axis=1), bottom.sum(axis=1)
    fst, without = top.sum() / bottom.sum(), (top.sum() - top) / (bottom.sum() - bottom)
    error = np.sqrt(29 / 30 * ((without - without.mean()) ** 2).sum())
    theory = 1 / (1 + 4 * migrants * demes / (demes - 1))
    assert error < 0.1 * theory
    assert fst == pytest.approx(theory, abs=4 * error)
    # tskit's pair statistics of the same genealogies: an unbiased estimate of the same, equal samples
    assert drift_within(AlleleCounts.of_genotypes(counts)) == pytest.approx(from_trees, rel=1e-9)
    assert fst == pytest.approx(from_trees, rel=0.01)
    if demes == 2:
        g_st = 1 / (1 + 4 * migrants * (demes / (demes - 1)) ** 2)
        assert abs(fst - g_st) > 4 * error
        assert fst / (2 - fst) == pytest.approx(g_st, abs=4 * error)


def test_estimate_and_error_of_a_pair_equal_scikit_allel():
    """Block jackknife over 20 equal blocks by scikit-allel's average_weir_cockerham_fst, an independent library."""
    rng = np.random.default_rng(12)
    p = rng.uniform(0.1, 0.9, (400, 2, 1))
    dosages = rng.binomial(2, p, (400, 2, 15))
    counts = np.stack([(dosages == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    flat = dosages.reshape(400, 30)
    alleles = np.stack([flat >= 2, flat >= 1], axis=2).astype("i1")
    expected, expected_error, *_ = allel.average_weir_cockerham_fst(alleles, [list(range(15)), list(range(15, 30))], 20)
    fst, low, high, error = pairwise_fst(counts, np.arange(400) // 20)
    assert (fst[0], error[0]) == pytest.approx((expected, expected_error), rel=1e-9)
    assert low[0] < expected < high[0]
