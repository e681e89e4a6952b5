"""Headers and ends of VCF and BCF files; every fault is told with its place.

The intake reads the records that lie between them.
"""

from __future__ import annotations

import gzip
import re
import struct
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from homewater.inputs.user_text import file_problem, shown
from homewater.running.errors import Problem

# Empty block that ends every whole BGZF file.
# Source: SAM/BAM format specification, section 4.1.2, "End-of-file marker".
BGZF_END = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")
_FIXED = ["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT"]
_REMEDY_VCF = "a VCF file (plain, gzip or bgzip) or a BCF file"


@dataclass(frozen=True)
class GenotypeHeader:
    """What the header of a VCF or BCF says.

    Attributes:
        name: the file as the user wrote it.
        sample_ids: names of the samples, in the order of their columns.
        sample_line: line of the header with those names, counted from 1.
        contigs: length in bp (None where not given) of each declared chromosome, in the order of the header; a VCF may
            declare none, and they are then those of its records.
        sample_lines: line of each sample where they stand in rows; empty where all stand in the header.
    """

    name: str
    sample_ids: tuple[str, ...]
    sample_line: int
    contigs: dict[str, int | None]
    sample_lines: tuple[int, ...] = ()

    def lines(self) -> dict[str, int]:
        """Return the line of each sample."""
        lines = self.sample_lines or (self.sample_line,) * len(self.sample_ids)
        return dict(zip(self.sample_ids, lines, strict=True))


def read_genotype_header(path: str | Path, name: str) -> tuple[GenotypeHeader | None, list[Problem]]:
    """Read the header of a VCF (plain, gzip, bgzip) or BCF and look whether the file ends as a whole one does.

    Args:
        path: where the file is.
        name: the file as the user wrote it, for messages.

    Returns:
        The header (None where it cannot be read) and what is wrong with the file.
    """
    problem = file_problem(path, name)
    if problem:
        return None, [problem]
    how = compression(path)
    try:
        with uncompressed(path) as handle:
            lines = _header_lines(handle)
    except (EOFError, gzip.BadGzipFile, zlib.error, struct.error):
        return None, [
            Problem(name, "header", "", "a file that breaks off or is damaged inside its header", "a whole file")
        ]
    except UnicodeDecodeError:
        return None, [Problem(name, "header", "", "a header that is not UTF-8", "a header saved as UTF-8")]
    if lines is None:
        return None, [Problem(name, "line 1", "", "a file that is neither VCF nor BCF", _REMEDY_VCF)]
    if not lines or not lines[-1].startswith("#CHROM"):
        found = "a header without its #CHROM line (a file that breaks off?)"
        return None, [Problem(name, f"line {len(lines) + 1}", "#CHROM", found, "a whole file")]
    header, problems = _understood(lines, name)
    if how == "bgzip" and not ends_with_marker(path):
        found = "a bgzip file without its end-of-file block: it breaks off"
        problems.append(Problem(name, "end of file", "", found, "a whole file (copy it again)"))
    elif how == "none" and not is_bcf(path):
        problems.extend(_broken_last_line(path, name, len(lines[-1].split("\t"))))
    return header, problems


def _header_lines(handle: BinaryIO) -> list[str] | None:
    """Return the header's lines up to the #CHROM line, or None where the content is neither VCF nor BCF."""
    start = handle.read(5)
    if start in (b"BCF\x02\x01", b"BCF\x02\x02"):
        (length,) = struct.unpack("<I", handle.read(4))
        text = handle.read(length)
        if len(text) < length:
            raise EOFError
        return text.rstrip(b"\x00").decode("utf-8").splitlines()
    if start[:2] != b"##":
        return None
    lines = [(start + handle.readline()).decode("utf-8").rstrip("\r\n")]
    if not lines[0].startswith("##fileformat=VCF"):
        return None
    for raw in handle:
        if not raw.startswith(b"#") or not raw.endswith(b"\n"):  # a name that breaks off is no name
            break
        lines.append(raw.decode("utf-8").rstrip("\r\n"))
        if raw.startswith(b"#CHROM"):
            break
    return lines


def _understood(lines: list[str], name: str) -> tuple[GenotypeHeader | None, list[Problem]]:
    place, columns, problems = f"line {len(lines)}", lines[-1].split("\t"), []
    if columns[: len(_FIXED)] != _FIXED:
        if columns == _FIXED[:8]:
            problem = Problem(name, place, "FORMAT", "a VCF without samples", "a FORMAT column and one column a sample")
        else:
            found = shown(" ".join(columns[: len(_FIXED)]))
            problem = Problem(name, place, "#CHROM", found, " ".join(_FIXED) + ", with tabs between them")
        return None, [problem]
    samples = columns[len(_FIXED) :]
    if not samples:
        problems.append(Problem(name, place, "FORMAT", "a VCF without samples", "one column a sample after FORMAT"))
    for sample, times in Counter(samples).items():
        if times > 1 or not sample.strip():
            found = f"{times} columns with this sample" if sample.strip() else "a sample without a name"
            problems.append(Problem(name, place, shown(sample), found, "one column with a name of its own a sample"))
    if not any(re.match(r"##FORMAT=<(.*,)?ID=GT[,>]", line) for line in lines):
        found = "no declaration of genotypes (##FORMAT=<ID=GT,...>)"
        problems.append(Problem(name, "header", "FORMAT", found, "called genotypes (GT), declared in the header"))
    contigs: dict[str, int | None] = {}
    for line in lines:
        match = re.match(r"##contig=<(?:.*,)?ID=([^,>]+)", line)
        if match:
            length = re.search(r"[<,]length=(\d+)", line)
            contigs.setdefault(match[1], int(length[1]) if length else None)
    return GenotypeHeader(name, tuple(samples), len(lines), contigs), problems


def compression(path: str | Path) -> str:
    """Return how a file is compressed, by its first bytes: `none`, `gzip` or `bgzip` (gzip in blocks)."""
    with open(path, "rb") as handle:
        start = handle.read(18)
    if start[:2] != b"\x1f\x8b":
        return "none"
    return "bgzip" if len(start) >= 14 and start[3] & 4 and start[12:14] == b"BC" else "gzip"


def uncompressed(path: str | Path) -> BinaryIO:
    """Open a file for reading its content, whether it is compressed or not."""
    return gzip.open(path, "rb") if compression(path) != "none" else open(path, "rb")


def is_bcf(path: str | Path) -> bool:
    """Return whether the content of a file begins as BCF does."""
    with uncompressed(path) as handle:
        return handle.read(3) == b"BCF"


def ends_with_marker(path: str | Path) -> bool:
    """Return whether a file ends with the empty block that ends every whole bgzip file."""
    with open(path, "rb") as handle:
        handle.seek(0, 2)
        if handle.tell() < len(BGZF_END):
            return False
        handle.seek(-len(BGZF_END), 2)
        return handle.read() == BGZF_END


def _broken_last_line(path: str | Path, name: str, n_columns: int) -> list[Problem]:
    """Tell of a plain VCF whose last line has too few columns, as after a copy that broke off."""
    with open(path, "rb") as handle:
        handle.seek(0, 2)
        size, tail, step = handle.tell(), b"", 1 << 16
        while b"\n" not in tail.rstrip(b"\r\n") and len(tail) < size:
            handle.seek(-min(size, len(tail) + step), 2)
            tail = handle.read()
            step *= 2
    last = tail.rstrip(b"\r\n").rsplit(b"\n", 1)[-1]
    found = len(last.split(b"\t"))
    if last.startswith(b"#") or found == n_columns:
        return []
    return [
        Problem(
            name, "last line", "", f"{found} columns: the file breaks off", f"{n_columns} columns, as in the header"
        )
    ]
