"""Reach of linkage: chains of known decay, plain means by class, distances by hand, readings, empty studies."""

import itertools

import numpy as np
import pandas as pd
import pytest
from tests.made_studies import write_markers, write_samples, write_store

from homewater.genotypes.opened_species import open_species
from homewater.structure.linkage_decay import distance_at_share, linkage_tables, window_reading
from homewater.tables.schema_tables import check_table

SEEDS = range(5)
SPACING_KB = 2.0


def chain(rng, n_markers, n_haplotypes, length_kb):
    """Haplotypes with alleles of frequency a half whose correlation at d kb is exp(-d / length); r2 is its square."""
    stays = rng.random((n_markers, n_haplotypes)) < (1 + np.exp(-SPACING_KB / length_kb)) / 2
    stays[0] = rng.random(n_haplotypes) < 0.5
    return (1 + np.cumsum(~stays, axis=0)) % 2


def species_of(folder, rng, n_chrom=8, n_markers=150, animals=(30, 30), length_kb=60.0, shift=0.0):
    """A species of linked markers; `shift` turns so many genotypes of the last site to one side, linkage or not."""
    sites = np.repeat([f"s{i}" for i in range(len(animals))], animals)
    n = len(sites)
    dosages = np.concatenate(
        [chain(rng, n_markers, 2 * n, length_kb).reshape(n_markers, n, 2).sum(axis=2) for _ in range(n_chrom)]
    ).astype(np.int8) if n_markers else np.zeros((0, n), dtype=np.int8)  # fmt: skip
    dosages[:, sites == sites[-1]] += (rng.random(dosages[:, sites == sites[-1]].shape) < shift).astype(np.int8)
    dosages = np.minimum(dosages, 2)
    chrom = np.repeat(np.arange(n_chrom), n_markers)
    pos = np.tile(1 + np.arange(n_markers) * int(1000 * SPACING_KB), n_chrom)
    store = write_store(folder, dosages, sites, chrom, pos, [f"chr{i}" for i in range(n_chrom)])
    write_samples(folder, store, np.full(n, "baseline"), status=np.full(n, "kept"), reason=np.full(n, ""),
                  call_rate=1.0, defines=np.ones(n, bool), defines_with_kin=np.ones(n, bool))  # fmt: skip
    write_markers(folder, store.markers, thinned=np.ones(len(dosages), bool))
    return open_species(folder / "genotypes.zarr", folder / "samples.csv", folder / "markers.parquet")


def tables(species, genetic_map=None, window_kb=1000.0, window_cm=1.0):
    found = linkage_tables(species, genetic_map, window_kb, window_cm)
    return check_table(found.decay, "linkage_decay"), check_table(found.reach, "linkage_reach").iloc[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_known_decay_is_found_again(seed, tmp_path):
    """r2 = exp(-2d / 60 kb), known to .04 by class; half of it and a tenth to a tenth and a fifth of the distance.

    The truth is read off between the same classes, which puts a tenth 5 to 10 % farther out than on the curve itself.
    """
    decay, reach = tables(species_of(tmp_path, np.random.default_rng(seed)))
    known = decay[decay["n_pairs"] > 500].iloc[:-1]
    expected = np.exp(-2 * known["distance"].to_numpy(float) / 60)
    assert known["r2"].to_numpy(float) == pytest.approx(expected, abs=0.04)
    at = known["distance"].to_numpy(float)
    assert float(reach["nearest_distance"]) == at[0]
    for name, share, tolerance in (("half_distance", 0.5, 0.1), ("reach", 0.1, 0.2)):
        truth = distance_at_share(at, expected, np.ones(len(at)), share)
        assert truth == pytest.approx(at[0] - 30 * np.log(share), rel=0.12)
        assert float(reach[name]) == pytest.approx(truth, rel=tolerance)
    assert reach["half_distance_ci_low"] < reach["half_distance"] < reach["half_distance_ci_high"]
    assert (reach["reading"], reach["against"], reach["n_sites"]) == ("wide_enough", "other_chromosomes", 2)
    last = decay.iloc[-1]
    assert last["r2_ci_low"] - 0.002 < 0 < last["r2_ci_high"] + 0.002


def test_a_window_within_the_reach_is_too_narrow(tmp_path):
    assert tables(species_of(tmp_path, np.random.default_rng(0)), window_kb=10.0)[1]["reading"] == "too_narrow"


def test_differences_between_sites_make_no_linkage(tmp_path):
    """The second site is shifted: over all animals unlinked markers correlate, within sites they do not."""
    rng = np.random.default_rng(1)
    species = species_of(tmp_path, rng, length_kb=0.01, shift=0.9)
    decay, reach = tables(species)
    dosages = species.store.select(np.arange(0, 1200, 150)).astype(float)
    assert np.mean(np.corrcoef(dosages)[np.triu_indices(8, 1)] ** 2) > 0.03
    assert decay["r2"].abs().max() < 0.01
    assert reach["reading"] == "no_linkage_found"


def test_classes_equal_plain_means_over_all_pairs(tmp_path):
    """Few markers, so that every pair counts: means and means without a chromosome by plain loops."""
    species = species_of(tmp_path, np.random.default_rng(2), n_chrom=5, n_markers=12, animals=(12, 20))
    decay, _ = tables(species)
    dosages, site = species.store.select(np.arange(60)).astype(float), np.repeat([0, 1], [12, 20])
    chrom, pos = np.repeat(np.arange(5), 12), np.tile(np.arange(12) * SPACING_KB, 5)
    for row in decay[decay["distance_class"] != "other_chromosomes"].to_dict("records"):
        values, weights, told = [], [], 0
        for i, j in itertools.combinations(range(60), 2):
            if chrom[i] != chrom[j] or not row["distance_low"] <= pos[j] - pos[i] < row["distance_high"]:
                continue
            told += 1
            for s, n in enumerate((12, 20)):
                x, y = dosages[i, site == s], dosages[j, site == s]
                if min(x.mean(), y.mean(), 2 - x.mean(), 2 - y.mean()) >= 0.1 and x.std() > 0 and y.std() > 0:
                    values.append((np.corrcoef(x, y)[0, 1] ** 2 - 1 / (n - 1)) / (1 - 1 / (n - 1)))
                    weights.append(n)
        assert row["n_pairs"] == told
        assert row["r2"] == pytest.approx(np.average(values, weights=weights), abs=1e-12)


def test_the_unit_is_the_centimorgan_where_the_species_has_a_map(tmp_path):
    """Two centimorgans a megabase on two chromosomes of eight, up to 200 kb; the others, and what lies beyond, go."""
    species = species_of(tmp_path, np.random.default_rng(3))
    ends = [("chr0", 0, 0.0), ("chr0", 200_000, 0.4), ("chr1", 0, 0.0), ("chr1", 200_000, 0.4)]
    decay, reach = tables(species, pd.DataFrame(ends, columns=["chrom", "pos", "cm"]))
    assert set(decay["unit"]) == {"cm"}
    assert decay["distance"].max() <= 0.4
    # 4 kb are .008 cM: a class from .005 to .01 holds the pairs of neighbours and the next ones but one
    assert decay.iloc[0]["distance_low"] == pytest.approx(0.002)
    near = float(reach["nearest_distance"])
    assert float(reach["half_distance"]) == pytest.approx(near + 0.06 * np.log(2), rel=0.25)


def test_one_chromosome_counts_from_what_sampling_gives(tmp_path):
    decay, reach = tables(species_of(tmp_path, np.random.default_rng(4), n_chrom=1, n_markers=600))
    assert reach["against"] == "sampling"
    assert "other_chromosomes" not in set(decay["distance_class"])
    assert (decay["excess"] == decay["r2"]).all()
    assert reach["reading"] == "wide_enough"


@pytest.mark.parametrize(("n_markers", "animals"), [(0, (30,)), (1, (30,)), (150, (6, 6))])
def test_studies_that_cannot_tell_say_so(n_markers, animals, tmp_path):
    """No marker, one a chromosome (nothing but other chromosomes), and no site of ten animals."""
    decay, reach = tables(species_of(tmp_path, np.random.default_rng(5), n_markers=n_markers, animals=animals))
    assert reach["reading"] == "too_few_pairs"
    assert set(decay["distance_class"]) <= {"other_chromosomes"}


def test_distances_read_off_by_hand():
    """.4, .2, 0 at 1, 10, 100: half (.2) at 10; a tenth (.04) four fifths of the decade on; to .1 half of it."""
    distance, excess, weights = np.array([1.0, 10, 100]), np.array([0.4, 0.2, 0.0]), np.ones(3)
    assert distance_at_share(distance, excess, weights, 0.5) == pytest.approx(10)
    assert distance_at_share(distance, excess, weights, 0.1) == pytest.approx(10**1.8)
    assert distance_at_share(distance, excess, weights, 0.1, least=0.1) == pytest.approx(10**1.5)
    # .3 and .5 pool to .4 at both
    pooled = distance_at_share(np.array([1.0, 2, 20]), np.array([0.3, 0.5, 0.0]), weights, 0.5)
    assert pooled == pytest.approx(2 * 10**0.5)
    for none in (
        np.array([0.0, 0.1, -0.1]),
        np.array([-0.1, -0.1, -0.1]),
        np.array([0.4, 0.39, 0.3]),
        np.full(3, np.nan),
    ):
        assert np.isnan(distance_at_share(distance, none, weights, 0.1, least=0.05))


def test_readings_of_the_window():
    nan = np.nan
    cases = {
        (100, 50, 30, 80): "wide_enough",
        (100, 50, 30, 130): "not_sure",
        (100, 150, 90, 200): "not_sure",
        (100, 150, 120, 200): "too_narrow",
        (100, nan, nan, nan): "too_narrow",
        (100, 50, nan, nan): "not_sure",
    }
    assert {case: window_reading(*case) for case in cases} == cases
