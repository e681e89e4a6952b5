"""Checks across the user's files: what one names must stand in the other, and each species must have a baseline.

Every function returns its problems and raises none, so that the user learns of the problems of all files at once. A
file that could not be read whole does not count against another one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from homewater.inputs.event_dates import date_span
from homewater.inputs.genotype_headers import GenotypeHeader
from homewater.inputs.user_tables import ReadTable
from homewater.inputs.user_text import nearest, shown
from homewater.running.errors import Problem

NEAR_DEGREES = 10.0  # sites within this of one another, in latitude and in longitude, lie on the same coast
WILD = "wild"


def table_problems(
    samples: ReadTable, sites: ReadTable, transfers: ReadTable | None, species: list[str]
) -> list[Problem]:
    """Return all that is wrong within and between the tables.

    Args:
        samples: table of samples.
        sites: table of sites.
        transfers: table of moves, or None where the study has none.
        species: ids of the study's species.
    """
    known = sites.frame["locationID"].tolist() if sites.whole else None
    a_site, a_species = f"a locationID of {sites.name}", "a species of the study file: " + ", ".join(species)
    problems = [
        *sites.problems,
        *site_problems(sites),
        *samples.problems,
        *reference_problems(samples, ["species"], species, a_species),
        *reference_problems(samples, ["locationID"], known, a_site),
        *replicate_problems(samples),
    ]
    if transfers is not None:
        problems += [
            *transfers.problems,
            *reference_problems(transfers, ["species"], species, a_species),
            *reference_problems(transfers, ["sourceLocationID"], known, f"{a_site}, or nothing for an untraced move"),
            *reference_problems(transfers, ["destinationLocationID"], known, a_site),
            *loss_problems(transfers),
        ]
    return problems


def site_problems(sites: ReadTable) -> list[Problem]:
    """Tell of sites whose latitude and longitude look swapped: only the other way round do they lie among the others.

    A site counts as swapped where none of the other sites is within NEAR_DEGREES of it, and at least half of them are
    once its coordinates are exchanged.
    """
    latitude, longitude = (sites.frame[c].to_numpy(dtype=float) for c in ("decimalLatitude", "decimalLongitude"))
    usable = (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    problems = []
    for i in np.flatnonzero(usable):
        others = usable & (np.arange(len(latitude)) != i)
        if others.sum() < 2:
            continue
        as_is = _near(latitude[i], longitude[i], latitude[others], longitude[others])
        exchanged = _near(longitude[i], latitude[i], latitude[others], longitude[others])
        if not as_is.any() and exchanged.mean() >= 0.5:
            found = f"{latitude[i]:g} with decimalLongitude {longitude[i]:g}: far from every other site"
            allowed = f"latitude {longitude[i]:g} and longitude {latitude[i]:g}? They look swapped"
            problems.append(Problem(sites.name, f"line {sites.lines[i]}", "decimalLatitude", found, allowed))
    return problems


def _near(latitude: float, longitude: float, latitudes: np.ndarray, longitudes: np.ndarray) -> np.ndarray:
    apart = np.abs((longitudes - longitude + 180) % 360 - 180)
    return (np.abs(latitudes - latitude) <= NEAR_DEGREES) & (apart <= NEAR_DEGREES)


def reference_problems(
    table: ReadTable, columns: Iterable[str], known: Iterable[str] | None, what: str
) -> list[Problem]:
    """Tell of values that name something unknown.

    Args:
        table: the table whose values are looked up.
        columns: its columns; empty values pass.
        known: what may be named; None where that could not be read, and nothing is told.
        what: where the known names stand, for the message.
    """
    if known is None:
        return []
    known = list(known)
    allowed_names, problems = set(known), []
    for column in columns:
        for line, value in zip(table.lines, table.frame[column], strict=True):
            if value and value not in allowed_names:
                near = nearest(value, known)
                allowed = what + (f"; did you mean {near}?" if near else "")
                problems.append(Problem(table.name, f"line {line}", column, shown(value), allowed))
    return problems


def replicate_problems(samples: ReadTable) -> list[Problem]:
    """Tell of declared replicates that name themselves, one another in a ring, or no sample of their species."""
    frame = samples.frame
    names = list(zip(frame["species"], frame["materialSampleID"], strict=True))
    of = {name: (name[0], first) for name, first in zip(names, frame["replicateOf"], strict=True) if first}
    problems = []
    for line, name in zip(samples.lines, names, strict=True):
        if name not in of:
            continue
        allowed = "the materialSampleID of another record of the same species, genotyped before"
        found = None
        if of[name] == name:
            found = f"{shown(name[1])}, the record itself"
        elif samples.whole and of[name] not in set(names):
            elsewhere = [species for species, sample in names if sample == of[name][1]]
            found = shown(of[name][1]) + (
                f", a record of {elsewhere[0]}" if elsewhere else ", no record of this species"
            )
            near = (
                None if elsewhere else nearest(of[name][1], [sample for species, sample in names if species == name[0]])
            )
            allowed += f"; did you mean {near}?" if near else ""
        elif _in_ring(name, of):
            found = f"{shown(of[name][1])}, which is declared a replicate of this record in turn"
        if found:
            problems.append(Problem(samples.name, f"line {line}", "replicateOf", found, allowed))
    return problems


def _in_ring(name: tuple[str, str], of: Mapping[tuple[str, str], tuple[str, str]]) -> bool:
    seen, step = set(), of.get(name)
    while step is not None and step not in seen:
        if step == name:
            return True
        seen.add(step)
        step = of.get(step)
    return False


def loss_problems(transfers: ReadTable) -> list[Problem]:
    """Tell of moves that lost more animals than they moved."""
    problems = []
    moved, lost = transfers.frame["individualCount"], transfers.frame["lost_or_dead"]
    for line, n, gone in zip(transfers.lines, moved.tolist(), lost.tolist(), strict=True):
        if isinstance(n, int) and isinstance(gone, int) and gone > n > 0:  # none moved is told when read
            allowed = f"at most the {n} animals moved (individualCount)"
            problems.append(Problem(transfers.name, f"line {line}", "lost_or_dead", str(gone), allowed))
    return problems


def sample_file_problems(
    species: str, samples: ReadTable, headers: list[GenotypeHeader], all_headers_read: bool
) -> list[Problem]:
    """Tell of samples that stand in one place only: in the table, or in the headers of the species' genotype files.

    Args:
        species: id of the species.
        samples: the table of samples, of all species.
        headers: headers of this species' files that could be read; a sample may stand in several of them.
        all_headers_read: whether these are all of them.
    """
    frame, problems = samples.frame, []
    in_headers = {sample for header in headers for sample in header.sample_ids}
    own = [
        (line, name)
        for line, of, name in zip(samples.lines, frame["species"], frame["materialSampleID"], strict=True)
        if of == species
    ]
    in_table = {name for _, name in own}
    if all_headers_read:
        files = ", ".join(header.name for header in headers)
        for line, name in own:
            if name and name not in in_headers:
                near = nearest(name, sorted(in_headers - in_table))
                found = f"{shown(name)}, not in the header of the genotypes of {species}"
                allowed = f"a sample of {files}" + (f"; did you mean {near}?" if near else "")
                problems.append(Problem(samples.name, f"line {line}", "materialSampleID", found, allowed))
    if samples.whole:
        others = {
            name: of for of, name in zip(frame["species"], frame["materialSampleID"], strict=True) if of != species
        }
        for header in headers:
            for name, line in header.lines().items():
                if name.strip() and name not in in_table:
                    near = nearest(name, sorted(in_table - in_headers))
                    found = f"a sample without a row of {species} in {samples.name}"
                    found += f" (there it is {shown(others[name]) or 'of no species'})" if name in others else ""
                    allowed = "one row a sample" + (f"; did you mean {near}?" if near else "")
                    problems.append(Problem(header.name, f"line {line}", shown(name), found, allowed))
    return problems


def contig_problems(headers: list[GenotypeHeader]) -> list[Problem]:
    """Tell of chromosomes whose length differs between the files of one species: two different assemblies."""
    first: dict[str, tuple[int, str]] = {}
    problems = []
    for header in headers:
        for name, length in header.contigs.items():
            known = first.get(name, (length, header.name))
            if length is not None and length != known[0]:
                found = f"chromosome {shown(name)} of {length} bp"
                allowed = f"{known[0]} bp, as in {known[1]} (all files of a species on one assembly)"
                problems.append(Problem(header.name, "header", "##contig", found, allowed))
            elif length is not None:
                first.setdefault(name, known)
    return problems


def unshared_contig_problems(files: list[tuple[str, list[str], list[str]]]) -> list[Problem]:
    """Tell of files that share no chromosome with the files before them, so that nothing in them can be joined.

    Files of the same animals may hold a chromosome each; but names that differ in a prefix alone, and files of other
    animals, are told. Names are never guessed.

    Args:
        files: name, chromosomes and samples of each file of a species, in their order.
    """
    problems, chromosomes, samples = [], {}, set()
    for name, contigs, sample_ids in files:
        if chromosomes and contigs and not set(contigs) & set(chromosomes):
            bare = {_bare_contig(known): known for known in reversed(chromosomes)}
            alike = [(c, bare[_bare_contig(c)]) for c in contigs if _bare_contig(c) in bare]
            if alike or not samples & set(sample_ids):
                there = ", ".join(map(shown, list(chromosomes)[:3]))
                found = f"chromosomes {', '.join(map(shown, contigs[:3]))}, none of which a file before it has"
                allowed = f"the names of {next(iter(chromosomes.values()))}: {there}"
                if alike:
                    allowed += f" (is {shown(alike[0][0])} its {shown(alike[0][1])}? Rename them in one of the files)"
                problems.append(Problem(name, "", "CHROM", found, allowed))
        for contig in contigs:
            chromosomes.setdefault(contig, name)
        samples |= set(sample_ids)
    return problems


def _bare_contig(name: str) -> str:
    return re.sub(r"^(chromosome|chrom|chr|lg)?[_\-. ]*0*(?=.)", "", name.casefold())


def merged_contigs(headers: list[GenotypeHeader]) -> dict[str, int | None]:
    """Return length by chromosome over all files of a species: the first file's order, then what others add."""
    merged: dict[str, int | None] = {}
    for header in headers:
        for name, length in header.contigs.items():
            merged[name] = length if merged.get(name) is None else merged[name]
    return merged


def map_problems(table: ReadTable, contigs: Iterable[str] | None) -> list[Problem]:
    """Tell of a recombination map that does not rise, has a lone position, or names none of the chromosomes.

    Args:
        table: columns chrom, pos (bp), cm (centimorgan).
        contigs: chromosomes of the species, or None where they could not be read.
    """
    frame, problems, last = table.frame, [], {}
    rows = list(zip(table.lines, frame["chrom"], frame["pos"].tolist(), frame["cm"].tolist(), strict=True))
    n_of: dict[str, int] = {}
    for line, chrom, pos, cm in rows:
        n_of[chrom] = n_of.get(chrom, 0) + 1
        if not isinstance(pos, int) or not cm >= 0:  # told when read
            continue
        before = last.get(chrom)
        if before and pos < before[0]:
            problems.append(
                Problem(table.name, f"line {line}", "pos", str(pos), f"positions that rise: above {before[0]}")
            )
        elif before and cm < before[1]:
            problems.append(
                Problem(table.name, f"line {line}", "cm", f"{cm:g}", f"a map that never falls: at least {before[1]:g}")
            )
        else:
            last[chrom] = (pos, cm)
    for line, chrom, *_ in rows:
        if n_of.get(chrom) == 1 and table.whole and chrom:
            found = f"{shown(chrom)} with one position"
            problems.append(Problem(table.name, f"line {line}", "chrom", found, "at least two positions a chromosome"))
    if contigs is not None and n_of and not set(n_of) & set(contigs):
        found = f"only {', '.join(map(shown, list(n_of)[:3]))}"
        allowed = f"chromosomes as in the genotypes: {', '.join(map(shown, list(contigs)[:3]))}"
        problems.append(Problem(table.name, "", "chrom", found, allowed))
    return problems


def baseline_problems(
    species: str, samples: ReadTable, sites: ReadTable, native_range: BaseGeometry | None
) -> list[Problem]:
    """Tell of a species without samples, without baseline animals, or with none at a site that may define units.

    Args:
        species: id of the species.
        samples: all samples.
        sites: all sites.
        native_range: polygon of the native range in degrees (longitude, latitude), or None where every site is within.
    """
    own = samples.frame[samples.frame["species"] == species]
    if not len(own):
        return [Problem(samples.name, "", "species", f"no sample of {species}", f"at least one row of {species}")]
    allowed = "at least one baseline animal at a wild site within the native range"
    place = f"species {species}"
    if not (own["role"] == "baseline").any():
        return [Problem(samples.name, place, "role", "no baseline animal", allowed)]
    if not sites.whole:
        return []
    defining = set(sites.frame["locationID"][defining_sites(sites, native_range)])
    where = dict.fromkeys(own["locationID"][own["role"] == "baseline"])
    if defining & set(where) or not set(where) <= set(sites.frame["locationID"]):
        return []
    kinds = dict(zip(sites.frame["locationID"], sites.frame["kind"], strict=True))
    listed = [f"{shown(s)} ({kinds[s] if kinds[s] != WILD else 'outside the native range'})" for s in where]
    found = "no baseline animal but at " + ", ".join(listed[:5]) + (" and others" if len(listed) > 5 else "")
    return [Problem(samples.name, place, "role", found, allowed)]


def defining_sites(sites: ReadTable, native_range: BaseGeometry | None) -> np.ndarray:
    """Return, as bool (n_sites,), which sites may define units and frequencies: wild, and within the native range."""
    wild = (sites.frame["kind"] == WILD).to_numpy(dtype=bool)
    if native_range is None:
        return wild
    within = shapely.intersects_xy(
        native_range,
        sites.frame["decimalLongitude"].to_numpy(dtype=float),
        sites.frame["decimalLatitude"].to_numpy(dtype=float),
    )
    return wild & within


def last_day(samples: ReadTable) -> str | None:
    """Return the last day that any sample's event date covers, as YYYY-MM-DD; None without a date."""
    spans = [span for span in map(date_span, samples.frame["eventDate"]) if span]
    return max(end for _, end in spans).isoformat() if spans else None
