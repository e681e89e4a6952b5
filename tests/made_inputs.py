"""A small whole study, written by hand: invented topshells on the invented coasts of Aldermark and Vessland."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pysam

from homewater.inputs.settings import check_settings, input_files
from steps.check_inputs import main

STUDY = {
    "study": {"id": "topshells", "title": "Topshells of Aldermark (invented)", "seed": 7},
    "species": [
        {
            "id": "topshell",
            "name": "rope-grazing topshell",
            "scientific_name": "Inventa funicola",
            "genotypes": ["topshell.vcf.gz"],
            "generation_years": 3,
        }
    ],
    "samples": "samples.csv",
    "sites": "sites.csv",
    "transfers": "transfers.csv",
    "coastline": "global",
}
SAMPLES = """materialSampleID,species,locationID,eventDate,role,length_mm,replicateOf
T1,topshell,ald_north,2019-06-01,baseline,21.5,
T2,topshell,ald_north,2019-06,baseline,,
T3,topshell,ald_south,2019,baseline,20,
T4,topshell,ves_west,2019-06-03/2019-06-05,query,,
S-05/a,topshell,ves_west,2019-06-03,query,19,T4
"""
SITES = """locationID,locality,decimalLatitude,decimalLongitude,jurisdiction,kind
ald_north,North Quay,58.25,-6.5,Aldermark,wild
ald_south,South Quay,57.5,-6.25,Aldermark,
ves_west,West Sound,56.125,-7.75,Vessland,farm
"""
TRANSFERS = """transferID,species,eventDate,sourceLocationID,destinationLocationID,individualCount,lost_or_dead
M1,topshell,2018-05-02,ald_north,ves_west,400,12
M2,topshell,2018-05-09,,ves_west,150,
"""
IDS = ["T1", "T2", "T3", "T4", "S-05/a"]


def vcf_text(ids: list[str] = IDS, contigs: tuple[str, ...] = ("chr1,length=5000", "chr2,length=4000")) -> str:
    """Return a VCF of two records."""
    lines = ["##fileformat=VCFv4.3", *(f"##contig=<ID={c}>" for c in contigs)]
    lines.append('##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">')
    lines.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *ids]))
    for pos in (100, 900):
        lines.append("\t".join(["chr1", str(pos), ".", "A", "G", ".", "PASS", ".", "GT", *(["0/1"] * len(ids))]))
    return "\n".join(lines) + "\n"


def packed(text: str, how: str, folder: Path) -> bytes:
    """Return the content of a VCF as `plain`, `gzip`, `bgzip` or `bcf`."""
    if how == "plain":
        return text.encode()
    if how == "gzip":
        target = io.BytesIO()
        with gzip.GzipFile(fileobj=target, mode="wb", mtime=0) as handle:
            handle.write(text.encode())
        return target.getvalue()
    plain, out = folder / "packed.vcf", folder / "packed.out"
    plain.write_text(text, encoding="utf-8")
    if how == "bgzip":
        pysam.tabix_compress(str(plain), str(out), force=True)
    else:
        with pysam.VariantFile(str(plain)) as source, pysam.VariantFile(str(out), "wb", header=source.header) as target:
            for record in source:
                target.write(record)
    return out.read_bytes()


def write_study(folder: Path, **changed: str | bytes) -> Path:
    """Write the study's files into a folder; `changed` gives another content by name (dots as two underscores)."""
    content = {"samples.csv": SAMPLES, "sites.csv": SITES, "transfers.csv": TRANSFERS}
    content["topshell.vcf.gz"] = packed(vcf_text(), "bgzip", folder)
    content |= {name.replace("__", "."): value for name, value in changed.items()}
    for name, value in content.items():
        (folder / name).write_bytes(value.encode() if isinstance(value, str) else value)
    return folder


def run(folder: Path, study: dict = STUDY) -> dict[str, Path]:
    """Run the step on the study in a folder and return its outputs."""
    settings = check_settings(study, "study.yaml")
    files = [str(folder / written) for _, written in input_files(settings)]
    out = {"check": folder / "out" / "check.json"} | {
        k: folder / "out" / f"{k}.csv" for k in ("samples", "sites", "transfers")
    }
    main(files, settings, *(str(path) for path in out.values()))
    return out
