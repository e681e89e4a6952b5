"""F_ST among the sites of a unit: against a library, and where it cannot be had."""

import allel
import numpy as np
import pytest
from tests.drawn_genotypes import Arrays, drifted, with_errors

from homewater.crosses.drift import drift_by_unit, drift_within
from homewater.statistics.allele_counts import AlleleCounts


def test_drift_equals_the_ratio_of_averages_of_scikit_allel():
    # scikit-allel's hudson_fst (Bhatia et al. 2013), summed over pairs of sites
    rng = np.random.default_rng(4)
    frequency = drifted(rng, 300, 0.05, 3)
    dosages = with_errors(rng, rng.binomial(2, frequency[:, np.repeat([0, 1, 2], 25)]), error=0)
    site = np.repeat([0, 1, 2], 25)
    counts = Arrays(dosages).genotype_counts(site, 3)
    alleles = AlleleCounts.of_genotypes(counts)
    alternate, copies = alleles.alternate, alleles.copies
    top = bottom = 0.0
    for a, b in ((0, 1), (0, 2), (1, 2)):
        pair = [np.stack([copies[:, s] - alternate[:, s], alternate[:, s]], axis=1).astype(int) for s in (a, b)]
        n, d = allel.hudson_fst(*pair)
        top, bottom = top + n.sum(), bottom + d.sum()
    assert drift_within(alleles) == pytest.approx(top / bottom, rel=1e-12)
    found = drift_by_unit(dosages.T, site, np.array([0] * 50 + [1] * 25), 2)
    assert found[0] == pytest.approx(drift_within(AlleleCounts(alternate[:, :2], copies[:, :2])))
    assert found[1] == found[0]  # one site alone says nothing of its unit: the other's value


def test_drift_without_any_pair_of_sites_is_zero():
    dosages = np.ones((4, 3), dtype=np.int8)
    assert drift_by_unit(dosages, np.zeros(4, int), np.zeros(4, int), 1).tolist() == [0.0]
