"""A second, naive reading of a study's tables and VCF text, to hold against what an accepted study gave.

Written from the VCF specification (version 4.2, section 1.4) and config/README.md, a line at a time and with no
library of the trade; it knows nothing of the code under test.
"""

from __future__ import annotations

import csv
import io
import re

_POSITION = re.compile(r"[0-9]+")
_GENOTYPE = re.compile(r"[|/]?([0-9]+|\.)([|/]([0-9]+|\.))*")


class MustBeRefused(Exception):
    """The content has no reading that could stand."""


def read_table(content: bytes) -> list[dict[str, str]]:
    """Return the rows of a CSV file that are not blank, values stripped."""
    rows = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))]
    rows = [row for row in rows if any(row)]
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def read_vcf(text: str, wanted: list[str]) -> tuple[dict[tuple, dict[str, int]], dict[tuple, str]]:
    """Return, by (chrom, pos, ref, alt), the alternate copies of each wanted animal (-1 missing), and the ID.

    Raises:
        MustBeRefused: on a body that breaks its header or itself.
    """
    genotypes: dict[tuple, dict[str, int]] = {}
    identifiers: dict[tuple, str] = {}
    columns: list[str] = []
    closed: set[str] = set()
    last: tuple[str, int] = ("", 0)
    for line in text.split("\n"):
        line = line.removesuffix("\r")
        if not columns:
            if line.startswith("#CHROM"):
                columns = line.split("\t")
            continue
        if not line:
            continue
        cells = line.split("\t")
        if len(cells) != len(columns):
            raise MustBeRefused(f"{len(cells)} columns")
        chrom, pos, name, ref, alt, _, passed, _, keys = cells[:9]
        if not _POSITION.fullmatch(pos):
            raise MustBeRefused(f"POS {pos}")
        place = (chrom, int(pos))
        if chrom in closed or (chrom == last[0] and place[1] < last[1]):
            raise MustBeRefused("out of order")
        if chrom != last[0] and last[0]:
            closed.add(last[0])
        last = place
        calls = {}
        for animal, cell in zip(columns[9:], cells[9:], strict=True):
            if animal in wanted:
                calls[animal] = _codes(keys.split(":"), cell.split(":"))
        found = _marker(place, ref.upper(), alt.upper(), passed, calls)
        if found and found[0] not in genotypes:
            genotypes[found[0]] = found[1]
            identifiers[found[0]] = name
    return genotypes, identifiers


def read_calls(calls: list[dict[str, str]], markers: list[dict[str, str]]) -> tuple[dict, dict]:
    """Return the same of a table of calls and its table of markers."""
    genotypes: dict[tuple, dict[str, int]] = {}
    identifiers: dict[tuple, str] = {}
    for marker in markers:
        key = (marker["chrom"], int(float(marker["pos"])), marker["ref"], marker["alt"])
        identifiers[key] = marker["marker"]
        genotypes[key] = {row["materialSampleID"]: _copies(row[marker["marker"]], *key[2:]) for row in calls}
    return genotypes, identifiers


def united(read: list[tuple[dict, dict]], animals: list[str]) -> tuple[dict, dict]:
    """Return the markers of several files of different animals; missing where a file lacks a marker."""
    genotypes: dict[tuple, dict[str, int]] = {}
    identifiers: dict[tuple, str] = {}
    for found, names in read:
        for key, calls in found.items():
            genotypes.setdefault(key, dict.fromkeys(animals, -1)).update(calls)
            if identifiers.get(key, ".") == ".":
                identifiers[key] = names[key]
    return genotypes, identifiers


def _copies(text: str, ref: str, alt: str) -> int:
    letters = re.sub(r"[/|]", "", text.upper())
    if text in ("", "NA") or set(letters) & set(".-?"):
        return -1
    if len(letters) != 2 or set(letters) - {ref, alt}:
        raise MustBeRefused(f"call {text}")
    return letters.count(alt)


def _codes(keys: list[str], values: list[str]) -> list[int]:
    if "GT" not in keys:
        raise MustBeRefused("no genotypes")
    place = keys.index("GT")
    text = values[place] if place < len(values) else "."
    if not _GENOTYPE.fullmatch(text):
        raise MustBeRefused(f"genotype {text}")
    return [-1 if code == "." else int(code) for code in re.split(r"[|/]", text.lstrip("|/"))]


def _marker(place: tuple, ref: str, alt: str, passed: str, calls: dict[str, list[int]]):
    alternates = alt.split(",")
    if passed not in ("PASS", ".") or alternates[0] == ".":
        return None
    if len(alternates) == 1:
        chosen = 1
    else:  # alternates that no listed animal carries are dropped, where the reference and one alternate are left
        carried = {code for codes in calls.values() for code in codes if code >= 0}
        if 0 not in carried or len(carried) != 2:
            return None
        chosen = max(carried)
        if chosen > len(alternates):
            raise MustBeRefused(f"allele {chosen}")
    base = alternates[chosen - 1]
    if len(ref) != 1 or len(base) != 1 or ref not in "ACGT" or base not in "ACGT":
        return None
    dosages = {}
    for animal, codes in calls.items():
        if any(code > 0 and code != chosen for code in codes):
            raise MustBeRefused(f"an allele of {codes}")
        if len(codes) > 2 or (len(codes) == 1 and codes[0] >= 0):
            raise MustBeRefused(f"ploidy of {codes}")
        dosages[animal] = sum(code == chosen for code in codes) if min(codes) >= 0 else -1
    return (*place, ref, base), dosages


def counted(genotypes: dict[tuple, dict[str, int]], animals: list[str]) -> dict[tuple, list[int]]:
    """Return, by marker, how many of some animals are homozygous reference, heterozygous, homozygous, missing."""
    return {
        key: [sum(calls.get(animal, -1) == value for animal in animals) for value in (0, 1, 2, -1)]
        for key, calls in genotypes.items()
    }
