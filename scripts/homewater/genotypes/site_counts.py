"""Genotype counts by site: counted once, and read by every later step that can work from counts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import zarr

from homewater.genotypes.zarr_arrays import CHUNK, new_array, texts, write_column
from homewater.running.writer import written_aside
from homewater.tables.schema_tables import read_table


@dataclass(frozen=True)
class SiteCounts:
    """Genotype counts of the animals that may define units and frequencies, by site.

    Attributes:
        counts: int32 (n_markers, n_sites, 4): homozygous reference, heterozygous, homozygous alternate, missing.
        location_ids: str (n_sites,), in the order of the site list; only sites with at least one such animal.
        markers: table with marker, chrom, pos.
    """

    counts: np.ndarray
    location_ids: np.ndarray
    markers: pd.DataFrame

    @property
    def chrom(self) -> np.ndarray:
        """Chromosome of each marker, str (n_markers,)."""
        return self.markers["chrom"].to_numpy()

    @property
    def pos(self) -> np.ndarray:
        """Position of each marker in base pairs, int64 (n_markers,)."""
        return self.markers["pos"].to_numpy()

    def subset(self, marker_mask: np.ndarray) -> SiteCounts:
        """Return the counts of some markers (bool mask or indices)."""
        rows = np.arange(self.counts.shape[0])[np.asarray(marker_mask)]
        return SiteCounts(self.counts[rows], self.location_ids, self.markers.iloc[rows].reset_index(drop=True))

    def sound(self, markers: pd.DataFrame) -> SiteCounts:
        """Return the counts of the markers that pass the technical filters, rare ones among them.

        Args:
            markers: table markers of the intake, one row a marker of the counts, in their order.
        """
        return self.subset(markers["passes_technical"].to_numpy(dtype=bool))


def write_site_counts(path: str | Path, site_counts: SiteCounts) -> None:
    """Write counts by site as a folder of arrays."""
    counts, markers = site_counts.counts, site_counts.markers
    chrom = markers["chrom"].to_numpy().astype(str)
    contigs, contig = np.unique(chrom, return_inverse=True)
    with written_aside(path) as aside:
        group = zarr.create_group(str(aside), zarr_format=3)
        array = new_array(
            group,
            "homewater_site_counts",
            counts.shape,
            (CHUNK, *counts.shape[1:]),
            "int32",
            ("variants", "sites", "genotypes"),
            "bitshuffle",
        )
        if counts.size:
            array[...] = counts.astype(np.int32)
        write_column(group, "homewater_location_id", site_counts.location_ids, str, ("sites",))
        write_column(group, "contig_id", contigs, str, ("contigs",))
        write_column(group, "variant_contig", contig, "int32", ("variants",))
        write_column(group, "variant_position", markers["pos"].to_numpy(), "int32", ("variants",))
        write_column(group, "homewater_marker", markers["marker"].to_numpy(), str, ("variants",))
        group.update_attributes({"source": "homewater"})


def open_site_counts(path: str | Path) -> SiteCounts:
    """Read counts by site into memory."""
    group = zarr.open_group(str(path), mode="r")
    contig, contigs = group["variant_contig"][...], texts(group["contig_id"])
    markers = pd.DataFrame(
        {
            "marker": texts(group["homewater_marker"]),
            "chrom": contigs[contig] if contig.size else np.empty(0, dtype=str),
            "pos": group["variant_position"][...].astype(np.int64),
        }
    )
    return SiteCounts(group["homewater_site_counts"][...], texts(group["homewater_location_id"]), markers)


def open_sound_site_counts(path: str | Path, markers: str | Path, blocks: str | Path) -> SiteCounts:
    """Read the counts by site of the technically sound markers outside blocks of the genome, rare ones among them.

    Statistics of differentiation use these: leaving rare alleles out would bias them.

    Args:
        path: intake/site_counts.zarr.
        markers: intake/markers.parquet, one row a marker of the counts, in their order.
        blocks: structure/genome_blocks.csv.
    """
    return open_site_counts(path).sound(read_markers_outside_blocks(markers, blocks))


def read_markers_outside_blocks(markers: str | Path, blocks: str | Path) -> pd.DataFrame:
    """Read the table of markers in which those inside blocks of the genome no longer pass.

    Units come from the rest of the genome: an inversion is many markers that tell one story, and not the animals'.

    Args:
        markers: intake/markers.parquet.
        blocks: structure/genome_blocks.csv.
    """
    return without_blocks(read_table(markers), read_table(blocks, "genome_blocks"))


def without_blocks(markers: pd.DataFrame, blocks: pd.DataFrame) -> pd.DataFrame:
    """Return the table of markers in which those inside left-out blocks are neither sound nor thinned.

    Args:
        markers: table markers.
        blocks: table genome_blocks; blocks that it does not leave out change nothing.
    """
    inside = np.zeros(len(markers), dtype=bool)
    chrom, pos = markers["chrom"].to_numpy(), markers["pos"].to_numpy(dtype=np.int64)
    for block in blocks[blocks["left_out"].astype(bool)].to_dict("records"):
        inside |= (chrom == block["chrom"]) & (pos >= block["start"]) & (pos <= block["end"])
    passes = {name: markers[name].to_numpy(dtype=bool) & ~inside for name in ("passes_technical", "thinned")}
    return markers.assign(**passes)
