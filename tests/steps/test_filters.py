"""The step filters on a small study: its tables agree with one another and with the genotypes."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from tests.homewater.filters.drawn_coast import SETTINGS
from tests.intake_steps import imported
from tests.small_study import small_study
from tests.stored_blocks import variant_blocks

from homewater.genotypes.site_counts import open_site_counts
from homewater.genotypes.store import StoredAnimals, VariantBlock, open_genotypes, write_genotypes
from homewater.invented.species import Faults
from homewater.tables.schema_tables import read_table, write_table
from steps import filters


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Return the folder of a small study after intake."""
    return prepared(tmp_path_factory.mktemp("small"), n_animals=60, n_snps=600)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    """Return the same with planted faults, foreign animals in the baseline, and a contact zone."""
    faults = Faults(replicates=6, duplicates=4, failed_samples=3, contaminated=3, mislabelled=2, collapsed_share=0.03)
    choices = {"n_sites": 6, "n_animals": 180, "n_snps": 2000, "contact": True, "foreign_in_baseline": True}
    return prepared(tmp_path_factory.mktemp("faulty"), faults=faults, **choices)


def prepared(folder, **choices):
    """Write a small study, its checked tables and its genotype store."""
    study = small_study(folder / "study", seed=3, **choices)
    sites = pd.read_csv(study.sites, dtype=str, keep_default_na=False)
    samples = pd.read_csv(study.samples, dtype=str, keep_default_na=False)
    write_table(
        sites.astype({"decimalLatitude": float, "decimalLongitude": float}), folder / "sites.csv", "input_sites"
    )
    write_table(samples.assign(length_mm=pd.to_numeric(samples["length_mm"])), folder / "samples.csv", "input_samples")
    imported(folder / "run", [study.genotypes["topshell"]])
    return folder, study


def planted(folder, target, n=100):
    """Copy the genotypes with faults that the sample sheet tells of.

    Markers 0 to n-1 are read as homozygous in one batch, the next n are hemizygous in males, the next n fixed in them.
    """
    store = open_genotypes(folder / "run" / "genotypes.zarr")
    sheet = read_table(folder / "samples.csv", "input_samples").set_index("materialSampleID").loc[store.sample_ids]
    one_batch = (sheet["batch"] == sheet["batch"].mode()[0]).to_numpy()
    male = (sheet["sex"] == "male").to_numpy()
    rng, blocks, start = np.random.default_rng(1), [], 0
    for block in variant_blocks(store):
        rows, dosages = start + np.arange(len(block.dosages)), block.dosages.copy()
        start += len(rows)
        hemizygous = (rows >= n) & (rows < 2 * n)
        of_batch, of_sex = rows < n, (rows >= 2 * n) & (rows < 3 * n)
        dosages[np.ix_(of_batch, one_batch)] = np.where(dosages[np.ix_(of_batch, one_batch)] >= 0, 0, -1)
        allele = (rng.random((hemizygous.sum(), male.sum())) < dosages[np.ix_(hemizygous, male)] / 2) * 2
        dosages[np.ix_(hemizygous, male)] = np.where(dosages[np.ix_(hemizygous, male)] >= 0, allele, -1)
        dosages[np.ix_(of_sex, male)] = np.where(dosages[np.ix_(of_sex, male)] >= 0, 2, -1)
        blocks.append(VariantBlock(block.contig, block.position, block.identifier, block.alleles, dosages))
    (target / "run").mkdir(parents=True)
    animals, kept = StoredAnimals(store.sample_ids, store.location_ids), {"records": store.attributes["records"]}
    write_genotypes(target / "run" / "genotypes.zarr", animals, store.contig_ids, blocks, kept)
    for name in ("samples.csv", "sites.csv"):
        shutil.copy(folder / name, target / name)
    return target


def filtered(folder, target, native_range=(), recombination_map=(), **changes):
    outputs = {"samples": "samples.csv", "markers": "markers.parquet", "summary": "filter_summary.csv",
               "site_roles": "site_roles.csv", "site_counts": "site_counts.zarr",
               "genotyping_error": "genotyping_error.json", "kin_thinning": "kin_thinning.csv",
               "batch_effects": "batch_effects.csv"}  # fmt: skip
    filters.main(
        genotypes=str(folder / "run" / "genotypes.zarr"),
        sample_sheet=str(folder / "samples.csv"),
        sites=str(folder / "sites.csv"),
        native_range=list(native_range),
        recombination_map=list(recombination_map),
        settings=SETTINGS | changes,
        species="topshell",
        **{name: str(target / file) for name, file in outputs.items()},
    )
    return target


def test_step_on_a_small_study_writes_tables_that_agree(small, tmp_path):
    folder, _ = small
    out = filtered(folder, tmp_path)
    samples, markers = read_table(out / "samples.csv"), read_table(out / "markers.parquet")
    summary, roles = read_table(out / "filter_summary.csv"), read_table(out / "site_roles.csv")
    genotypes, counts = open_genotypes(folder / "run" / "genotypes.zarr"), open_site_counts(out / "site_counts.zarr")
    assert samples["materialSampleID"].tolist() == genotypes.sample_ids.tolist()
    assert markers["marker"].tolist() == genotypes.markers["marker"].tolist() == counts.markers["marker"].tolist()
    defines = samples["defines"].to_numpy(dtype=bool)
    allowed = (samples["status"] == "kept") & (samples["role"] == "baseline")
    allowed &= samples["locationID"].isin(roles.loc[roles["defines"].astype(bool), "locationID"])
    assert (defines == allowed.to_numpy(dtype=bool)).all()
    dosages = genotypes.select(np.arange(genotypes.n_markers))
    for s, name in enumerate(counts.location_ids):
        own = dosages[:, defines & (samples["locationID"] == name).to_numpy()]
        assert np.array_equal(counts.counts[:, s], np.stack([(own == v).sum(axis=1) for v in (0, 1, 2, -1)], axis=1))
    assert set(roles.loc[roles["kind"] == "farm", "locationID"]).isdisjoint(counts.location_ids)
    kept = (markers["status"] == "kept").to_numpy(dtype=bool)
    thinned = markers["thinned"].to_numpy(dtype=bool)
    assert 0 < thinned.sum() <= kept.sum()
    assert not (thinned & ~kept).any()
    last = {what: int(part["after"].iloc[-1]) for what, part in summary.groupby("what")}
    assert last == {"markers": kept.sum(), "samples": (samples["status"] == "kept").sum()}


def test_step_measures_error_from_replicates_or_says_that_it_is_a_setting(small, tmp_path):
    folder, _ = small
    out = filtered(folder, tmp_path)
    error = json.loads((out / "genotyping_error.json").read_text())
    sheet = read_table(folder / "samples.csv", "input_samples")
    assert (error["source"] == "replicates") == (sheet["replicateOf"] != "").any()
    assert error["n_pairs"] == (sheet["replicateOf"] != "").sum()


def test_step_leaves_out_sites_beyond_the_native_range(small, tmp_path):
    folder, _ = small
    sites = read_table(folder / "sites.csv", "input_sites")
    wild = sites[sites["kind"] == "wild"]
    north, rest = wild["decimalLatitude"].max(), wild["decimalLatitude"].sort_values().iloc[-2]
    top = (north + rest) / 2
    ring = [[-60, 0], [60, 0], [60, top], [-60, top], [-60, 0]]
    (tmp_path / "range.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    out = filtered(folder, tmp_path / "out", [tmp_path / "range.geojson"])
    roles = read_table(out / "site_roles.csv").set_index("locationID")
    beyond = wild.loc[wild["decimalLatitude"].idxmax(), "locationID"]
    assert not roles.loc[beyond, "in_native_range"]
    assert roles.loc[wild["locationID"].drop(wild.index[wild["locationID"] == beyond]), "defines"].all()
    assert beyond not in open_site_counts(out / "site_counts.zarr").location_ids


def test_planted_faults_are_found_and_true_animals_stay(faulty, tmp_path):
    folder, study = faulty
    out = filtered(folder, tmp_path)
    table = read_table(out / "samples.csv").set_index("materialSampleID")
    truth = study.truth.set_index("materialSampleID").loc[table.index]
    baseline = table["role"] == "baseline"
    of = {fault: (truth["fault"] == fault).to_numpy() for fault in truth["fault"].unique()}
    assert (table["reason"][of["failed"]] == "call_rate").all()
    assert (table["reason"] == "replicate").sum() == of["replicate"].sum() == 6
    assert table["flags"][of["duplicate"]].str.contains("duplicate|same_genotype_elsewhere").all()
    assert table["flags"][of["contaminated"]].str.contains("beyond_f1_heterozygosity").all()
    assert (table["status"][of["contaminated"] & baseline] == "removed").all()
    assert (table["status"][of["mislabelled"]] == "kept").all()
    # the fourth is a mover itself, and its label names a neighbour of the site where it was born
    of_home = of["mislabelled"] & (truth["true_class"] == "pure_a").to_numpy()
    assert of_home.sum() == 3
    assert table["flags"][of_home].str.contains("fits_another_site;label_swap").all()
    sound = of[""] & ~table["reason"].isin(["replicate", "duplicate"]).to_numpy()
    assert (table["status"][sound] == "kept").all()
    mixed = sound & (truth["true_class"] != "pure_a").to_numpy()  # nor is a cross or mover thinned for kin
    assert (table["defines"] == table["defines_with_kin"])[mixed].all()
    assert table["defines"][mixed].sum() == 5
    assert (
        truth["true_class"][sound] != "pure_a"
    ).sum() > 10  # crosses and movers, in baseline and query, are among them


def test_planted_error_lies_in_its_interval(faulty, tmp_path):
    error = json.loads((filtered(faulty[0], tmp_path) / "genotyping_error.json").read_text())
    assert (error["source"], error["n_pairs"]) == ("replicates", 6)
    assert error["ci_low"] < 0.005 < error["ci_high"]
    assert error["by_batch"]
    assert all(row["ci_low"] <= row["estimate"] <= row["ci_high"] for row in error["by_batch"])


def test_markers_of_collapsed_repeats_have_an_excess_of_heterozygotes(faulty, tmp_path):
    folder, study = faulty
    markers = read_table(filtered(folder, tmp_path) / "markers.parquet")
    listed = pd.read_csv(study.folder / "truth" / "collapsed_markers_topshell.csv")
    places = set(zip(listed["chrom"], listed["pos"], strict=True))
    collapsed = np.array([place in places for place in zip(markers["chrom"], markers["pos"], strict=True)])
    failed = (markers["reason"] == "excess_heterozygosity").to_numpy(dtype=bool)
    tested = markers["hardy_weinberg_p"].notna().to_numpy()
    assert failed[collapsed & tested].mean() > 0.8
    assert failed[~collapsed & tested].mean() < 0.002


def test_markers_of_one_batch_or_one_sex_are_found_and_sound_ones_stay(faulty, tmp_path):
    folder, _ = faulty
    before = read_table(filtered(folder, tmp_path / "before") / "markers.parquet")
    out = filtered(planted(folder, tmp_path / "planted"), tmp_path / "out")
    after = read_table(out / "markers.parquet")
    # those common enough to tell
    common = (before["minor_allele_frequency"] > 0.25).to_numpy() & (before["status"] == "kept").to_numpy()
    reasons = after["reason"].to_numpy()
    of_batch, hemizygous, of_sex = (np.arange(2000) // 100 == k for k in range(3))
    assert (reasons[of_batch & common] == "batch").mean() > 0.8
    assert (reasons[hemizygous & common] == "sex_linked").mean() > 0.8
    assert (reasons[of_sex & common] == "sex_linked").mean() > 0.95
    assert np.isin(reasons[300:], ["batch", "sex_linked"]).sum() <= 2
    assert np.isin(before["reason"], ["batch", "sex_linked"]).sum() == 0
    taken = after[after["reason"].isin(["batch", "sex_linked"])]
    assert (taken["value"] <= taken["limit"]).all()
    assert not taken["passes_technical"].any()


def test_batches_are_compared_within_sites(faulty, tmp_path):
    folder, _ = faulty
    out = filtered(folder, tmp_path)
    table, sheet = read_table(out / "batch_effects.csv"), read_table(folder / "samples.csv", "input_samples")
    samples = read_table(out / "samples.csv").merge(sheet[["materialSampleID", "batch"]])
    own = samples[samples["defines"].astype(bool)]
    for row in table.to_dict("records"):
        here = own[own["locationID"] == row["locationID"]]
        assert (here["batch"] == row["batch_a"]).sum() == row["n_a"] >= 2
        assert (here["batch"] == row["batch_b"]).sum() == row["n_b"] >= 2
    assert len(table) >= 6
    assert (table["q_value"] > 0.01).all()  # batches were dealt out at random


def test_without_batch_and_sex_columns_nothing_is_tested(small, tmp_path):
    folder, _ = small
    (tmp_path / "run").mkdir()
    shutil.copytree(folder / "run" / "genotypes.zarr", tmp_path / "run" / "genotypes.zarr")
    shutil.copy(folder / "sites.csv", tmp_path / "sites.csv")
    sheet = read_table(folder / "samples.csv", "input_samples")
    write_table(sheet.drop(columns=["batch", "sex"]), tmp_path / "samples.csv", "input_samples")
    out = filtered(tmp_path, tmp_path / "out")
    assert read_table(out / "batch_effects.csv").empty
    assert json.loads((out / "genotyping_error.json").read_text())["by_batch"] == []
    assert not read_table(out / "markers.parquet")["reason"].isin(["batch", "sex_linked"]).any()


EDGES = {
    "one or two animals a site": {"n_sites": 3, "n_per_site": (1, 2, 2), "query": False},
    "one site with animals": {"n_sites": 3, "n_per_site": (20, 0, 0), "n_lineages": 1, "within": "panmixia"},
    "one chromosome": {"n_sites": 3, "n_animals": 30, "n_chromosomes": 1, "n_snps": 300},
    "families": {"n_sites": 3, "n_animals": 60, "faults": Faults(sibling_families=6, family_size=5)},
    "few markers": {"n_sites": 3, "n_animals": 30, "n_snps": 60},
}


@pytest.mark.parametrize("edge", EDGES)
def test_small_and_odd_studies_run(edge, tmp_path):
    folder, _ = prepared(tmp_path, **EDGES[edge])
    out = filtered(folder, tmp_path / "out")
    samples, kin = read_table(out / "samples.csv"), read_table(out / "kin_thinning.csv")
    assert samples["defines"].any()
    assert kin["n"].sum() == samples["defines"].sum()
    assert kin["n_with_kin"].sum() == samples["defines_with_kin"].sum()
    assert edge != "families" or kin["n_families"].sum() == 6
    assert (read_table(out / "markers.parquet")["status"] == "kept").any()
    read_table(out / "batch_effects.csv")
    if edge == "one site with animals":
        assert kin["mean_fst"].isna().all()


def test_the_map_sets_the_window_of_thinning_where_the_species_has_one(small, tmp_path):
    """A map on which nothing recombines: each chromosome is one window, so more is thinned than by base pairs."""
    folder, _ = small
    ends = pd.DataFrame({"chrom": np.repeat([f"chr{i + 1}" for i in range(30)], 2), "pos": [1, 10**9] * 30, "cm": 0.0})
    ends.to_csv(tmp_path / "map.csv", index=False)
    kept = []
    for name, given in (("plain", []), ("mapped", [str(tmp_path / "map.csv")])):
        (tmp_path / name).mkdir()
        out = filtered(folder, tmp_path / name, recombination_map=given, thinning_distance_kb=0.001, thinning_r2=0.02)
        markers = read_table(out / "markers.parquet")
        kept.append(markers["thinned"].sum() / (markers["status"] == "kept").sum())
    assert kept[0] > kept[1] > 0
