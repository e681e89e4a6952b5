"""The biallelic single-base markers of one part of a VCF or BCF file, with the genotypes of the animals asked for."""

from __future__ import annotations

import re
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import numba
import numpy as np

from homewater.genotypes.read_balance import COLUMNS, add_reads, balance_limits
from homewater.genotypes.store import VariantBlock
from homewater.intake.text_reader import TextReader
from homewater.intake.vcf_files import open_vcf
from homewater.running.errors import MAX_LISTED, InputError, Problem

MAX_POSITION = 2**31 - 1
READ_BLOCK = 1024  # records decoded before they are handed on
SKIPPED = (
    "failed_filter",
    "multiallelic",
    "no_alternate",
    "symbolic",
    "spanning_deletion",
    "not_one_base",
    "ambiguous_base",
    "duplicate_record",
)
# genotypes that became missing, by reason, and records of which alternates that no listed animal carries were dropped
NOTED = ("half_calls", "low_quality", "low_depth", "alternates_dropped")
# Source: VCF specification 4.3, section 1.4.7, allowed names of contigs; letters of any alphabet pass here
_CONTIG = re.compile(r"[^\s,<>()\[\]{}\\'\"`*=][^\s,<>()\[\]{}\\'\"`]*")
THRESHOLDS = {"GQ": ("min_genotype_quality", "low_quality"), "DP": ("min_read_depth", "low_depth")}


@numba.njit(cache=True)
def _only_alternate(alleles, order):
    """Return the one alternate that the animals carry beside the reference; 0 where that is not so."""
    reference, only = False, 0
    for i in order:
        for a in range(alleles.shape[1] - 1):
            code = alleles[i, a]
            if code == 0:
                reference = True
            elif code > 0 and only == 0:
                only = code
            elif code > 0 and code != only:
                return 0
    return only if reference else 0


@numba.njit(cache=True)
def _dosages(alleles, order, row):
    """Fill int8 dosages of one record; return (problem, sample, half calls): problem 1 ploidy, 2 allele."""
    half = 0
    plain = alleles.shape[1] == 3  # two alleles a call at most, and the flag of phase
    for k in range(order.size):
        i = order[k]
        if plain:
            either = alleles[i, 0] | alleles[i, 1]
            if either == 0 or either == 1:
                row[k] = alleles[i, 0] + alleles[i, 1]
                continue
        total, called, seen = 0, 0, 0
        for a in range(alleles.shape[1] - 1):
            code = alleles[i, a]
            if code == -2:
                continue
            seen += 1
            if code > 1:
                return 2, i, half
            if code >= 0:
                called += 1
                total += code
        if seen > 2 or (seen == 1 and called == 1):
            return 1, i, half
        if called == 2:
            row[k] = total
        else:
            row[k] = -1
            half += called
    return 0, 0, half


class PartReader:
    """Reads the markers of one part; after `blocks` is exhausted, `records` and `contigs` are complete.

    Args:
        path: VCF or BCF file.
        sample_ids: animals wanted, in the order wanted; those that the file lacks are left out.
        ranges: as in `plan`; None for the whole file.
        min_genotype_quality: calls of a lower genotype quality (GQ), or of none, are missing; 0 looks at none.
        min_read_depth: calls of fewer reads (DP), or of an unknown number, are missing; 0 looks at none.

    Attributes:
        sample_ids: the wanted animals that the file has, in the order wanted.
        contigs: names of the contigs met, in order.
        records: counts: read, kept, one for each reason in SKIPPED, and those of NOTED.
        read_balance: int64 (n_samples, 6), reads by allele as in `genotypes.read_balance`; the reference is this
            file's. All zero where the file does not give reads of each allele (AD).

    Raises:
        InputError: where the file cannot be opened, holds none of the animals, or lacks a field that a threshold needs.
    """

    def __init__(
        self,
        path: str | Path,
        sample_ids: list[str],
        ranges: list[list] | None = None,
        min_genotype_quality: float = 0,
        min_read_depth: float = 0,
    ):
        self._path, self._ranges = Path(path), ranges
        self._reader = open_vcf(self._path, list(sample_ids))
        in_file = {name: i for i, name in enumerate(self._reader.samples)}
        self.sample_ids = [name for name in sample_ids if name in in_file]
        if not self.sample_ids:
            raise InputError(
                Problem(
                    self._path.name, "header", "", "none of the animals of the sample sheet", "at least one of them"
                )
            )
        self._order = np.array([in_file[name] for name in self.sample_ids], dtype=np.int64)
        self.contigs: list[str] = []
        self.records = dict.fromkeys(("read", "kept", *SKIPPED, *NOTED), 0)
        self.read_balance = np.zeros((len(self.sample_ids), len(COLUMNS)), dtype=np.int64)
        self._limits = balance_limits() if self._reader.contains("AD") else None
        self._text = self._text_reader() if ranges is not None else None
        asked = {"GQ": min_genotype_quality, "DP": min_read_depth}
        self._thresholds = {key: least for key, least in asked.items() if least > 0}
        self._given = dict.fromkeys(self._thresholds, 0)
        absent = [self._no_field(key) for key in self._thresholds if not self._reader.contains(key)]
        if absent:
            raise InputError(absent)
        self._problems: list[Problem] = []
        self._last = "the header"

    def _text_reader(self) -> TextReader | None:
        every = open_vcf(self._path).samples
        place = {name: i for i, name in enumerate(every)}
        columns = np.array([place[name] for name in self._reader.samples], dtype=np.int64)
        try:
            return TextReader(self._path, columns, len(every))
        except (OSError, ValueError):  # BCF, or an index of another kind
            return None

    def blocks(self) -> Iterator[VariantBlock]:
        """Yield the biallelic single-base markers in file order, READ_BLOCK at a time.

        Raises:
            InputError: on a damaged or truncated body (naming the last good record), bytes that are not UTF-8, records
                out of order, calls that are not diploid, and alleles that a record does not have.
        """
        try:
            yield from self._blocks()
        except UnicodeDecodeError as error:
            found = f"byte 0x{error.object[error.start]:02X}, which is not UTF-8"
            place = f"after record {self._last}"
            raise InputError([*self._problems, Problem(self._path.name, place, "", found, "text in UTF-8")]) from None

    def _blocks(self) -> Iterator[VariantBlock]:
        columns: list[tuple] = []
        dosages = np.empty((READ_BLOCK, len(self.sample_ids)), dtype=np.int8)
        place, seen, lengths, last = (None, 0), set(), _lengths(self._reader), 0
        for record in self._records():
            chrom, position = record.CHROM, record.POS
            if chrom != place[0]:
                if chrom in self.contigs:
                    self._out_of_order(chrom, position)
                if not _CONTIG.fullmatch(chrom):
                    self._disagrees(f"after record {self._last}", "CHROM", chrom or "nothing", "a chromosome's name")
                self.contigs.append(chrom)
                place, seen, last = (chrom, position), set(), lengths.get(chrom, MAX_POSITION)
            elif position != place[1]:
                if position < place[1]:
                    self._out_of_order(chrom, position)
                place, seen = (chrom, position), set()
            if position > last:
                allowed = f"at most {last}, the length of {chrom} in the header"
                self._disagrees(f"record {chrom}:{position}", "POS", str(position), allowed)
            self.records["read"] += 1
            alleles = self._genotype(record)
            alternates, row, chosen = record.ALT, dosages[len(columns)], 1
            if len(alternates) > 1:
                chosen = int(_only_alternate(alleles, self._order))
                alleles[alleles == chosen] = 1  # the listed animals carry no other
            reason = _reason(record, alternates, chosen, seen)
            if reason:
                self.records[reason] += 1
                continue
            ref, alt = record.REF.upper(), alternates[chosen - 1].upper()
            fault, sample, half = _dosages(alleles, self._order, row)
            if fault:
                self._not_diploid(record, alleles, int(sample), fault)
                continue
            self.records["half_calls"] += int(half)
            if len(alternates) > 1:
                self.records["alternates_dropped"] += 1
            if self._thresholds:
                self._apply_thresholds(record, row)
            if self._limits is not None:
                depths = self._values(record, "AD")
                if depths is not None:
                    add_reads(row, self._order, depths, chosen, self._limits, self.read_balance)
            self.records["kept"] += 1
            seen.add((ref, alt))
            columns.append((len(self.contigs) - 1, position, record.ID or ".", ref, alt))
            if len(columns) == READ_BLOCK:
                yield _block(columns, dosages)
                columns = []
        if self.records["kept"]:
            self._problems += [self._no_field(key) for key, n in self._given.items() if not n]
        if self._problems:
            raise InputError(self._problems)
        if columns:
            yield _block(columns, dosages)

    def _apply_thresholds(self, record, row: np.ndarray) -> None:
        for key, least in self._thresholds.items():
            values = self._values(record, key)
            low = row >= 0
            if values is not None:
                self._given[key] += 1
                low &= ~(values[self._order, 0] >= least)  # an unknown value is negative or no number
            row[low] = -1
            self.records[THRESHOLDS[key][1]] += int(np.count_nonzero(low))

    def _no_field(self, key: str) -> Problem:
        found = f"no {key} beside the genotypes, which markers.{THRESHOLDS[key][0]} of the study file needs"
        return Problem(self._path.name, "FORMAT", key, found, f"a file with {key}, or markers.{THRESHOLDS[key][0]}: 0")

    def _values(self, record, key: str) -> np.ndarray | None:
        try:
            values = record.format(key)
        except Exception:  # a declaration that is damaged
            self._fail(f"{key} that cannot be read at {record.CHROM}:{record.POS}, or its declaration in the header")
        if values is not None and values.dtype.kind not in "if":
            found = f"{key} declared as text"
            raise InputError(Problem(self._path.name, "header", "FORMAT", found, f"{key} declared as numbers"))
        return values

    def _genotype(self, record) -> np.ndarray:
        # must come before REF and ALT are touched: a record without alleles or genotypes ends here
        try:
            return record.genotype.array()
        except Exception:
            self._fail(f"a record without genotypes at {record.CHROM}:{record.POS}")

    def _records(self) -> Iterator:
        clock, started = time.monotonic(), time.monotonic()
        for region in [None] if self._ranges is None else self._ranges:
            for record in self._stretch(region):
                yield record
                self._last = f"{record.CHROM}:{record.POS}"
                if time.monotonic() - clock > 10:
                    clock = time.monotonic()
                    done = self.records["read"]
                    print(
                        f"{self._path.name}: {done} records, {done / (clock - started):.0f} a second, at {self._last}"
                    )

    def _stretch(self, region: list | None) -> Iterator:
        """Yield the records of one stretch: from their text as far as it is plain, what is left by the parser.

        The parser always has the last word: what it takes for a fault ends the reading of the text without a sign.
        """
        position, already = 0, 0  # records read from their text at the last position
        if region is not None and self._text is not None:
            for record in self._text.records(*region):
                at = record.POS
                position, already = at, already + 1 if at == position else 1
                yield record
            if already:
                region = [region[0], position, region[2]]
        iterator = iter(self._reader if region is None else self._region(*region))
        while True:
            try:
                record = next(iterator)
            except StopIteration:
                break
            except Exception:
                self._fail("a record that cannot be read, or an end in the middle of a block")
            if region is not None and region[1] > record.POS:
                continue  # begins in the part before
            at = record.POS
            if already and at == position:
                already -= 1
                continue
            yield record

    def _region(self, contig: str, first: int, last: int | None):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # no records there
            yield from self._reader(f"{{{contig}}}:{first}-{'' if last is None else last}")

    def _fail(self, found: str) -> None:
        raise InputError(
            [
                *self._problems,
                Problem(self._path.name, f"after record {self._last}", "", found, "the whole, undamaged file"),
            ]
        )

    def _out_of_order(self, chrom: str, position: int) -> None:
        found = f"a record that comes after {self._last}"
        allowed = "records in order of contig and position"
        raise InputError([*self._problems, Problem(self._path.name, f"record {chrom}:{position}", "", found, allowed)])

    def _disagrees(self, place: str, column: str, found: str, allowed: str) -> None:
        raise InputError([*self._problems, Problem(self._path.name, place, column, found, allowed)])

    def _not_diploid(self, record, alleles: np.ndarray, sample: int, fault: int) -> None:
        codes = [int(code) for code in alleles[sample, :-1] if code != -2]
        shown = "/".join("." if code < 0 else str(code) for code in codes)
        allowed = (
            "diploid calls; leave out chromosomes that are haploid in some animals" if fault == 1 else "alleles 0 and 1"
        )
        self._problems.append(
            Problem(
                self._path.name, f"record {record.CHROM}:{record.POS}", self._reader.samples[sample], shown, allowed
            )
        )
        if len(self._problems) >= MAX_LISTED:
            raise InputError(self._problems)


def _lengths(reader) -> dict[str, int]:
    """Return the declared length of each chromosome that has one."""
    try:
        pairs = zip(reader.seqnames, reader.seqlens, strict=True)
        return {str(name): int(length) for name, length in pairs if length > 0}
    except (AttributeError, TypeError, ValueError):
        return {}


def _reason(record, alternates: list[str], chosen: int, seen: set) -> str:
    """Return why a record is no marker of ours, or an empty text; chosen counts the alternates from 1, 0 for none."""
    if record.FILTER is not None:
        return "failed_filter"
    ref = record.REF.upper()
    if not alternates or alternates[0] == ".":
        return "no_alternate"
    if not chosen:
        return "multiallelic"
    alt = alternates[chosen - 1].upper()
    if alt == "*":
        return "spanning_deletion"
    if any(mark in alt for mark in "<>[]"):
        return "symbolic"
    if len(ref) != 1 or len(alt) != 1:
        return "not_one_base"
    if ref not in "ACGT" or alt not in "ACGT":
        return "ambiguous_base"
    return "duplicate_record" if (ref, alt) in seen else ""


def _block(columns: list[tuple], dosages: np.ndarray) -> VariantBlock:
    contig, position, identifier, ref, alt = zip(*columns, strict=True)
    return VariantBlock(
        np.array(contig, dtype=np.int32),
        np.array(position, dtype=np.int32),
        np.array(identifier, dtype=object),
        np.array([ref, alt], dtype=object).T,
        dosages[: len(columns)].copy(),
    )
