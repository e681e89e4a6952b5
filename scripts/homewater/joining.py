"""Joining parts into one store: markers in genome order, animals in canonical order, several files merged."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from homewater.store import CHUNK, Genotypes, VariantBlock


def canonical_samples(samples: pd.DataFrame, sites: pd.DataFrame, species: str) -> pd.DataFrame:
    """Return the animals of a species in canonical order: sites as in the site list, then rows as in the sample sheet.

    Args:
        samples: sample sheet with materialSampleID, species, locationID.
        sites: site list with locationID.
        species: species id.
    """
    ours = samples[samples["species"] == species]
    rank = ours["locationID"].map({name: i for i, name in enumerate(sites["locationID"])})
    return ours.iloc[np.argsort(rank.to_numpy(), kind="stable")].reset_index(drop=True)


def genome_order(contigs_of_files: list[list[str]], parts: list[Genotypes]) -> list[str]:
    """Return the contigs in genome order: as the headers list them, file after file, then as the records meet them."""
    listed = [name for contigs in contigs_of_files for name in contigs]
    met = [str(name) for part in parts for name in part.contig_ids]
    return list(dict.fromkeys(listed + met))


class Joined:
    """The union of the parts' markers over all animals.

    A marker is the same in two files when chromosome, position, reference and alternate are. Where it is absent from a
    file its animals are missing there. An animal that several files hold takes the first file's called genotype.

    Args:
        parts: parts in the files' order.
        contigs: contigs in genome order.
        sample_ids: animals wanted, canonical order; those without any genotypes must be left out beforehand.

    Attributes:
        n_markers: markers of the union.
        conflicts: genotypes called differently in two files; complete after `blocks` is exhausted.
    """

    def __init__(self, parts: list[Genotypes], contigs: list[str], sample_ids: list[str]):
        self._parts, self.conflicts = parts, 0
        place = {name: i for i, name in enumerate(sample_ids)}
        self._columns = [np.array([place[name] for name in part.sample_ids.tolist()], dtype=np.int64) for part in parts]
        self._n_samples = len(sample_ids)
        self._identifiers = [part.identifiers for part in parts]
        rank = {name: i for i, name in enumerate(contigs)}
        tables = []
        for number, part in enumerate(parts):
            table = part.markers[["chrom", "pos", "ref", "alt"]]
            contig = table["chrom"].map(rank).astype(np.int64)
            table = table.assign(chrom=contig, part=number, row=np.arange(len(table)))
            tables.append(table)
        union = pd.concat(tables, ignore_index=True)
        union = union.sort_values(["chrom", "pos", "ref", "alt", "part"], kind="stable", ignore_index=True)
        self._first = ~union.duplicated(["chrom", "pos", "ref", "alt"]).to_numpy()
        self._union, self._marker = union, np.cumsum(self._first) - 1
        self.n_markers = int(self._first.sum())

    def read_balance(self) -> np.ndarray:
        """Return the reads by allele, int64 (n_samples, 6) as in `Genotypes.read_balance`, summed over the parts."""
        total = np.zeros((self._n_samples, 6), dtype=np.int64)
        for part, columns in zip(self._parts, self._columns, strict=True):
            if part.read_balance is not None:
                total[columns] += part.read_balance
        return total

    def blocks(self) -> Iterator[VariantBlock]:
        """Yield the union in genome order, CHUNK markers at a time; contig is the index into the contigs given."""
        part, row = self._union["part"].to_numpy(), self._union["row"].to_numpy()
        for start in range(0, self.n_markers, CHUNK):
            low, high = np.searchsorted(self._marker, [start, min(start + CHUNK, self.n_markers)])
            heads = self._union.iloc[low:high][self._first[low:high]]
            dosages = np.full((len(heads), self._n_samples), -1, dtype=np.int8)
            identifier = np.full(len(heads), ".", dtype=object)
            for number in np.unique(part[low:high]):
                here = low + np.flatnonzero(part[low:high] == number)
                markers, columns = self._marker[here] - start, self._columns[number]
                found = self._parts[number].select(row[here])
                held = dosages[np.ix_(markers, columns)]
                self.conflicts += int(np.count_nonzero((held >= 0) & (found >= 0) & (held != found)))
                dosages[np.ix_(markers, columns)] = np.where(held >= 0, held, found)
                names = self._identifiers[number][row[here]]
                identifier[markers] = np.where(identifier[markers] == ".", names, identifier[markers])
            yield VariantBlock(
                heads["chrom"].to_numpy().astype(np.int32),
                heads["pos"].to_numpy().astype(np.int32),
                identifier,
                heads[["ref", "alt"]].to_numpy(dtype=object),
                dosages,
            )
