"""Diversity of sites: exact values, plain counting, resampling of copies, scikit-allel, and the table's edges."""

import itertools

import allel
import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import site_counts

from homewater.structure import diversity
from homewater.structure.effective_size import TOO_FEW_ANIMALS, EffectiveSize

NOT_TRIED = EffectiveSize(np.nan, np.nan, np.nan, TOO_FEW_ANIMALS)


def counts_of(dosages, site, n_sites):
    return np.stack(
        [np.stack([(dosages[:, site == s] == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for s in range(n_sites)], 1
    ).astype(np.int32)


@pytest.mark.parametrize(
    ("count", "copies", "drawn"), [(0, 6, 4), (1, 6, 4), (2, 6, 4), (3, 6, 4), (6, 6, 4), (2, 5, 0)]
)
def test_chance_absent_equals_counting_every_draw(count, copies, drawn):
    pool = [1] * count + [0] * (copies - count)
    draws = list(itertools.combinations(pool, drawn))
    expected = np.mean([sum(d) == 0 for d in draws])
    assert diversity.chance_absent(np.array(count), np.array(copies), drawn) == pytest.approx(expected)


def test_sums_equal_a_plain_loop():
    """Every value of every marker and site again, one at a time; chunks of 7 markers."""
    dosages, site = drawn_dosages(2, [6, 3, 5], 40, missing=0.3), np.repeat(np.arange(3), [6, 3, 5])
    dosages[0, site == 1] = -1
    counts, block, drawn = counts_of(dosages, site, 3), np.arange(40) % 4, 6
    expected = {
        name: np.zeros((4, 3)) for name in ("markers", "observed", "expected", "rarefied", "alleles", "private")
    }
    for m in range(40):
        typed = [dosages[m, (site == s) & (dosages[m] >= 0)] for s in range(3)]
        shown = [
            [1 - absent(2 * len(t) - t.sum(), 2 * len(t), drawn), 1 - absent(t.sum(), 2 * len(t), drawn)] for t in typed
        ]
        for s, t in enumerate(typed):
            if len(t):
                expected["markers"][m % 4, s] += 1
                expected["observed"][m % 4, s] += (t == 1).mean()
                p, copies = t.mean() / 2, 2 * len(t)
                expected["expected"][m % 4, s] += copies / (copies - 1) * 2 * p * (1 - p)
            if 2 * len(t) >= drawn:
                expected["rarefied"][m % 4, s] += 1
                expected["alleles"][m % 4, s] += sum(shown[s])
                for allele in (0, 1):
                    others = [1 - shown[o][allele] for o in range(3) if o != s]
                    expected["private"][m % 4, s] += shown[s][allele] * others[0] * others[1]
    chunk, diversity.CHUNK = diversity.CHUNK, 7
    try:
        got = diversity.diversity_sums(counts, block, drawn)
    finally:
        diversity.CHUNK = chunk
    for name, value in expected.items():
        assert got[name] == pytest.approx(value, abs=1e-12), name


def absent(count, copies, drawn):
    """Chance that none of the copies is drawn, copy by copy."""
    chance = 1.0
    for k in range(min(drawn, copies)):
        chance *= max(0, copies - count - k) / (copies - k)
    return chance


def test_heterozygosities_equal_scikit_allel():
    dosages = drawn_dosages(3, [12], 200, missing=0.1)
    alleles = np.stack([np.where(dosages < 0, -1, dosages >= 2), np.where(dosages < 0, -1, dosages >= 1)], axis=2)
    genotypes = allel.GenotypeArray(alleles.astype("i1"))
    table = diversity.site_diversity(
        site_counts(counts_of(dosages, np.zeros(12, int), 1), ["a"], np.repeat(np.arange(10), 20), np.arange(200)),
        [NOT_TRIED],
        3,
    )
    typed = (dosages >= 0).sum(axis=1)
    biased = allel.heterozygosity_expected(genotypes.count_alleles().to_frequencies(), ploidy=2)
    assert table["observed_heterozygosity"][0] == pytest.approx(
        allel.heterozygosity_observed(genotypes).mean(), abs=1e-12
    )
    assert table["expected_heterozygosity"][0] == pytest.approx(
        (biased * 2 * typed / (2 * typed - 1)).mean(), abs=1e-12
    )


def test_private_alleles_are_counted_by_hand():
    """Three markers, two sites: reference only at the first; alternate only at the second; both at both."""
    counts = np.array([[[1, 0, 1, 0], [0, 0, 3, 0]], [[2, 0, 0, 0], [2, 1, 0, 0]], [[1, 1, 0, 0], [0, 1, 1, 1]]])
    assert diversity.private_allele_counts(counts).tolist() == [1, 1]


def test_random_mating_has_no_inbreeding_and_selfing_has():
    """Of 20 sites under random mating the interval of F holds 0 in 17 or more; half selfed (F = 0.5) never does."""
    rng = np.random.default_rng(5)
    p = rng.uniform(0.1, 0.9, 3000)
    site, chrom = np.repeat(np.arange(20), 15), np.repeat(np.arange(15), 200)
    dosages = rng.binomial(2, p[:, None], (3000, 300)).astype(np.int8)
    inbred = np.where(rng.random((3000, 300)) < 0.5, 2 * rng.binomial(1, p[:, None], (3000, 300)), dosages)
    names, sizes = np.arange(20).astype(str), [NOT_TRIED] * 20
    tables = [
        diversity.site_diversity(site_counts(counts_of(d, site, 20), names, chrom, np.arange(3000)), sizes, 5)
        for d in (dosages, inbred)
    ]
    low, high = (np.stack([t[f"inbreeding_coefficient_ci_{b}"] for t in tables]) for b in ("low", "high"))
    assert ((low[0] < 0) & (high[0] > 0)).sum() >= 17
    assert (low[1] > 0.4).all()
    assert tables[1]["inbreeding_coefficient"].mean() == pytest.approx(0.5, abs=0.02)


def test_tiny_sites_are_listed_with_what_can_be_known():
    dosages, site = drawn_dosages(6, [1, 2, 9], 50, missing=0.0), np.repeat(np.arange(3), [1, 2, 9])
    table = diversity.site_diversity(
        site_counts(counts_of(dosages, site, 3), ["a", "b", "c"], np.repeat("1", 50), np.arange(50)), [NOT_TRIED] * 3, 4
    )
    assert table["n"].tolist() == [1, 2, 9]
    assert table["allelic_richness"].isna().tolist() == [True, True, False]
    assert table["observed_heterozygosity"].notna().all()
    assert table["effective_size"].isna().all()


def test_infinite_bounds_become_empty():
    size = EffectiveSize(80.0, 40.0, np.inf, "estimated", 100, 0.03)
    table = diversity.site_diversity(site_counts(np.ones((6, 1, 4), int), ["a"], np.arange(6), np.arange(6)), [size], 2)
    assert table.loc[0, ["effective_size", "effective_size_ci_low"]].tolist() == [80.0, 40.0]
    assert np.isnan(table.loc[0, "effective_size_ci_high"])


def test_no_markers_and_no_sites_run():
    empty = np.zeros(0)
    nothing = site_counts(np.zeros((0, 2, 4), int), ["a", "b"], empty, empty)
    table = diversity.site_diversity(nothing, [NOT_TRIED] * 2, 5)
    assert table["observed_heterozygosity"].isna().all()
    nowhere = site_counts(np.zeros((3, 0, 4), int), [], np.arange(3), np.arange(3))
    assert len(diversity.site_diversity(nowhere, [], 5)) == 0
