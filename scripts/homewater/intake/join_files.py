"""Several files of a species joined into one set of markers and animals.

Markers come in genome order. Animals come in canonical order: by site as in the list of sites, then as in the sheet.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from homewater.genotypes.store import CHUNK, Genotypes, VariantBlock
from homewater.intake.file_conflicts import MAX_ROWS, animal_conflicts, conflict_table, marker_conflicts
from homewater.intake.match_markers import match_markers

MAX_NAMED = 5  # animals named beside a marker
CONFLICT = -2  # a genotype that two files call differently, while a block is made


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

    Which markers of several files are the same says `match_markers`. Where a marker is absent from a file, or its
    strand cannot be told there, the file's animals are missing. An animal that several files hold takes what any of
    them calls; where two of them call it differently it is missing, and counted.

    Args:
        parts: parts in the files' order.
        contigs: contigs in genome order.
        sample_ids: animals wanted, canonical order; those without any genotypes must be left out beforehand.
        files: number of the file of each part, non-decreasing; each part a file by default.

    Attributes:
        n_markers: markers of the union.
        compared: int64 (n_files, n_samples), genotypes that an earlier file called too; complete, as are the following,
            after `blocks` is exhausted.
        differing: int64 (n_files, n_samples), those of them that the earlier file called differently.
    """

    def __init__(
        self, parts: list[Genotypes], contigs: list[str], sample_ids: list[str], files: list[int] | None = None
    ):
        files = list(range(len(parts))) if files is None else files
        self._parts, self._sample_ids, self._n_samples = parts, list(sample_ids), len(sample_ids)
        place = {name: i for i, name in enumerate(sample_ids)}
        self._columns = [np.array([place[name] for name in part.sample_ids.tolist()], dtype=np.int64) for part in parts]
        self._identifiers = [part.identifiers for part in parts]
        self._n_files = max(files, default=-1) + 1
        rank = {name: i for i, name in enumerate(contigs)}
        tables = []
        for number, part in enumerate(parts):
            table = part.loci
            contig = table["chrom"].map(rank).astype(np.int64)
            tables.append(table.assign(chrom=contig, part=number, file=files[number], row=np.arange(len(table))))
        self._rows = pd.concat(tables, ignore_index=True)
        self._matched = match_markers(self._rows, self._frequencies)
        self.n_markers = int(self._matched.head.size)
        used = np.flatnonzero(self._matched.marker >= 0)
        # by marker, then in the files' order
        self._order = used[np.argsort(self._matched.marker[used], kind="stable")]
        self.compared, self.differing = np.zeros((2, self._n_files, self._n_samples), dtype=np.int64)
        self._conflicts: list[tuple] = []
        self._listing, self._unlisted = True, 0

    def _frequencies(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part, row = (self._rows[name].to_numpy()[rows] for name in ("part", "row"))
        alternate, copies = np.zeros((2, rows.size), dtype=np.int64)
        for number in np.unique(part):
            here = np.flatnonzero(part == number)
            for start in range(0, here.size, CHUNK):
                some = here[start : start + CHUNK]
                dosages = self._parts[number].select(row[some])
                called = dosages >= 0
                alternate[some] = np.where(called, dosages, 0).sum(axis=1, dtype=np.int64)
                copies[some] = 2 * called.sum(axis=1, dtype=np.int64)
        return alternate, copies

    def read_balance(self) -> np.ndarray:
        """Return the reads by allele, int64 (n_samples, 6) as in `Genotypes.read_balance`, summed over the parts."""
        total = np.zeros((self._n_samples, 6), dtype=np.int64)
        for part, columns in zip(self._parts, self._columns, strict=True):
            if part.read_balance is not None:
                total[columns] += part.read_balance
        return total

    def blocks(self) -> Iterator[VariantBlock]:
        """Yield the union in genome order, CHUNK markers at a time; contig is the index into the contigs given."""
        part, row, file = (self._rows[name].to_numpy()[self._order] for name in ("part", "row", "file"))
        marker, flip = self._matched.marker[self._order], self._matched.flip[self._order]
        for start in range(0, self.n_markers, CHUNK):
            self._listing = len(self._conflicts) < MAX_ROWS  # by whole blocks: what is listed has no gaps
            low, high = np.searchsorted(marker, [start, min(start + CHUNK, self.n_markers)])
            heads = self._rows.iloc[self._matched.head[start : start + CHUNK]]
            dosages = np.full((len(heads), self._n_samples), -1, dtype=np.int8)
            identifier = np.full(len(heads), ".", dtype=object)
            for number in np.unique(part[low:high]):
                here = low + np.flatnonzero(part[low:high] == number)
                markers, columns = marker[here] - start, self._columns[number]
                found = self._parts[number].select(row[here])
                turned = flip[here]
                if turned.any():
                    found[turned] = np.where(found[turned] >= 0, 2 - found[turned], -1)
                if self._n_files == 1 and columns.size == self._n_samples:
                    dosages[markers] = found[:, np.argsort(columns)] if (np.diff(columns) != 1).any() else found
                    identifier[markers] = self._identifiers[number][row[here]]
                    continue
                cells = np.ix_(markers, columns)
                dosages[cells] = self._merged(dosages[cells], found, int(file[here[0]]), marker[here], columns)
                names = self._identifiers[number][row[here]]
                identifier[markers] = np.where(identifier[markers] == ".", names, identifier[markers])
            dosages[dosages == CONFLICT] = -1
            yield VariantBlock(
                heads["chrom"].to_numpy().astype(np.int32),
                heads["pos"].to_numpy().astype(np.int32),
                identifier,
                heads[["ref", "alt"]].to_numpy(dtype=object),
                dosages,
            )

    def _merged(self, held: np.ndarray, found: np.ndarray, file: int, marker: np.ndarray, columns: np.ndarray):
        """Return what is held of some animals at some markers with a further file's calls added; conflicts counted."""
        if file == 0:
            return found
        both = (held >= 0) & (found >= 0)
        differs = both & (held != found)
        self.compared[file, columns] += both.sum(axis=0)
        self.differing[file, columns] += differs.sum(axis=0)
        conflicting = np.flatnonzero(differs.any(axis=1))
        if not self._listing:
            self._unlisted, conflicting = self._unlisted + conflicting.size, conflicting[:0]
        for row in conflicting:
            animals = columns[differs[row]]
            names = ",".join(self._sample_ids[i] for i in np.sort(animals)[:MAX_NAMED])
            self._conflicts.append((int(marker[row]), file, names, animals.size))
        merged = np.where(held == -1, found, held)
        merged[differs] = CONFLICT
        return merged

    def concordance(self) -> dict[str, list[int]]:
        """Return, for each animal with calls in several files, how many were compared and how many differ."""
        compared, differing = self.compared.sum(axis=0), self.differing.sum(axis=0)
        return {self._sample_ids[i]: [int(compared[i]), int(differing[i])] for i in np.flatnonzero(compared).tolist()}

    def conflicts(self, file_names: list[str], joined: Genotypes) -> tuple[pd.DataFrame, dict[str, int]]:
        """Return what the files disagree in.

        Args:
            file_names: name of each file.
            joined: the store that was written from `blocks`.

        Returns:
            table file_conflicts, and the number of its rows of each kind before any is left out.
        """
        if self._n_files < 2:
            return conflict_table([]), {}
        identifier = np.concatenate([np.empty(0, dtype=object), *self._identifiers])
        calls = pd.DataFrame(self._conflicts, columns=["number", "file", "materialSampleID", "n"])
        animals = animal_conflicts(self._sample_ids, file_names, self.compared, self.differing)
        table, totals = marker_conflicts(
            self._rows, self._matched, identifier, calls, file_names, joined.markers, self._unlisted
        )
        if len(animals):
            totals["animal_conflicts"] = len(animals)
        return conflict_table([animals, table]), totals
