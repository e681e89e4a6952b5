"""Counts by site read back as they were written."""

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts, open_site_counts, open_sound_site_counts, write_site_counts
from homewater.tables.schema_tables import empty_table, write_table


def test_site_counts_read_back_and_subset(tmp_path):
    counts = np.random.default_rng(3).integers(0, 9, (7, 2, 4)).astype(np.int32)
    markers = pd.DataFrame({"marker": [f"m{i}" for i in range(7)], "chrom": ["b"] * 3 + ["a"] * 4, "pos": range(1, 8)})
    write_site_counts(tmp_path / "c.zarr", SiteCounts(counts, np.array(["öst", "a b"]), markers))
    read = open_site_counts(tmp_path / "c.zarr")
    assert np.array_equal(read.counts, counts)
    assert read.location_ids.tolist() == ["öst", "a b"]
    assert read.markers.to_numpy().tolist() == markers.to_numpy().tolist()
    mask = np.arange(7) % 2 == 0
    assert read.subset(mask).markers["marker"].tolist() == ["m0", "m2", "m4", "m6"]
    assert np.array_equal(read.subset(np.array([5, 1])).counts, counts[[5, 1]])


def test_sound_counts_are_those_of_the_markers_that_pass(tmp_path):
    counts = np.arange(24, dtype=np.int32).reshape(3, 2, 4)
    markers = pd.DataFrame({"marker": ["m0", "m1", "m2"], "chrom": "1", "pos": [4, 5, 6]})
    write_site_counts(tmp_path / "c.zarr", SiteCounts(counts, np.array(["a", "b"]), markers))
    passes = empty_table("markers").reindex(range(3)).assign(**markers, status="kept", thinned=True)
    write_table(passes.assign(passes_technical=[True, False, True]), tmp_path / "markers.parquet", "markers")
    sound = open_sound_site_counts(tmp_path / "c.zarr", tmp_path / "markers.parquet")
    assert np.array_equal(sound.counts, counts[[0, 2]])
    assert (sound.chrom.tolist(), sound.pos.tolist()) == (["1", "1"], [4, 6])
