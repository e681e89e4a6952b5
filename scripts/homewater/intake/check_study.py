"""All files of a study checked, each alone and against the others, before anything is computed.

Every fault of every file is collected first and told in one error, so that the user mends them in one go.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from homewater.inputs.checks import (
    baseline_problems,
    contig_problems,
    last_day,
    map_problems,
    merged_contigs,
    sample_file_problems,
    table_problems,
    unshared_contig_problems,
)
from homewater.inputs.genotype_headers import GenotypeHeader, read_genotype_header
from homewater.inputs.polygons import read_polygons
from homewater.inputs.reference import reference_problem
from homewater.inputs.settings import input_files, shown_names
from homewater.inputs.settings_schema import is_genotype_table
from homewater.inputs.user_tables import ReadTable, empty_input_table, read_input_table
from homewater.intake.table_reader import marker_table_problems, read_genotype_table_header
from homewater.running.checksums import checksum
from homewater.running.errors import InputError, Problem


@dataclass(frozen=True)
class SpeciesFiles:
    """The files of one species, as the study file writes their paths; None where it names none.

    Attributes:
        species: id of the species.
        genotypes: VCF or BCF files, or genotype tables.
        marker_table: where the markers of genotype tables lie.
        reference: reference genome.
        native_range: polygons of the native range.
        recombination_map: centimorgans along each chromosome.
    """

    species: str
    genotypes: list[str]
    marker_table: str | None
    reference: str | None
    native_range: str | None
    recombination_map: str | None

    @classmethod
    def of_study(cls, species: dict) -> SpeciesFiles:
        """Return the files that one entry of the study file's `species` names."""
        optional = (species.get(key) for key in ("marker_table", "reference", "native_range"))
        return cls(species["id"], species["genotypes"], *optional, species["recombination"].get("map"))


@dataclass(frozen=True)
class StudyFiles:
    """The files of a study, as the study file writes their paths; None where it names none.

    Attributes:
        samples: the sheet of samples.
        sites: the list of sites.
        transfers: the ledger of moves.
        coastline: polygons of land; None where the packaged coastline serves.
        species: the files of each species.
        report_date: date that the report shall bear, YYYY-MM-DD; None for the last day of the samples.
        paths: where each file is, by its path as written.
        names: how messages and outputs call each file, by its path as written.
    """

    samples: str
    sites: str
    transfers: str | None
    coastline: str | None
    species: list[SpeciesFiles]
    report_date: str | None
    paths: dict[str, str]
    names: dict[str, str]

    @classmethod
    def of_study(cls, settings: dict, paths: list[str]) -> StudyFiles:
        """Return the files of a study.

        Args:
            settings: the settings; those that name no file may be absent.
            paths: where each file is, in the order of `homewater.inputs.settings.input_files`.
        """
        return cls(
            samples=settings["samples"],
            sites=settings["sites"],
            transfers=settings.get("transfers"),
            coastline=None if settings["coastline"] == "global" else settings["coastline"],
            species=[SpeciesFiles.of_study(species) for species in settings["species"]],
            report_date=settings["report"].get("date"),
            paths=dict(zip((written for _, written in input_files(settings)), paths, strict=True)),
            names=shown_names(settings),
        )

    def named(self, written: str) -> tuple[str, str]:
        """Return where a file is, and how messages call it."""
        return self.paths[written], self.names[written]


@dataclass(frozen=True)
class CheckedStudy:
    """What `check_study` returns.

    Attributes:
        samples: the table of samples, every optional column present.
        sites: the table of sites, likewise.
        transfers: the table of moves, likewise; no rows where the study has none.
        record: checksum of each file, ignored columns, date of the report, counts and chromosomes of each species.
    """

    samples: pd.DataFrame
    sites: pd.DataFrame
    transfers: pd.DataFrame
    record: dict


def check_study(files: StudyFiles) -> CheckedStudy:
    """Check every file of the user.

    Raises:
        InputError: with all that is wrong in any of the files.
    """
    samples = read_input_table(*files.named(files.samples), "input_samples")
    sites = read_input_table(*files.named(files.sites), "input_sites")
    transfers = None
    if files.transfers is not None:
        transfers = read_input_table(*files.named(files.transfers), "input_transfers")
    problems = table_problems(samples, sites, transfers, [one.species for one in files.species])
    if files.coastline is not None:
        problems += read_polygons(*files.named(files.coastline))[1]
    of_species = {}
    for one in files.species:
        of_species[one.species], faults = _check_species(one, samples, sites, files)
        problems += faults
    if problems:
        raise InputError(problems)
    tables = [table for table in (samples, sites, transfers) if table]
    record = {
        "files": {files.names[written]: checksum(path) for written, path in files.paths.items()},
        "ignored_columns": {table.name: table.ignored for table in tables if table.ignored},
        "report_date": files.report_date or last_day(samples),
        "species": of_species,
    }
    moves = transfers.frame if transfers else empty_input_table("input_transfers")
    return CheckedStudy(samples.frame, sites.frame, moves, record)


def _check_species(
    own: SpeciesFiles, samples: ReadTable, sites: ReadTable, files: StudyFiles
) -> tuple[dict, list[Problem]]:
    """Return counts and chromosomes of one species, and what is wrong with its files."""
    read, problems = _read_headers(own, files)
    headers = [header for header in read if header]
    problems += contig_problems(headers)
    problems += unshared_contig_problems([(h.name, list(h.contigs), list(h.sample_ids)) for h in headers])
    problems += sample_file_problems(own.species, samples, headers, len(headers) == len(read))
    contigs = merged_contigs(headers)
    known = len(headers) == len(read) and all(header.contigs for header in headers)
    if own.reference is not None:
        problems += filter(None, [reference_problem(*files.named(own.reference))])
    native_range = None
    if own.native_range is not None:
        native_range, faults = read_polygons(*files.named(own.native_range))
        problems += faults
    if own.recombination_map is not None:
        table = read_input_table(*files.named(own.recombination_map), "input_recombination_map")
        problems += table.problems + map_problems(table, contigs if known else None)
    if samples.whole:
        problems += baseline_problems(own.species, samples, sites, native_range)
    roles = samples.frame.loc[samples.frame["species"] == own.species, "role"]
    found = {
        "n_samples": len(roles),
        "n_baseline": int((roles == "baseline").sum()),
        "n_query": int((roles == "query").sum()),
        "contigs": [{"chrom": chrom, "length_bp": length} for chrom, length in contigs.items()],
    }
    return found, problems


def _read_headers(own: SpeciesFiles, files: StudyFiles) -> tuple[list[GenotypeHeader | None], list[Problem]]:
    """Return the header of each genotype file (None where it cannot be read), tables too, and what is wrong."""
    headers, problems, used = [], [], set()
    markers = None
    if own.marker_table is not None:
        markers = read_input_table(*files.named(own.marker_table), "input_markers")
    for written in own.genotypes:
        if is_genotype_table(written):
            header, faults, columns = read_genotype_table_header(*files.named(written), markers)
            used |= columns
        else:
            header, faults = read_genotype_header(*files.named(written))
        headers.append(header)
        problems += faults
    if markers:
        tables = [header for header, path in zip(headers, own.genotypes, strict=True) if is_genotype_table(path)]
        problems += markers.problems + marker_table_problems(markers, used if all(tables) else None)
    return headers, problems
