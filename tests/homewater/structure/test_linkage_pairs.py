"""Pairs of markers by distance against all combinations, and their correlation within sites against Pearson's."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.made_studies import write_store

from homewater.structure.linkage_pairs import (
    MIN_ANIMALS,
    MarkerPairs,
    pairs_at_distance,
    pairs_of_other_chromosomes,
    site_correlations,
)

CHROMOSOMES = st.lists(st.integers(0, 3), min_size=0, max_size=25).map(sorted)


@given(CHROMOSOMES, st.integers(0, 1000), st.integers(0, 8), st.integers(1, 8), st.integers(1, 400))
def test_pairs_are_those_of_the_class_in_order_or_an_even_part_of_them(chrom, seed, low, width, at_most):
    rng = np.random.default_rng(seed)
    chrom = np.array(chrom, dtype=int)
    place = np.concatenate([np.sort(rng.integers(0, 20, n)) for n in np.bincount(chrom)] or [[]]).astype(float)
    place = place if place.size == chrom.size else np.zeros(0)
    found = pairs_at_distance(chrom, place, low, low + width, at_most)
    every = [
        (i, j)
        for i, j in itertools.combinations(range(len(chrom)), 2)
        if chrom[i] == chrom[j] and low <= place[j] - place[i] < low + width
    ]
    pairs = list(zip(found.first.tolist(), found.second.tolist(), strict=True))
    kept = min(at_most, len(every))
    assert pairs == [every[k * len(every) // kept] for k in range(kept)]


@given(CHROMOSOMES, st.integers(1, 100))
def test_pairs_of_other_chromosomes_never_share_one(chrom, at_most):
    chrom = np.array(chrom, dtype=int)
    found = pairs_of_other_chromosomes(chrom, at_most)
    assert len(found.first) == len(found.second) == (at_most if len(set(chrom.tolist())) > 1 else 0)
    assert (chrom[found.first] != chrom[found.second]).all()


def test_pairs_of_other_chromosomes_reach_all_markers_alike():
    chrom = np.repeat(np.arange(4), [10, 20, 30, 40])
    found = pairs_of_other_chromosomes(chrom, 4000)
    assert np.bincount(found.first, minlength=100).tolist() == [40] * 100
    times = np.bincount(found.second, minlength=100)
    # a marker of a chromosome of m markers is chosen 40 (100 - m) / (100 - own) times by each other one
    expected = [
        sum(40 / (100 - size) * size for other, size in enumerate((10, 20, 30, 40)) if other != own)
        for own in chrom.tolist()
    ]
    assert times == pytest.approx(np.array(expected), rel=0.35)


def plain(dosages, site, i, j):
    """N times corrected r2 and n, summed over the sites that can tell, by Pearson's correlation."""
    total = weight = 0.0
    for s in range(site.max() + 1):
        both = (site == s) & (dosages[i] >= 0) & (dosages[j] >= 0)
        x, y = dosages[i, both].astype(float), dosages[j, both].astype(float)
        n = both.sum()
        if n < MIN_ANIMALS or any(not 0.05 <= v.mean() / 2 <= 0.95 or v.std() == 0 for v in (x, y)):
            continue
        r2 = np.corrcoef(x, y)[0, 1] ** 2
        total += n * (r2 - 1 / (n - 1)) / (1 - 1 / (n - 1))
        weight += n
    return total, weight


@pytest.mark.parametrize("seed", range(3))
def test_correlations_within_sites_equal_pearsons(seed, tmp_path):
    """Three sites, some animals left out, calls missing, markers rare or fixed at a site."""
    rng = np.random.default_rng(seed)
    site = np.repeat([0, 1, 2], [30, 14, 9])
    p = rng.beta(0.5, 0.5, (40, 3))[:, site]
    dosages = rng.binomial(2, p).astype(np.int8)
    dosages[rng.random(dosages.shape) < 0.1] = -1
    store = write_store(tmp_path, dosages, np.array(["a", "b", "c"])[site], np.zeros(40, int), np.arange(40), ["1"])
    site = np.where(np.arange(53) % 7 == 0, -1, site)
    rows = np.arange(2, 40)
    first, second = np.triu_indices(38, 1)
    total, weight = site_correlations(store, site, 3, rows, MarkerPairs(first, second))
    expected = np.array([plain(dosages, site, rows[i], rows[j]) for i, j in zip(first, second, strict=True)])
    assert weight.tolist() == expected[:, 1].tolist()
    assert total == pytest.approx(expected[:, 0], abs=1e-9)
    assert 0 < (weight == 0).mean() < 1


def test_the_correction_leaves_nothing_without_linkage_and_all_of_complete_linkage(tmp_path):
    """Unlinked markers average 0 within three standard errors; a marker and its copy are 1."""
    rng = np.random.default_rng(0)
    dosages = rng.binomial(2, 0.4, (400, 24)).astype(np.int8)
    dosages[1] = dosages[0]
    store = write_store(tmp_path, dosages, np.repeat(["a", "b"], 12), np.zeros(400, int), np.arange(400), ["1"])
    pairs = MarkerPairs(np.arange(0, 400, 2), np.arange(1, 400, 2))
    total, weight = site_correlations(store, np.repeat([0, 1], 12), 2, np.arange(400), pairs)
    assert total[0] / weight[0] == pytest.approx(1)
    r2 = total[1:] / weight[1:]
    assert abs(r2.mean()) < 3 * r2.std() / np.sqrt(r2.size)
