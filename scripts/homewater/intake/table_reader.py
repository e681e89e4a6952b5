"""Genotypes as a table: CSV, one row an animal, one column a marker, calls as letters; read row by row.

A second table, the marker table, says where each marker lies and what its two alleles are. Strands are not guessed: a
call in other letters than the marker's is told, with its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from homewater.genotypes.read_balance import COLUMNS
from homewater.genotypes.store import CHUNK, VariantBlock
from homewater.inputs.event_dates import NO_DATE, looks_like_date
from homewater.inputs.genotype_headers import GenotypeHeader
from homewater.inputs.user_tables import ReadTable, Unreadable, read_input_table, records
from homewater.inputs.user_text import SAVE_AS, file_problem, nearest, shown
from homewater.intake.vcf_reader import NOTED, SKIPPED, THRESHOLDS
from homewater.running.errors import MAX_LISTED, InputError, Problem

ANIMAL = "materialSampleID"
MISSING_WORDS = ("", "NA", "./.", "-/-", "?/?")
_LETTERS = "ACGT"
_UNKNOWN = (".", "-", "?")
_MISSING, _HALF, _BAD = 16, 17, 18  # codes of a cell; 0 to 15: first allele * 4 + second
_ALLOWED = "two alleles as A/G, A|G or AG, or, for a missing call, nothing, NA, ./., -/- or ?/?"


# --- the text of a table ---


def _records(path: Path, name: str) -> Iterator[tuple[int, list[str]]]:
    """Yield (line, cells) of every row that is not blank, header first; raises InputError where the text breaks off."""
    problem = file_problem(path, name)
    if problem:
        raise InputError(problem)
    with open(path, "rb") as handle:
        start = handle.read(4)
    if start.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise InputError(Problem(name, "", "", "a spreadsheet or an archive, not text", SAVE_AS))
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(Problem(name, "line 1", "", "text in UTF-16", SAVE_AS))
    with open(path, encoding="utf-8-sig", newline="") as handle:
        try:
            yield from records(handle)
        except Unreadable as error:
            raise InputError(Problem(name, f"line {error.line}", "", error.found, error.allowed)) from None


def _marker_columns(name: str, line: int, header: list[str]) -> tuple[list[str], list[Problem]]:
    """Return the name of each column after the first ("" where it has none), and what is wrong with the header."""
    place = f"line {line}"
    if len(header) < 2:
        marks = ((";", "semicolons"), ("\t", "tabs"), ("|", "bars"))
        word = next((word for mark, word in marks if mark in header[0]), None)
        found = f"{word} between the columns" if word else "one column alone"
        return [], [Problem(name, place, "", found, SAVE_AS if word else "one column a marker beside the animals")]
    header = [" ".join(cell.split()) for cell in header]
    if header[0] != ANIMAL:
        found = f"{shown(header[0]) or 'no name'} as the first column"
        return [], [Problem(name, place, ANIMAL, found, f"{ANIMAL} as the first column, spelt so")]
    again = [(column, n) for column, n in Counter(header[1:]).items() if n > 1 and column]
    problems = [Problem(name, place, shown(c), f"{n} columns of this name", "each marker once") for c, n in again]
    problems += [Problem(name, place, shown(c), "a date", NO_DATE) for c in header[1:] if looks_like_date(c)]
    return header[1:], problems


def _wrong_width(name: str, line: int, found: int, expected: int) -> Problem:
    return Problem(name, f"line {line}", "", f"{found} fields", f"{expected} fields, as in the header")


# --- before anything is computed ---


def read_genotype_table_header(
    path: str | Path, name: str, markers: ReadTable
) -> tuple[GenotypeHeader | None, list[Problem], set[str]]:
    """Read the markers and animals of a genotype table, without its calls.

    Args:
        path: where the file is.
        name: the file as the user wrote it, for messages.
        markers: the marker table.

    Returns:
        what a header says (None where the text cannot be read), what is wrong, and the markers that have a column.
    """
    try:
        rows = _records(Path(path), name)
        line, header = next(rows, (1, [""]))
        columns, problems = _marker_columns(name, line, header)
        if not columns:
            return None, problems, set()
        place = {marker: chrom for marker, chrom in zip(markers.frame["marker"], markers.frame["chrom"], strict=True)}
        for column in dict.fromkeys(filter(None, columns)):
            if markers.whole and column not in place and not looks_like_date(column):
                near = nearest(column, [m for m in place if m not in columns]) if len(problems) < MAX_LISTED else None
                allowed = f"a marker of {markers.name}" + (f"; did you mean {near}?" if near else "")
                problems.append(Problem(name, f"line {line}", shown(column), "an unknown marker", allowed))
        lines: dict[str, int] = {}
        nameless = [i for i, column in enumerate(columns, start=1) if not column]
        for line, cells in rows:
            sample = cells[0].strip()
            if len(cells) != len(header):
                problems.append(_wrong_width(name, line, len(cells), len(header)))
            elif any(cells[i].strip() for i in nameless):
                found = "calls in a column without a name"
                problems.append(Problem(name, f"line {line}", "", found, "a marker's name above each column"))
            if not sample:
                problems.append(Problem(name, f"line {line}", ANIMAL, "nothing", "the id of the animal"))
            elif sample in lines:
                found = f"{shown(sample)} again (first in line {lines[sample]})"
                problems.append(Problem(name, f"line {line}", ANIMAL, found, "each animal once"))
            lines.setdefault(sample, line)
    except InputError as error:
        return None, error.problems, set()
    if not lines:
        problems.append(Problem(name, "", "", "a header and no rows", "at least one row"))
    used = set(columns) & set(place)
    contigs = dict.fromkeys(chrom for marker, chrom in place.items() if marker in used)
    names = tuple(sample for sample in lines if sample)
    header_of = GenotypeHeader(name, names, line, contigs, tuple(lines[sample] for sample in names))
    return header_of, problems, used


def marker_table_problems(markers: ReadTable, used: set[str] | None) -> list[Problem]:
    """Tell of markers with one allele, of two markers that are the same, and of those in no genotype table.

    Args:
        markers: the marker table.
        used: markers with a column in any genotype table; None where one of these could not be read.
    """
    problems, first = [], {}
    frame = markers.frame
    for line, marker, chrom, pos, ref, alt in zip(
        markers.lines, *(frame[c].tolist() for c in ("marker", "chrom", "pos", "ref", "alt")), strict=True
    ):
        where = f"line {line}"
        if ref and ref == alt:
            problems.append(Problem(markers.name, where, "alt", f"{alt}, as the reference allele", "another base"))
        key = (chrom, pos, *sorted((ref, alt)))
        if ref and alt and chrom and isinstance(pos, int):
            if key in first and first[key][1] != marker:
                found = f"the place and alleles of {shown(first[key][1])} (line {first[key][0]})"
                problems.append(Problem(markers.name, where, "marker", found, "each marker under one name"))
            first.setdefault(key, (line, marker))
        if used is not None and marker and marker not in used:
            found = f"{shown(marker)}, which no genotype table has"
            problems.append(Problem(markers.name, where, "marker", found, "a marker with a column of genotypes"))
    return problems


# --- the calls ---


class _Codes(dict):
    """Code of a cell by its text, worked out once for each text that occurs."""

    def __missing__(self, text: str) -> int:
        code = self[text] = _code(text)
        return code


def _code(text: str) -> int:
    text = text.strip().upper()
    if text in MISSING_WORDS:
        return _MISSING
    parts = list(text) if len(text) == 2 else text.replace("|", "/").split("/")
    if len(parts) != 2 or not all(part in _UNKNOWN or (part in _LETTERS and len(part) == 1) for part in parts):
        return _BAD
    unknown = [part in _UNKNOWN for part in parts]
    if any(unknown):
        return _MISSING if all(unknown) and parts[0] == parts[1] else _HALF if not all(unknown) else _BAD
    return 4 * _LETTERS.index(parts[0]) + _LETTERS.index(parts[1])


def _dosage_of() -> np.ndarray:
    """Return int8 (19, 16): alternate copies by code of the cell and 4 * ref + alt; -1 missing, -3 not allowed."""
    table = np.full((19, 16), -3, dtype=np.int8)
    for pair in range(16):
        alleles = divmod(pair, 4)
        for first in alleles:
            for second in alleles:
                table[4 * first + second, pair] = (first == alleles[1]) + (second == alleles[1])
    table[[_MISSING, _HALF]] = -1
    return table


class TableReader:
    """Reads the calls of a genotype table, as `PartReader` reads those of a VCF.

    Args:
        path: genotype table.
        marker_path: marker table.
        sample_ids: animals wanted, in the order wanted; those that the table lacks are left out.
        min_genotype_quality: must be 0: a table has no qualities.
        min_read_depth: must be 0: a table has no depths.

    Attributes:
        sample_ids: the wanted animals that the table has, in the order wanted.
        contigs: chromosomes of its markers, as the marker table meets them; complete after `blocks` is exhausted.
        records: counts as those of `PartReader`; a record is a marker.
        read_balance: int64 (n_samples, 6), all zero.

    Raises:
        InputError: where a table cannot be read, holds none of the animals, or cannot meet a threshold.
    """

    def __init__(
        self,
        path: str | Path,
        marker_path: str | Path,
        sample_ids: list[str],
        min_genotype_quality: float = 0,
        min_read_depth: float = 0,
    ):
        self._path, self._name = Path(path), Path(path).name
        asked = {"GQ": min_genotype_quality, "DP": min_read_depth}
        problems = [
            Problem(self._name, "", key, f"a genotype table, which has no {key}", f"markers.{THRESHOLDS[key][0]}: 0")
            for key, least in asked.items()
            if least > 0
        ]
        markers = read_input_table(marker_path, Path(marker_path).name, "input_markers")
        header, faults, _ = read_genotype_table_header(path, self._name, markers)
        problems += markers.problems + faults
        if problems:
            raise InputError(problems)
        self._markers = markers.frame
        self.sample_ids = [name for name in sample_ids if name in set(header.sample_ids)]
        if not self.sample_ids:
            found = "none of the animals of the sample sheet"
            raise InputError(Problem(self._name, "", ANIMAL, found, "at least one of them"))
        self.contigs = list(header.contigs)
        self.records = dict.fromkeys(("read", "kept", *SKIPPED, *NOTED), 0)
        self.read_balance = np.zeros((len(self.sample_ids), len(COLUMNS)), dtype=np.int64)

    def blocks(self) -> Iterator[VariantBlock]:
        """Yield the markers in genome order, CHUNK at a time.

        Raises:
            InputError: on calls that are none, or in other alleles than the marker's; at most 20 are named.
        """
        rows = _records(self._path, self._name)
        header = [" ".join(cell.split()) for cell in next(rows)[1]]
        cells_of = [i for i, column in enumerate(header) if i and column]
        table = self._markers.set_index("marker").loc[[header[i] for i in cells_of]].reset_index()
        alleles = [table[column].map(_LETTERS.index).to_numpy(dtype=np.int64) for column in ("ref", "alt")]
        dosages = self._dosages(rows, cells_of, table, 4 * alleles[0] + alleles[1])
        contig = table["chrom"].map({chrom: i for i, chrom in enumerate(self.contigs)}).to_numpy(dtype=np.int32)
        position = table["pos"].to_numpy(dtype=np.int32)
        order = np.lexsort((alleles[1], alleles[0], position, contig))
        self.records["read"] = self.records["kept"] = order.size
        text = table[["ref", "alt"]].to_numpy(dtype=object)
        for start in range(0, order.size, CHUNK):
            some = order[start : start + CHUNK]
            yield VariantBlock(
                contig[some],
                position[some],
                table["marker"].to_numpy(dtype=object)[some],
                text[some],
                np.ascontiguousarray(dosages[:, some].T),
            )

    def _dosages(
        self, rows: Iterable[tuple[int, list[str]]], cells_of: list[int], table: pd.DataFrame, pair: np.ndarray
    ) -> np.ndarray:
        """Return int8 (n_samples, n_markers), one row of the file in memory at a time."""
        place = {name: i for i, name in enumerate(self.sample_ids)}
        dosages = np.empty((len(place), len(cells_of)), dtype=np.int8)
        codes, lookup, problems = _Codes(), _dosage_of(), []
        plain = cells_of == list(range(1, len(cells_of) + 1))
        for line, cells in rows:
            row = place.get(cells[0].strip())
            if row is None:
                continue
            texts = cells[1 : len(cells_of) + 1] if plain else [cells[i] for i in cells_of]
            found = np.fromiter(map(codes.__getitem__, texts), dtype=np.int64, count=len(texts))
            dosages[row] = lookup[found, pair]
            self.records["half_calls"] += int(np.count_nonzero(found == _HALF))
            for at in np.flatnonzero(dosages[row] == -3)[: MAX_LISTED - len(problems)]:
                problems.append(self._problem(line, texts[at].strip(), int(found[at]), table.iloc[at]))
            if len(problems) >= MAX_LISTED:
                break
        if problems:
            raise InputError(problems)
        return dosages

    def _problem(self, line: int, text: str, code: int, marker: pd.Series) -> Problem:
        allowed = _ALLOWED
        if code < _MISSING:
            allowed = f"alleles {marker['ref']} and {marker['alt']}, as in the marker table"
            other = {3 - _LETTERS.index(base) for base in (marker["ref"], marker["alt"])}
            if set(divmod(code, 4)) <= other:
                allowed += " (this call looks written on the other strand; write the calls on that of the marker table)"
        return Problem(self._name, f"line {line}", shown(marker["marker"]), shown(text), allowed)
