"""The small valid study that the fuzz test mutates, in every form of genotype file, and its intake step by step.

Invented topshells on the invented coasts of Aldermark and Vessland: 13 animals at 4 sites, 40 markers.
"""

from __future__ import annotations

import gzip
import json
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pysam
import pysam.bcftools
import yaml
from tests.hostile import fuzz_naive

# plain, bgzip, gzip, BCF, a table of calls, and two files of which the second, a BCF, holds the other animals
HALVES, REST = "topshell_half.vcf", "topshell_rest.bcf"
FORMS = ("topshell.vcf", "topshell.vcf.gz", "topshell.gz", "topshell.bcf", "calls.csv", HALVES)
ANIMALS = {  # site, role, replicate of
    **{f"N{i}": ("north", "baseline", "") for i in range(1, 5)},
    **{f"S{i}": ("south", "baseline", "") for i in range(1, 5)},
    "W/1": ("west", "baseline", ""),  # a site with one animal
    "Q1": ("farm", "query", ""),
    "Q2": ("farm", "query", ""),
    "Q 3": ("north", "query", ""),
    "N1b": ("north", "baseline", "N1"),
}
SITES = """locationID,locality,decimalLatitude,decimalLongitude,jurisdiction,kind
north,North Quay,55.45,-9.6,Aldermark,wild
south,South Quay,54.9,-9.6,Aldermark,
west,West Sound,55.2,-10.2,Vessland,wild
farm,Kelp Farm,55.2,-9.55,Vessland,farm
empty,Bare Skerry,55.05,-9.9,Vessland,wild
"""
TRANSFERS = """transferID,species,eventDate,sourceLocationID,destinationLocationID,individualCount,lost_or_dead
M1,topshell,2018-05-02,north,farm,400,12
M2,topshell,2018-05-09,,farm,150,
"""
MAP = "chrom,pos,cm\nchr1,1,0\nchr1,50000,30\nchr2,1,0\nchr2,50000,25\n"
REFERENCE = ">chr1 invented\nACGTACGTAC\n>chr2 invented\nTTGCATGC\n"
DATES = ("2019-06-01", "2019-06", "2019", "2019-06-03/2019-06-05")


def _square(west: float, south: float, east: float, north: float) -> dict:
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}


def study_content(genotypes: str) -> dict:
    """Return the study file's content for one form of genotype file."""
    species = {
        "id": "topshell",
        "name": "rope-grazing topshell",
        "scientific_name": "Inventa funicola",
        "genotypes": [genotypes, REST] if genotypes == HALVES else [genotypes],
        "generation_years": 3,
        "native_range": "range.geojson",
        "reference": "reference.fa",
        "recombination": {"map": "map.csv"},
    }
    if genotypes == "calls.csv":
        species["marker_table"] = "markers.csv"
    return {
        "study": {"id": "mutated", "title": "Mutated topshells (invented)", "seed": 7, "invented": True},
        "species": [species],
        "samples": "samples.csv",
        "sites": "sites.csv",
        "transfers": "transfers.csv",
        "coastline": "coast.geojson",
        "structure": {"sea_cell_degrees": 0.1},
    }


def samples_text() -> str:
    """Return the sample sheet."""
    lines = ["materialSampleID,species,locationID,eventDate,role,length_mm,replicateOf"]
    for number, (name, (site, role, of)) in enumerate(ANIMALS.items()):
        lines.append(f"{name},topshell,{site},{DATES[number % 4]},{role},{20 + number / 2},{of}")
    return "\n".join(lines) + "\n"


def animals_of(form: str) -> tuple[str, ...]:
    """Return the animals of the file of this form."""
    return tuple(ANIMALS)[::2] if form == HALVES else tuple(ANIMALS)


def vcf_text(animals: tuple[str, ...] = tuple(ANIMALS)) -> str:
    """Return the genotypes of some animals as VCF text: 40 markers, and one record of each kind that is no marker."""
    lines = []
    for line in _vcf_of_all().split("\n"):
        cells = line.split("\t")
        kept = [name in animals for name in ANIMALS] if len(cells) > 9 else []
        lines.append("\t".join([*cells[:9], *(cell for cell, keep in zip(cells[9:], kept, strict=True) if keep)]))
    return "\n".join(lines)


@cache
def _vcf_of_all() -> str:
    rng = np.random.default_rng(5)
    names = list(ANIMALS)
    north = np.array([ANIMALS[name][0] == "north" for name in names])
    lines = ["##fileformat=VCFv4.2", '##FILTER=<ID=low,Description="low">']
    lines += [f"##contig=<ID={chrom},length=60000>" for chrom in ("chr1", "chr2", "chr3")]
    lines.append('##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">')
    lines.append('##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Reads of each allele">')
    lines.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names]))
    odd = {
        5: ("A", "C,G", "PASS"), 12: ("AT", "A", "PASS"), 18: ("A", "C", "low"), 25: ("A", "<DEL>", "."),
        30: ("A", ".", "PASS"), 36: ("A", "*", "PASS"),
    }  # fmt: skip
    for number in range(46):
        chrom, pos = ("chr1", 1000 + 1500 * number) if number < 23 else ("chr2", 1000 + 1500 * (number - 23))
        ref, alt, passed = odd.get(number, ("ACGT"[number % 4], "GTAC"[number % 4], rng.choice(["PASS", "."])))
        p = np.clip(0.4 + 0.35 * north * rng.choice([-1, 1]) + rng.normal(0, 0.1), 0.1, 0.9)
        calls = rng.random((len(names), 2)) < np.broadcast_to(p, north.shape)[:, None]
        calls[names.index("N1b")] = calls[names.index("N1")]
        fields = []
        for one in calls.astype(int) * (alt != "."):
            reads = [int(rng.integers(8, 20)) if a in one else 0 for a in range(1 + len(alt.split(",")))]
            text = "/|"[number % 3 == 0].join(map(str, sorted(one)))
            fields.append("./.:." if rng.random() < 0.02 else f"{text}:{','.join(map(str, reads))}")
        name = f"m{number}" if number % 2 else "."
        lines.append("\t".join([chrom, str(pos), name, ref, alt, "50", passed, ".", "GT:AD", *fields]))
    return "\n".join(lines) + "\n"


def tables_of_genotypes() -> dict[str, bytes]:
    """Return the markers of `vcf_text` as a table of calls and a table of markers."""
    genotypes, _ = fuzz_naive.read_vcf(vcf_text(), list(ANIMALS))
    names = [f"k{number}" for number in range(len(genotypes))]
    calls = [",".join(["materialSampleID", *names])]
    for animal in ANIMALS:
        pairs = [
            "NA" if found[animal] < 0 else "/".join(sorted(ref * (2 - found[animal]) + alt * found[animal]))
            for (_, _, ref, alt), found in genotypes.items()
        ]
        calls.append(",".join([animal, *pairs]))
    rows = ["marker,chrom,pos,ref,alt"]
    rows += [",".join([name, *map(str, key)]) for name, key in zip(names, genotypes, strict=True)]
    return {"calls.csv": "\n".join([*calls, ""]).encode(), "markers.csv": "\n".join([*rows, ""]).encode()}


def bgzip(content: bytes) -> bytes:
    """Return bytes as bgzip packs them."""
    with tempfile.TemporaryDirectory() as folder:
        plain, target = Path(folder) / "x", Path(folder) / "x.gz"
        plain.write_bytes(content)
        pysam.tabix_compress(str(plain), str(target), force=True)
        return target.read_bytes()


def packed(text: bytes, form: str) -> bytes:
    """Return VCF text in the form that a file's name says; ValueError where htslib makes no BCF of it."""
    if form.endswith(".vcf"):
        return text
    if form == "topshell.gz":
        return gzip.compress(text, mtime=0)
    if form == "topshell.vcf.gz":
        return bgzip(text)
    with tempfile.TemporaryDirectory() as folder:
        plain, target = Path(folder) / "x.vcf", Path(folder) / "x.out"
        plain.write_bytes(text)
        try:
            pysam.bcftools.view("-Ob", "--no-version", "-o", str(target), str(plain), catch_stdout=False)
        except pysam.SamtoolsError as error:
            raise ValueError(str(error)) from None
        return target.read_bytes()


def indexed(content: bytes, form: str) -> tuple[str, bytes]:
    """Return name and content of the index of a bgzip or BCF file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / form
        path.write_bytes(content)
        if form.endswith(".bcf"):
            pysam.bcftools.index("-f", str(path), catch_stdout=False)
            return f"{form}.csi", Path(f"{path}.csi").read_bytes()
        pysam.tabix_index(str(path), preset="vcf", force=True)
        return f"{form}.tbi", Path(f"{path}.tbi").read_bytes()


@cache
def _files(form: str, with_index: bool) -> tuple[tuple[str, bytes], ...]:
    genotypes = (
        tables_of_genotypes() if form == "calls.csv" else {form: packed(vcf_text(animals_of(form)).encode(), form)}
    )
    if form == HALVES:
        genotypes[REST] = packed(vcf_text(tuple(ANIMALS)[1::2]).encode(), REST)
    content = {
        "study.yaml": yaml.safe_dump(study_content(form), sort_keys=False).encode(),
        "samples.csv": samples_text().encode(),
        "sites.csv": SITES.encode(),
        "transfers.csv": TRANSFERS.encode(),
        "map.csv": MAP.encode(),
        "reference.fa": REFERENCE.encode(),
        "coast.geojson": json.dumps(_square(-9.5, 54.5, -9.0, 56.0), indent=1).encode(),
        "range.geojson": json.dumps(_square(-12, 50, -9, 60), indent=1).encode(),
        **genotypes,
    }
    if with_index:
        name, index = indexed(genotypes[form], form)
        content[name] = index
    return tuple(content.items())


def study_files(form: str = "topshell.vcf.gz", with_index: bool = False) -> dict[str, bytes]:
    """Return content by name of every file of the valid study."""
    return dict(_files(form, with_index))
