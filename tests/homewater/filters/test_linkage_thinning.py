"""Linkage thinning against a general library's, against plain correlation, and across chromosomes."""

import allel
import numpy as np
import pandas as pd
import pytest
from tests.homewater.filters.drawn_coast import SETTINGS

from homewater.filters.linkage_thinning import thin_by_linkage, window_places
from homewater.filters.settings import FilterSettings
from homewater.genotypes.bit_planes import group_words, layout_by_site, pack


def correlated(seed, n_markers=400, n_animals=150, missing=0.0):
    rng = np.random.default_rng(seed)
    dosages = np.repeat(rng.integers(0, 3, (n_markers // 5, n_animals)), 5, axis=0)
    noise = rng.random(dosages.shape) < rng.random((n_markers, 1))
    dosages[noise] = rng.integers(0, 3, noise.sum())
    dosages[rng.random(dosages.shape) < missing] = -1
    return dosages.astype(np.int8)


def thinned(dosages, window, max_r2, chrom=None, used=None, blocks=(0.3, 0.35)):
    n_markers, n = dosages.shape
    layout = layout_by_site(np.arange(n) * 3 // n)
    used = np.ones(n, bool) if used is None else used
    _, word, bits, _ = group_words(layout, np.where(used, 0, -1), 1)
    mask = np.zeros(layout.n_words, np.uint64)
    mask[word] = bits
    planes = np.split(pack(dosages, layout), [int(n_markers * b) for b in blocks])
    place = np.arange(n_markers) / (window - 0.5)  # a window of so many markers, evenly spaced
    return thin_by_linkage(planes, mask, np.zeros(n_markers) if chrom is None else chrom, place, max_r2)


def plain(dosages, window, max_r2, chrom):
    """The same by Pearson's correlation over animals called at both, one pair after the other."""
    kept = []
    for j in range(len(dosages)):
        for i in kept:
            if j - i >= window or chrom[i] != chrom[j]:
                continue
            both = (dosages[i] >= 0) & (dosages[j] >= 0)
            x, y = dosages[i, both].astype(float), dosages[j, both].astype(float)
            if x.size and x.std() > 0 and y.std() > 0 and np.corrcoef(x, y)[0, 1] ** 2 > max_r2:
                break
        else:
            kept.append(j)
    return np.isin(np.arange(len(dosages)), kept)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("window", [2, 5, 100, 1000])
def test_same_kept_set_as_scikit_allel_without_missing_calls(seed, window):
    dosages = correlated(seed)
    expected = allel.locate_unlinked(dosages, size=window, step=1, threshold=0.2)
    assert np.array_equal(thinned(dosages, window, 0.2), expected)
    assert 0 < expected.sum() < len(dosages)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("missing", [0.0, 0.2, 0.9])
def test_same_kept_set_as_plain_correlation_with_missing_calls(seed, missing):
    dosages = correlated(seed, n_markers=150, missing=missing)
    chrom = np.repeat(["b", "a"], [70, 80])
    assert np.array_equal(thinned(dosages, 20, 0.2, chrom), plain(dosages, 20, 0.2, chrom))


def test_known_squared_correlation():
    # r2 = 6/13 = 0.461538 of these dosages, worked by hand
    dosages = np.array([[0, 0, 1, 1, 2, 2, 1, 0], [0, 1, 1, 1, 2, 1, 2, 0]], np.int8)
    assert thinned(dosages, 10, 0.4615).tolist() == [True, False]
    assert thinned(dosages, 10, 0.4616).tolist() == [True, True]


def test_only_the_animals_asked_for_count():
    dosages = correlated(3, n_markers=100)
    used = np.arange(150) % 3 > 0
    assert np.array_equal(thinned(dosages, 30, 0.2, used=used), plain(dosages[:, used], 30, 0.2, np.zeros(100)))


def test_markers_of_other_chromosomes_never_exclude_one_another():
    same = np.repeat(correlated(1)[:1], 4, axis=0)
    assert thinned(same, 10, 0.2, np.array(["1", "1", "2", "2"])).tolist() == [True, False, True, False]


def test_markers_without_variation_and_empty_input():
    assert thinned(np.zeros((5, 20), np.int8), 10, 0.2).all()
    assert thinned(np.full((5, 20), -1, np.int8), 10, 0.0).all()
    assert thinned(np.empty((0, 20), np.int8), 10, 0.2).size == 0


def run_planes(dosages):
    layout = layout_by_site(np.zeros(dosages.shape[1], dtype=int))
    _, word, bits, _ = group_words(layout, np.zeros(dosages.shape[1], dtype=int), 1)
    mask = np.zeros(layout.n_words, np.uint64)
    mask[word] = bits
    return [pack(dosages, layout)], mask


def test_the_window_is_a_distance_and_not_a_count():
    """The same genotypes at 0, .6, 1.2 and 3 windows: the second is near the first, the third near no kept one."""
    same = np.repeat(correlated(1)[:1], 4, axis=0)
    planes, mask = run_planes(same)
    place = np.array([0.0, 0.6, 1.2, 3.0])
    assert thin_by_linkage(planes, mask, np.zeros(4), place, 0.2).tolist() == [True, False, True, True]
    assert thin_by_linkage(planes, mask, np.zeros(4), place / 3, 0.2).tolist() == [True, False, False, False]


def test_dense_markers_are_compared_with_a_bounded_number_of_kept_ones():
    """Ten unlike markers, then the first again: found within eleven comparisons, not within five."""
    rng = np.random.default_rng(0)
    dosages = rng.integers(0, 3, (10, 150)).astype(np.int8)
    planes, mask = run_planes(np.concatenate([dosages, dosages[:1]]))
    kept = [thin_by_linkage(planes, mask, np.zeros(11), np.zeros(11), 0.2, most)[-1] for most in (11, 5)]
    assert kept == [False, True]


def test_the_window_is_in_centimorgans_where_the_species_has_a_map():
    """1,000 kb and .5 cM: chromosome a has a map of 2 cM a megabase, b has none; beyond the map nothing recombines."""
    settings = FilterSettings.of_study(SETTINGS | {"thinning_distance_kb": 1000.0, "thinning_distance_cm": 0.5})
    chrom, pos = np.array(["a", "a", "a", "b", "b"]), np.array([500_000, 1_000_000, 5_000_000, 500_000, 2_000_000])
    genetic_map = pd.DataFrame({"chrom": ["a", "a", "c"], "pos": [0, 2_000_000, 5], "cm": [0.0, 4.0, 1.0]})
    assert window_places(chrom, pos, genetic_map, settings) == pytest.approx([2, 4, 8, 0.5, 2])
    assert window_places(chrom, pos, None, settings) == pytest.approx([0.5, 1, 5, 0.5, 2])
