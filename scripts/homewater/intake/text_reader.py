"""Records of an indexed VCF file read from their text, where they hold genotypes alone and one digit an allele.

Such records are most of what genotyping services send, and their columns have a fixed width; a parser of every field
takes five times as long. Whatever is not of this form is left to the parser (see `homewater.intake.vcf_reader`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numba
import numpy as np
import pysam

# Source: VCF specification 4.3, section 1.6.1, the fixed fields; what is rarer than this is left to the parser
_POSITION, _BASES = re.compile(r"[1-9][0-9]{0,8}"), re.compile(r"[ACGTNacgtn]+")
_QUALITY, _WORD = re.compile(r"\.|[0-9]+(\.[0-9]+)?"), re.compile(r"[\x21-\x7e]+")
_FILTER = re.compile(r"[A-Za-z0-9_.\-]+(;[A-Za-z0-9_.\-]+)*")
_TAB, _SLASH, _BAR, _DOT, _ZERO = (ord(mark) for mark in "\t/|.0")


@numba.njit(cache=True, nogil=True)
def _alleles(text, n_alleles, alleles):
    """Fill int16 (n, 3) as the parser does: both alleles, -1 for missing, 1 for phased; tell whether it could."""
    n = alleles.shape[0]
    if text.size != 4 * n - 1:
        return False
    for i in range(n):
        at = 4 * i
        if i and text[at - 1] != _TAB:
            return False
        mark = text[at + 1]
        if mark != _SLASH and mark != _BAR:
            return False
        for a in range(2):
            code = text[at + 2 * a]
            if code == _DOT:
                alleles[i, a] = -1
            elif _ZERO <= code < _ZERO + n_alleles:
                alleles[i, a] = code - _ZERO
            else:
                return False
        alleles[i, 2] = mark == _BAR
    return True


@dataclass(frozen=True)
class TextRecord:
    """One record, with the names that the parser's records have; `genotype` holds their array."""

    CHROM: str
    POS: int
    ID: str | None
    REF: str
    ALT: list[str]
    FILTER: str | None
    genotype: CalledAlleles

    def format(self, key: str) -> None:
        """Return nothing: there are no fields beside the genotypes."""


@dataclass(frozen=True)
class CalledAlleles:
    """Holds the alleles of one record until the next one is read."""

    alleles: np.ndarray = field(repr=False)

    def array(self) -> np.ndarray:
        """Return int16 (n_samples, 3): two alleles and whether they are phased; -1 for missing."""
        return self.alleles


class TextReader:
    """Reads stretches of an indexed bgzip VCF file.

    Args:
        path: the file; its index stands beside it.
        columns: int (n_wanted,), columns of the animals to give, counted from 0 after FORMAT, in the file's order.
        n_columns: animals in the file.

    Raises:
        OSError, ValueError: where the file or its index cannot be opened so.
    """

    def __init__(self, path: str | Path, columns: np.ndarray, n_columns: int):
        self._file = pysam.TabixFile(str(path), encoding="ascii")
        self._columns = None if len(columns) == n_columns else np.asarray(columns)
        self._alleles = np.empty((n_columns, 3), dtype=np.int16)

    def records(self, contig: str, first: int, last: int | None) -> Iterator[TextRecord]:
        """Yield records that begin in a stretch until one is not of the plain form, or the text cannot be read.

        What ended it is not said: the caller reads on from there with the parser, which knows.
        """
        try:
            for line in self._file.fetch(contig, first - 1, last):
                record = self._record(line, contig)
                if record is None:
                    return
                at = record.POS
                if at < first:
                    continue  # begins in the stretch before
                yield record
        except (OSError, ValueError):  # a damaged block; bytes that are no text
            return

    def _record(self, line: str, contig: str) -> TextRecord | None:
        fields = line.split("\t", 9)
        if len(fields) < 10 or fields[8] != "GT" or fields[0] != contig:
            return None
        _, position, identifier, ref, alt, quality, passed, info, _, genotypes = fields
        alternates = [] if alt == "." else alt.split(",")
        if not (
            _POSITION.fullmatch(position)
            and _WORD.fullmatch(identifier)
            and _BASES.fullmatch(ref)
            and len(alternates) < 10
            and all(_BASES.fullmatch(one) or one == "*" for one in alternates)
            and _QUALITY.fullmatch(quality)
            and (passed == "PASS" or _FILTER.fullmatch(passed))
            and _WORD.fullmatch(info)
        ):
            return None
        text = np.frombuffer(genotypes.encode("ascii"), dtype=np.uint8)
        if not _alleles(text, 1 + len(alternates), self._alleles):
            return None
        alleles = self._alleles if self._columns is None else self._alleles[self._columns]
        return TextRecord(
            contig,
            int(position),
            None if identifier == "." else identifier,
            ref,
            alternates,
            None if passed in ("PASS", ".") else passed,
            CalledAlleles(alleles),
        )
