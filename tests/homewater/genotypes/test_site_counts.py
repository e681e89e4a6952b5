"""Counts by site read back as they were written."""

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import (
    SiteCounts,
    open_site_counts,
    open_sound_site_counts,
    without_blocks,
    write_site_counts,
)
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
    write_table(empty_table("genome_blocks"), tmp_path / "genome_blocks.csv")
    paths = tmp_path / "c.zarr", tmp_path / "markers.parquet", tmp_path / "genome_blocks.csv"
    sound = open_sound_site_counts(*paths)
    assert np.array_equal(sound.counts, counts[[0, 2]])
    assert (sound.chrom.tolist(), sound.pos.tolist()) == (["1", "1"], [4, 6])
    write_table(blocks([("1", 6, 9, True)]), tmp_path / "genome_blocks.csv")
    assert np.array_equal(open_sound_site_counts(*paths).counts, counts[[0]])


def blocks(rows):
    """Return table genome_blocks with what is asked for: chrom, start, end, left_out."""
    table = pd.DataFrame(rows, columns=["chrom", "start", "end", "left_out"])
    table = table.assign(block=[f"block_{i + 1}" for i in table.index], n_markers=1, q_value=0.01, reading="uniform")
    return table.reindex(columns=empty_table("genome_blocks").columns)


def test_markers_inside_a_left_out_block_are_neither_sound_nor_thinned():
    markers = pd.DataFrame({"chrom": ["1", "1", "1", "2", "2"], "pos": [3, 5, 8, 5, 9]})
    markers = markers.assign(passes_technical=[True, True, True, True, False], thinned=[True, False, True, True, False])
    rest = without_blocks(markers, blocks([("1", 5, 8, True), ("2", 1, 9, False), ("3", 1, 99, True)]))
    assert rest["passes_technical"].tolist() == [True, False, False, True, False]
    assert rest["thinned"].tolist() == [True, False, False, True, False]
    assert without_blocks(markers, blocks([])).equals(markers)
