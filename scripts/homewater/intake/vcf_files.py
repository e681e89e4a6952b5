"""VCF and BCF files before their records are read: opening, faults that a parser overlooks, and the plan of parts.

A part of a large indexed file is reached through its index; a file without an index, or a small one, is one part.
"""

from __future__ import annotations

import os
import sys
import tempfile
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pysam
from cyvcf2 import VCF

from homewater.inputs.genotype_headers import compression, ends_with_marker, is_bcf, uncompressed
from homewater.inputs.settings_schema import is_genotype_table
from homewater.intake.genome_parts import INDEX_SUFFIXES, genome_stretches, parts_of_files
from homewater.running.errors import InputError, Problem

CHECKED_LINES = 1000  # lines of a text file whose columns are counted against the header


def index_of(path: str | Path) -> Path | None:
    """Return the index that stands beside a file, or None."""
    for suffix in INDEX_SUFFIXES:
        if Path(f"{path}{suffix}").exists():
            return Path(f"{path}{suffix}")
    return None


@contextmanager
def parser_messages() -> Iterator[list[str]]:
    """Collect what the parser's C library prints on the error descriptor while the block runs."""
    lines: list[str] = []
    sys.stderr.flush()
    kept = os.dup(2)
    with tempfile.TemporaryFile() as handle:
        os.dup2(handle.fileno(), 2)
        try:
            yield lines
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            handle.seek(0)
            lines += handle.read().decode("utf-8", "replace").splitlines()


def open_vcf(path: Path, sample_ids: list[str] | None = None) -> VCF:
    """Open a VCF or BCF file, restricted to some animals; those it lacks are left out without a word.

    Raises:
        InputError: where its header cannot be read.
    """
    messages: list[str] = []
    try:
        with parser_messages() as messages, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about samples that are not in the file: the caller looks at `samples`
            return VCF(str(path), samples=sample_ids)
    except Exception:
        said = [line.split("] ", 1)[-1] for line in messages if line.startswith("[E::")]
        found = "a header that cannot be read" + (f" ({said[0]})" if said else "")
        raise InputError(Problem(path.name, "header", "", found, "a VCF or BCF file with a whole header")) from None


def _structure_problems(path: Path) -> list[Problem]:
    """Return what can be seen without parsing: a missing end, columns that do not fit the header."""
    problems = []
    if compression(path) == "bgzip" and not ends_with_marker(path):
        found = "a file cut short: its end-of-file block is missing"
        problems.append(Problem(path.name, "", "", found, "the whole file"))
    with uncompressed(path) as handle:
        try:
            if handle.peek(3)[:3] == b"BCF":
                return problems
            columns = lines = 0
            for line in handle:
                if line.startswith(b"#CHROM"):
                    columns = line.rstrip(b"\r\n").count(b"\t") + 1
                elif columns and not line.startswith(b"#") and line.strip():
                    found, lines = line.rstrip(b"\r\n").count(b"\t") + 1, lines + 1
                    if found != columns:
                        chrom, pos = (*line.split(b"\t", 2), b"", b"")[:2]
                        where = f"record {chrom.decode('utf-8', 'replace')}:{pos.decode('utf-8', 'replace')}"
                        problems.append(
                            Problem(path.name, where, "", f"{found} columns", f"{columns} columns, as in the header")
                        )
                        break
                    if lines == CHECKED_LINES:
                        break
        except (EOFError, OSError, zlib.error):
            if not problems:
                found = "a compressed file that is cut short or damaged"
                problems.append(Problem(path.name, "", "", found, "the whole file"))
    return problems


def plan(paths: list[str | Path]) -> dict:
    """Return the plan of parts of a species' files.

    Args:
        paths: VCF or BCF files, or genotype tables (each one part), in the study file's order.

    Returns:
        files: for each its name, number of records by its index (None without) and contigs; parts: for each its file
        (number) and ranges, a list of [contig, first position, last position or None], or None for the whole file.

    Raises:
        InputError: where a file cannot be read, is cut short, or its columns do not fit its header.
    """
    paths = [Path(path) for path in paths]
    problems = [problem for path in paths if not is_genotype_table(path) for problem in _structure_problems(path)]
    if problems:
        raise InputError(problems)
    count = parts_of_files([path.stat().st_size for path in paths], [index_of(path) is not None for path in paths])
    files, parts = [], []
    for number, (path, k) in enumerate(zip(paths, count, strict=True)):
        if is_genotype_table(path):
            files.append({"name": path.name, "contigs": [], "n_records": None})
            parts.append({"file": number, "ranges": None})
            continue
        reader = open_vcf(path)
        contigs = [str(name) for name in reader.seqnames]
        lengths, n_records = [], None
        if k > 1:
            contigs, lengths, n_records = _of_index(path, reader, contigs)
        files.append({"name": path.name, "contigs": contigs, "n_records": n_records})
        stretches = [None] if k == 1 else genome_stretches(contigs, lengths, k)
        parts += [{"file": number, "ranges": ranges} for ranges in stretches]
        reader.close()
    return {"files": files, "parts": parts}


def _of_index(path: Path, reader: VCF, contigs: list[str]) -> tuple[list[str], list[int], int | None]:
    try:
        with parser_messages():
            if not is_bcf(path):
                with pysam.TabixFile(str(path), index=str(index_of(path))) as table:
                    contigs = contigs + [c for c in table.contigs if c not in set(contigs)]
            n_records = int(reader.num_records)
    except (OSError, ValueError):
        raise InputError(
            Problem(path.name, "", "", "an index that cannot be read", "an index of this file, or none")
        ) from None
    try:
        lengths = [int(length) for length in reader.seqlens]
    except (AttributeError, TypeError, ValueError):
        lengths = []
    return contigs, lengths + [0] * (len(contigs) - len(lengths)), n_records
