"""Writing the files of an invented study: genotypes as a laboratory would hand them over, and plain tables."""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pysam
import pysam.bcftools

from homewater.running.writer import write_text

FORMATS = ("vcf.gz", "vcf", "gzip", "bcf")
_MAX_DEPTH, _GQ_STEPS = 63, 4
_CALLS = {-1: "./.", 0: "0/0", 1: "0/1", 2: "1/1"}


def _cells() -> list[bytes]:
    """Return the text of every cell that can occur, by (call, depth, step of quality)."""
    cells = []
    for dosage in (-1, 0, 1, 2):
        for depth in range(_MAX_DEPTH + 1):
            for step in range(_GQ_STEPS):
                quality = "." if dosage < 0 else str(min(99, 5 + 3 * depth + 4 * step))
                cells.append(f"{_CALLS[dosage]}:{quality}:{depth}".encode())
    return cells


def vcf_header(contigs: Mapping[str, int], sample_ids: Sequence[str], assembly: str) -> str:
    """Return the header of a VCF 4.3 whose data are invented, and which says so."""
    lines = [
        "##fileformat=VCFv4.3",
        "##source=homewater invented data",
        '##FILTER=<ID=PASS,Description="All filters passed">',
        *(f"##contig=<ID={name},length={length},assembly={assembly}>" for name, length in contigs.items()),
        '##INFO=<ID=NS,Number=1,Type=Integer,Description="Number of samples with a genotype">',
        '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">',
        '##FORMAT=<ID=GQ,Number=1,Type=Integer,Description="Genotype quality">',
        '##FORMAT=<ID=DP,Number=1,Type=Integer,Description="Read depth">',
        "\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *sample_ids]),
    ]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class FileForm:
    """What a genotype file looks like, whatever its genotypes are.

    Attributes:
        file_format: ``vcf.gz`` (bgzip), ``gzip``, ``vcf`` or ``bcf``.
        index: whether an index stands beside a bgzip VCF or a BCF.
        mean_depth: mean depth of reads.
        assembly: name of the assembly in the header.
    """

    file_format: str = "vcf.gz"
    index: bool = True
    mean_depth: float = 18
    assembly: str = "invented_1"


def write_genotype_file(
    path: str | Path,
    contigs: Mapping[str, int],
    markers: pd.DataFrame,
    sample_ids: Sequence[str],
    dosages: np.ndarray,
    rng: np.random.Generator,
    form: FileForm,
) -> Path:
    """Write genotypes with plausible depths and qualities.

    Args:
        path: destination without regard to its suffix being right.
        contigs: length in base pairs by chromosome, in file order.
        markers: chrom, pos, marker, ref, alt, in file order.
        sample_ids: (n,), header names.
        dosages: int8 (n_markers, n), -1 missing.
        rng: source of depths and qualities.
        form: what the file looks like.

    Raises:
        ValueError: on an unknown format.
    """
    file_format = form.file_format
    if file_format not in FORMATS:
        raise ValueError(f"file_format must be one of {', '.join(FORMATS)}, got {file_format}")
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    plain = path.with_name(path.name + ".plain") if file_format == "bcf" else path
    with _opened(plain, file_format) as handle:
        handle.write(vcf_header(contigs, sample_ids, form.assembly).encode("utf-8"))
        for block in _blocks(markers, dosages, rng, form.mean_depth):
            handle.write(block)
    if file_format == "bcf":
        with pysam.VariantFile(str(plain)) as source, pysam.VariantFile(str(path), "wb", header=source.header) as out:
            for record in source:
                out.write(record)
        plain.unlink()
    if form.index and file_format == "vcf.gz":
        pysam.tabix_index(str(path), preset="vcf", force=True)
    elif form.index and file_format == "bcf":
        pysam.bcftools.index("-f", str(path))
    return path


def _opened(path: Path, file_format: str):
    if file_format == "vcf.gz":
        return pysam.BGZFile(str(path), "wb")
    if file_format == "gzip":
        return gzip.GzipFile(path, "wb", mtime=0)
    return open(path, "wb")


def _blocks(markers: pd.DataFrame, dosages: np.ndarray, rng: np.random.Generator, mean_depth: float):
    """Yield the text of 256 records at a time."""
    cells = _cells()
    n = dosages.shape[1]
    of_animal = rng.gamma(8.0, mean_depth / 8, size=n)
    fixed = list(zip(*(markers[c].tolist() for c in ("chrom", "pos", "marker", "ref", "alt")), strict=True))
    for start in range(0, len(dosages), 256):
        block = dosages[start : start + 256].astype(np.int64)
        depth = np.clip(rng.poisson(of_animal, size=block.shape), 4, _MAX_DEPTH)
        depth[block < 0] = rng.integers(0, 4, size=int((block < 0).sum()))
        code = ((block + 1) * (_MAX_DEPTH + 1) + depth) * _GQ_STEPS + rng.integers(_GQ_STEPS, size=block.shape)
        lines = []
        for row, typed in zip(code, (block >= 0).sum(axis=1).tolist(), strict=True):
            chrom, pos, marker, ref, alt = fixed[start + len(lines)]
            quality = min(9999, 30 + 10 * typed)
            head = f"{chrom}\t{pos}\t{marker}\t{ref}\t{alt}\t{quality}\tPASS\tNS={typed}\tGT:GQ:DP\t".encode()
            lines.append(head + b"\t".join([cells[c] for c in row.tolist()]) + b"\n")
        yield b"".join(lines)


def write_csv(path: str | Path, frame: pd.DataFrame) -> Path:
    """Write a table as CSV (UTF-8, RFC 4180), missing values as empty text."""
    text = frame.to_csv(index=False, lineterminator="\n", quoting=csv.QUOTE_MINIMAL)
    write_text(text, path)
    return Path(path)


def write_geojson(path: str | Path, features: list[dict], note: str) -> Path:
    """Write a GeoJSON feature collection (RFC 7946) with a note on what it shows."""
    lines = ",\n".join(json.dumps(one, sort_keys=True, ensure_ascii=False) for one in features)  # one feature a line
    head = f'{{"type": "FeatureCollection", "note": {json.dumps(note)}, "features": [\n'
    write_text(f"{head}{lines}\n]}}\n", path)
    return Path(path)
