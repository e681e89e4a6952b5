"""The genotype store: one folder of arrays, written once and read by blocks of markers.

Zarr (format 3) with the array names of the open VCF Zarr layout (variant_contig, variant_position, variant_id,
variant_allele, contig_id, sample_id, call_genotype), plus the bit planes of `bit_planes` and the unique
marker names. Chunks are fixed, whatever the number of parts, threads or cores, so equal genotypes give equal bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pandas as pd
import zarr

from homewater.genotypes.bit_planes import (
    ABSENT,
    HETEROZYGOUS,
    MISSING,
    Layout,
    count_by_animal,
    count_into,
    group_words,
    layout_by_site,
    pack,
    unpack,
)
from homewater.genotypes.variant_blocks import VariantBlock, marker_names, rechunked
from homewater.genotypes.zarr_arrays import CHUNK, new_array, texts, write_column
from homewater.running.writer import written_aside

__all__ = ["CHUNK", "MISSING", "Genotypes", "StoredAnimals", "VariantBlock", "open_genotypes", "write_genotypes"]

VCF_ZARR_VERSION = "0.4"
PLANES_HELD = 256 * 2**20  # bytes of planes kept while a store is open: smaller studies are read once


@dataclass(frozen=True)
class StoredAnimals:
    """The animals of a store, in its order.

    Attributes:
        sample_ids: str (n_samples,), in canonical order.
        location_ids: str (n_samples,), site of each animal; animals of one site lie together.
        read_balance: int64 (n_samples, 6), columns as in `Genotypes.read_balance`; None without reads. It may be
            filled in place while the markers are made.
    """

    sample_ids: Sequence[str] | np.ndarray
    location_ids: Sequence[str] | np.ndarray
    read_balance: np.ndarray | None = None


def write_genotypes(
    path: str | Path,
    animals: StoredAnimals,
    contig_ids: Sequence[str] | np.ndarray,
    blocks: Iterable[VariantBlock],
    attributes: dict[str, Any] | None = None,
    planes_only: bool = False,
) -> None:
    """Write a genotype store, block by block; blocks of any size are joined into chunks of CHUNK markers.

    Eight parameters, since animals, contigs, markers and what is kept beside them are each an array of its own.

    Args:
        path: destination folder.
        animals: the animals; their read balance is read after the last block, and kept where it holds any read.
        contig_ids: str (n_contigs,); read after the last block, so a list may grow while blocks are made.
        blocks: markers in genome order.
        attributes: JSON values kept with the store; read after the last block, so blocks may still count into them.
        planes_only: leave out `call_genotype` and the markers' names, for parts that are joined and dropped.
    """
    sample_ids = np.asarray(animals.sample_ids, dtype=str)
    location_ids = np.asarray(animals.location_ids, dtype=str)
    layout = _layout_of(location_ids)
    n = sample_ids.size
    with written_aside(path) as aside:
        group = zarr.create_group(str(aside), zarr_format=3)
        calls = None
        if not planes_only:
            calls = new_array(
                group,
                "call_genotype",
                (0, n, 2),
                (CHUNK, n, 2),
                "int8",
                ("variants", "samples", "ploidy"),
                "bitshuffle",
                fill_value=-1,
            )
        planes = new_array(
            group,
            "homewater_planes",
            (0, 3, layout.n_words),
            (CHUNK, 3, layout.n_words),
            "uint64",
            ("variants", "planes", "words"),
        )
        columns: list[tuple] = []
        done = 0
        # calls are compressed while planes are packed; one block is under way at most
        with ThreadPoolExecutor(1) as second:
            under_way = None
            for block in rechunked(blocks, CHUNK):
                rows = block.position.size
                if under_way is not None:
                    under_way.result()
                if calls is not None:
                    under_way = second.submit(_append, calls, done, _allele_pairs, block.dosages)
                _append(planes, done, lambda dosages: pack(dosages, layout), block.dosages)
                columns.append((block.contig, block.position, block.identifier, block.alleles))
                done += rows
            if under_way is not None:
                under_way.result()
        contig, position, identifier, alleles = _joined(columns)
        contig_ids = np.asarray(contig_ids, dtype=str)
        chrom = contig_ids[contig] if done else np.empty(0, dtype=str)
        for name, values, dtype, names in (
            ("sample_id", sample_ids, str, ("samples",)),
            ("homewater_location_id", location_ids, str, ("samples",)),
            ("contig_id", contig_ids, str, ("contigs",)),
            ("variant_contig", contig, "int32", ("variants",)),
            ("variant_position", position, "int32", ("variants",)),
            ("variant_id", identifier, str, ("variants",)),
            ("variant_id_mask", identifier == ".", "bool", ("variants",)),
            ("variant_allele", alleles, str, ("variants", "alleles")),
        ):
            write_column(group, name, values, dtype, names)
        if calls is not None:
            marker = marker_names(chrom, position, identifier, alleles)
            write_column(group, "homewater_marker", marker, str, ("variants",))
        with_reads = animals.read_balance is not None and bool(np.any(animals.read_balance))
        if with_reads:
            write_column(group, "homewater_read_balance", animals.read_balance, "int64", ("samples", "read_balance"))
        given = {"vcf_zarr_version": VCF_ZARR_VERSION, "source": "homewater", "read_depths": with_reads}
        given |= attributes or {}
        group.update_attributes(dict(sorted(given.items())))


def _append(array: zarr.Array, done: int, form: Callable, dosages: np.ndarray) -> None:
    """Lengthen an array of `done` markers by a block of genotypes, in the form that the array holds."""
    array.resize((done + len(dosages), *array.shape[1:]))
    if dosages.size:
        array[done:] = form(dosages)


def _layout_of(location_ids: np.ndarray) -> Layout:
    changes = (
        np.concatenate([[False], location_ids[1:] != location_ids[:-1]]) if location_ids.size else np.empty(0, bool)
    )
    if np.unique(location_ids).size != changes.sum() + (location_ids.size > 0):
        raise ValueError("animals of one site must lie together")
    return layout_by_site(np.cumsum(changes))


@numba.njit(cache=True, nogil=True)
def _fill_pairs(dosages, pairs):
    for m in range(dosages.shape[0]):
        for i in range(dosages.shape[1]):
            d = dosages[m, i]
            pairs[m, i, 0] = d >> 1  # 0, 0, 1; -1 stays
            pairs[m, i, 1] = (d + 1) >> 1 if d >= 0 else -1


def _allele_pairs(dosages: np.ndarray) -> np.ndarray:
    # unordered alleles, the smaller first: 0 -> 0,0; 1 -> 0,1; 2 -> 1,1; missing -> -1,-1
    pairs = np.empty((*dosages.shape, 2), dtype=np.int8)
    _fill_pairs(np.ascontiguousarray(dosages, dtype=np.int8), pairs)
    return pairs


def _joined(columns: list[tuple]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    if not columns:
        return np.empty(0, np.int32), np.empty(0, np.int32), np.empty(0, object), np.empty((0, 2), object)
    contig, position, identifier, alleles = (list(c) for c in zip(*columns, strict=True))
    texts = [np.concatenate([np.asarray(t, dtype=object) for t in part]) for part in (identifier, alleles)]
    return np.concatenate(contig), np.concatenate(position), texts[0], texts[1]


class Genotypes:
    """A genotype store opened for reading; nothing of the size of all genotypes is held in memory.

    Attributes:
        n_markers: number of markers.
        n_samples: number of animals.
        sample_ids: str (n_samples,), canonical order.
        location_ids: str (n_samples,), site of each animal.
        contig_ids: str (n_contigs,).
        attributes: what was kept with the store.
    """

    def __init__(self, path: str | Path):
        self._group = zarr.open_group(str(path), mode="r")
        self._planes = self._group["homewater_planes"]
        self.sample_ids = texts(self._group["sample_id"])
        self.location_ids = texts(self._group["homewater_location_id"])
        self.contig_ids = texts(self._group["contig_id"])
        self.attributes = dict(self._group.attrs)
        self.n_markers, self.n_samples = int(self._planes.shape[0]), int(self.sample_ids.size)
        self._layout = _layout_of(self.location_ids)
        self._held: dict[int, np.ndarray] = {}  # the first chunks, as many as PLANES_HELD allows
        self._last: tuple[int, np.ndarray] = (-1, np.empty(0))

    @cached_property
    def markers(self) -> pd.DataFrame:
        """Table of the markers in genome order: marker (unique), chrom, pos, ref, alt."""
        table = self.loci.copy()
        table.insert(0, "marker", texts(self._group["homewater_marker"]))
        return table

    @cached_property
    def loci(self) -> pd.DataFrame:
        """Table of the markers in genome order without names: chrom, pos, ref, alt."""
        alleles = texts(self._group["variant_allele"])
        contig = self._group["variant_contig"][...]
        return pd.DataFrame(
            {
                "chrom": self.contig_ids[contig] if contig.size else np.empty(0, dtype=str),
                "pos": self._group["variant_position"][...].astype(np.int64),
                "ref": alleles[:, 0],
                "alt": alleles[:, 1],
            }
        )

    @cached_property
    def identifiers(self) -> np.ndarray:
        """The ID column, object str (n_markers,); "." where there is none."""
        return texts(self._group["variant_id"]).astype(object)

    @cached_property
    def read_balance(self) -> np.ndarray | None:
        """How the reads behind the calls fall on the alleles, int64 (n_samples, 6); None where no file gave reads (AD).

        Columns: reads at reference-homozygous calls, of them alternate reads; reads at alternate-homozygous calls, of
        them reference reads; heterozygous calls of at least 8 reads, of them those whose reference reads lie outside
        the central 95 % of Binomial(depth, 1/2). Reference and alternate are those of the file that gave the reads.
        """
        if not self.attributes.get("read_depths"):
            return None
        return self._group["homewater_read_balance"][...]

    @cached_property
    def file_concordance(self) -> np.ndarray:
        """Genotypes that several files call and how many of them differ, int64 (n_samples, 2); 0, 0 for one file."""
        known = self.attributes.get("file_concordance", {})
        rows = [known.get(name, (0, 0)) for name in self.sample_ids.tolist()]
        return np.array(rows, dtype=np.int64).reshape(-1, 2)

    def _chunk(self, number: int) -> np.ndarray:
        if number in self._held:
            return self._held[number]
        last = self._last  # one reference: threads may read other chunks meanwhile
        if last[0] != number:
            last = self._last = (number, self._planes[number * CHUNK : (number + 1) * CHUNK])
            if (len(self._held) + 1) * last[1].nbytes <= PLANES_HELD:
                self._held[number] = last[1]
        return last[1]

    def _bits(self, sample_mask: np.ndarray | None) -> np.ndarray:
        return self._layout.bits if sample_mask is None else self._layout.bits[np.asarray(sample_mask)]

    def planes(self, marker_indices: np.ndarray) -> np.ndarray:
        """Return uint64 (n_selected, 3, n_words) bit planes of some markers, in the order given; layout by site."""
        marker_indices = np.asarray(marker_indices, dtype=np.int64)
        chosen = np.empty((marker_indices.size, *self._planes.shape[1:]), dtype=np.uint64)
        chunk = marker_indices // CHUNK
        for number in np.unique(chunk):
            here = np.flatnonzero(chunk == number)
            chosen[here] = self._chunk(int(number))[marker_indices[here] - number * CHUNK]
        return chosen

    @property
    def layout(self) -> Layout:
        """Where each animal's bit lies in the planes."""
        return self._layout

    def select(self, marker_indices: np.ndarray, sample_mask: np.ndarray | None = None) -> np.ndarray:
        """Return the genotypes of some markers.

        Args:
            marker_indices: int (n_selected,), in any order.
            sample_mask: bool (n_samples,) or indices of animals; all animals by default.

        Returns:
            int8 (n_selected, n), alternate-allele copies; MISSING = -1.
        """
        marker_indices = np.asarray(marker_indices, dtype=np.int64)
        if marker_indices.size and (marker_indices.min() < 0 or marker_indices.max() >= self.n_markers):
            raise IndexError(f"marker indices must lie in 0..{self.n_markers - 1}")
        bits = self._bits(sample_mask)
        chosen = np.empty((marker_indices.size, bits.size), dtype=np.int8)
        chunk = marker_indices // CHUNK
        for number in np.unique(chunk):
            here = np.flatnonzero(chunk == number)
            chosen[here] = unpack(self._chunk(int(number)), bits, marker_indices[here] - number * CHUNK)
        return chosen

    def blocks(
        self, marker_mask: np.ndarray | None = None, sample_mask: np.ndarray | None = None, size: int = CHUNK
    ) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yield the genotypes block by block, in genome order.

        Args:
            marker_mask: bool (n_markers,); all markers by default.
            sample_mask: bool (n_samples,); all animals by default.
            size: markers a block (the last may be smaller).

        Yields:
            indices int64 (n_block,) into the store's markers; dosages int8 (n_block, n_selected), MISSING = -1.
        """
        indices = (
            np.arange(self.n_markers) if marker_mask is None else np.flatnonzero(np.asarray(marker_mask, dtype=bool))
        )
        for start in range(0, indices.size, size):
            rows = indices[start : start + size].astype(np.int64)
            yield rows, self.select(rows, sample_mask)

    def genotype_counts(self, group: np.ndarray, n_groups: int) -> np.ndarray:
        """Count genotypes in each group of animals.

        Args:
            group: int (n_samples,), group of each animal; -1 is not counted.
            n_groups: number of groups.

        Returns:
            int32 (n_markers, n_groups, 4): homozygous reference, heterozygous, homozygous alternate, missing.
        """
        counts = np.zeros((self.n_markers, n_groups, 4), dtype=np.int32)
        for rows, block in self.genotype_count_blocks(group, n_groups):
            counts[rows] = block
        return counts

    def genotype_count_blocks(self, group: np.ndarray, n_groups: int) -> Iterator[tuple[slice, np.ndarray]]:
        """Yield what `genotype_counts` returns block by block, for many groups: slice of markers, counts there."""
        words = group_words(self._layout, group, n_groups)
        for start in range(0, self.n_markers, CHUNK):
            planes = self._chunk(start // CHUNK)
            counts = np.zeros((planes.shape[0], n_groups, 4), dtype=np.int32)
            count_into(planes, *words, counts)
            yield slice(start, start + planes.shape[0]), counts

    def animal_counts(self, marker_mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return, per animal, at how many of the markers it is called and heterozygous; int64 (n_samples,) each.

        Args:
            marker_mask: bool (n_markers,).
        """
        absent, het = np.zeros((2, self.n_samples), dtype=np.int64)
        for start in range(0, self.n_markers, CHUNK):
            rows = np.flatnonzero(marker_mask[start : start + CHUNK])
            planes = self._chunk(start // CHUNK)
            absent += count_by_animal(planes, rows, ABSENT, self._layout.bits)
            het += count_by_animal(planes, rows, HETEROZYGOUS, self._layout.bits)
        return int(np.count_nonzero(marker_mask)) - absent, het


def open_genotypes(path: str | Path) -> Genotypes:
    """Open a genotype store for reading."""
    return Genotypes(path)
