"""The step filters on a small study: its tables agree with one another and with the genotypes."""

import json

import numpy as np
import pandas as pd
import pytest
from drawn_coast import SETTINGS
from intake_runs import imported, step

from homewater.store import open_genotypes, open_site_counts
from homewater.study_generator import small_study
from homewater.tables import read_table, write_table


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Return the folder of a small study after intake."""
    folder = tmp_path_factory.mktemp("small")
    study = small_study(folder / "study", seed=3, n_animals=60, n_snps=600)
    sites = pd.read_csv(study.sites, dtype=str, keep_default_na=False)
    samples = pd.read_csv(study.samples, dtype=str, keep_default_na=False)
    write_table(
        sites.astype({"decimalLatitude": float, "decimalLongitude": float}), folder / "sites.csv", "input_sites"
    )
    write_table(samples.assign(length_mm=pd.to_numeric(samples["length_mm"])), folder / "samples.csv", "input_samples")
    imported(folder / "run", [study.genotypes["topshell"]])
    return folder, study


def filtered(folder, target, native_range=(), **changes):
    outputs = {"kept_samples": "samples.csv", "markers": "markers.parquet", "summary": "filter_summary.csv",
               "site_roles": "site_roles.csv", "site_counts": "site_counts.zarr",
               "genotyping_error": "genotyping_error.json"}  # fmt: skip
    step("filters")(
        genotypes=str(folder / "run" / "genotypes.zarr"),
        samples=str(folder / "samples.csv"),
        sites=str(folder / "sites.csv"),
        native_range=list(native_range),
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
