"""Rule check_inputs: every file of the user is checked, alone and against the others, before anything is computed."""

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
from homewater.inputs.genotype_headers import read_genotype_header
from homewater.inputs.polygons import read_polygons
from homewater.inputs.reference import reference_problem
from homewater.inputs.settings import input_files, shown_names
from homewater.inputs.settings_schema import is_genotype_table
from homewater.inputs.user_tables import empty_input_table, read_input_table
from homewater.intake.table_reader import marker_table_problems, read_genotype_table_header
from homewater.running.checksums import checksum
from homewater.running.errors import InputError
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import write_table


def main(files: list[str], study: dict, check: str, sample_sheet: str, sites: str, transfers: str) -> None:
    """Check everything, then write the tables in their normal form and what was found.

    Args:
        files: the user's files, in the order of `homewater.inputs.settings.input_files`.
        study: the full settings.
        check: JSON: checksums, ignored columns, report date, counts and chromosomes of each species.
        sample_sheet: table of samples, every optional column present.
        sites: table of sites, likewise.
        transfers: table of moves, likewise; a header alone where the study has none.
    """
    names = shown_names(study)
    paths = dict(zip((written for _, written in input_files(study)), files, strict=True))

    def named(written: str) -> tuple[str, str]:
        return paths[written], names[written]

    tables = {
        key: read_input_table(*named(study[key]), f"input_{key}")
        for key in ("samples", "sites", "transfers")
        if key in study
    }
    rows, places = tables["samples"], tables["sites"]
    problems = table_problems(rows, places, tables.get("transfers"), [species["id"] for species in study["species"]])
    if study["coastline"] != "global":
        problems += read_polygons(*named(study["coastline"]))[1]
    summary = {}
    for species in study["species"]:
        found, faults = _check_species(species, rows, places, named)
        summary[species["id"]] = found
        problems += faults
    if problems:
        raise InputError(problems)
    write_table(rows.frame, sample_sheet, "input_samples")
    write_table(places.frame, sites, "input_sites")
    moves = tables["transfers"].frame if "transfers" in tables else empty_input_table("input_transfers")
    write_table(moves, transfers, "input_transfers")
    content = {
        "files": {names[written]: checksum(path) for written, path in paths.items()},
        "ignored_columns": {table.name: table.ignored for table in tables.values() if table.ignored},
        "report_date": study["report"].get("date") or last_day(rows),
        "species": summary,
    }
    write_json(content, check)


def _check_species(species: dict, rows, places, named) -> tuple[dict, list]:
    """Return counts and chromosomes of one species, and what is wrong with its files."""
    name = species["id"]
    read, problems = _read_headers(species, named)
    headers = [header for header in read if header]
    problems += contig_problems(headers)
    problems += unshared_contig_problems([(h.name, list(h.contigs), list(h.sample_ids)) for h in headers])
    problems += sample_file_problems(name, rows, headers, len(headers) == len(read))
    contigs = merged_contigs(headers)
    known = len(headers) == len(read) and all(header.contigs for header in headers)
    if "reference" in species:
        problems += filter(None, [reference_problem(*named(species["reference"]))])
    native_range = None
    if "native_range" in species:
        native_range, faults = read_polygons(*named(species["native_range"]))
        problems += faults
    if "map" in species["recombination"]:
        table = read_input_table(*named(species["recombination"]["map"]), "input_recombination_map")
        problems += table.problems + map_problems(table, contigs if known else None)
    if rows.whole:
        problems += baseline_problems(name, rows, places, native_range)
    roles = rows.frame.loc[rows.frame["species"] == name, "role"]
    found = {
        "n_samples": len(roles),
        "n_baseline": int((roles == "baseline").sum()),
        "n_query": int((roles == "query").sum()),
        "contigs": [{"chrom": chrom, "length_bp": length} for chrom, length in contigs.items()],
    }
    return found, problems


def _read_headers(species: dict, named) -> tuple[list, list]:
    """Return the header of each genotype file (None where it cannot be read), tables too, and what is wrong."""
    headers, problems, used = [], [], set()
    markers = read_input_table(*named(species["marker_table"]), "input_markers") if "marker_table" in species else None
    for written in species["genotypes"]:
        if is_genotype_table(written):
            header, faults, columns = read_genotype_table_header(*named(written), markers)
            used |= columns
        else:
            header, faults = read_genotype_header(*named(written))
        headers.append(header)
        problems += faults
    if markers:
        tables = [header for header, path in zip(headers, species["genotypes"], strict=True) if is_genotype_table(path)]
        problems += markers.problems + marker_table_problems(markers, used if all(tables) else None)
    return headers, problems


if __name__ == "__main__":
    run_step(main, snakemake)
