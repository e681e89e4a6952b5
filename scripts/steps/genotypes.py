"""Rule genotypes: the parts joined into one store, markers in genome order, animals in canonical order; conflicts."""

import json
from pathlib import Path

from homewater.genotypes.store import open_genotypes, write_genotypes
from homewater.genotypes.variant_blocks import ahead
from homewater.inputs.checks import unshared_contig_problems
from homewater.intake.join_files import Joined, canonical_samples, genome_order
from homewater.running.errors import InputError, Problem
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table


def main(
    plan: str, parts: list[str], sample_sheet: str, sites: str, genotypes: str, file_conflicts: str, species: str
) -> None:
    """Read the parts, write the store and what the files disagree in; removes no animal that has genotypes."""
    planned = json.loads(Path(plan).read_text(encoding="utf-8"))
    opened = [open_genotypes(part) for part in parts]
    counted = [part.attributes["records"] for part in opened]
    _check_indexes(planned, counted)
    records = {reason: sum(part[reason] for part in counted) for reason in counted[0]}
    names = ", ".join(file["name"] for file in planned["files"])
    if not records["kept"]:
        reasons = ", ".join(f"{n} {reason}" for reason, n in records.items() if n and reason not in ("read", "kept"))
        found = f"no marker left of {records['read']} records" + (f" ({reasons})" if reasons else "")
        raise InputError(Problem(names, "", "", found, "biallelic single-base markers with genotypes"))
    animals = canonical_samples(read_table(sample_sheet, "input_samples"), read_table(sites, "input_sites"), species)
    present = {name for part in opened for name in part.sample_ids.tolist()}
    held = animals[animals["materialSampleID"].isin(present)]
    absent = animals.loc[~animals["materialSampleID"].isin(present), "materialSampleID"].tolist()
    _check_contigs(planned, opened)
    contigs = genome_order([file["contigs"] for file in planned["files"]], opened)
    joined = Joined(opened, contigs, held["materialSampleID"].tolist(), [part["file"] for part in planned["parts"]])
    records["union"] = joined.n_markers
    attributes = {"records": records, "animals_without_genotypes": absent}

    def blocks():
        yield from joined.blocks()
        records["conflicting_genotypes"] = int(joined.differing.sum())
        attributes["file_concordance"] = joined.concordance()

    write_genotypes(
        genotypes,
        held["materialSampleID"].tolist(),
        held["locationID"].tolist(),
        contigs,
        ahead(blocks()),
        attributes,
        read_balance=joined.read_balance(),
    )
    table, totals = joined.conflicts([file["name"] for file in planned["files"]], open_genotypes(genotypes))
    write_table(table, file_conflicts)
    print(json.dumps({"records": records, "animals_without_genotypes": len(absent), "file_conflicts": totals}))


def _check_contigs(planned: dict, opened: list) -> None:
    """Headers may name more chromosomes than the records hold; here the records' own are compared."""
    met = []
    for number, file in enumerate(planned["files"]):
        own = [part for part, share in zip(opened, planned["parts"], strict=True) if share["file"] == number]
        contigs = dict.fromkeys(name for part in own for name in part.contig_ids.tolist())
        met.append((file["name"], list(contigs), own[0].sample_ids.tolist() if own else []))
    problems = unshared_contig_problems(met)
    if problems:
        raise InputError(problems)


def _check_indexes(planned: dict, counted: list[dict]) -> None:
    problems = []
    for number, file in enumerate(planned["files"]):
        read = sum(c["read"] for c, part in zip(counted, planned["parts"], strict=True) if part["file"] == number)
        if file["n_records"] is not None and file["n_records"] != read:
            found = f"{file['n_records']} records by its index, {read} records read"
            problems.append(
                Problem(file["name"], "", "", found, "the whole, undamaged file, and an index made from it")
            )
    if problems:
        raise InputError(problems)


if __name__ == "__main__":
    run_step(main, snakemake)
