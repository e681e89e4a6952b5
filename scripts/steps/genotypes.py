"""Rule genotypes: the parts joined into one store, markers in genome order, animals in canonical order; conflicts."""

import json

from homewater.genotypes.store import open_genotypes, write_genotypes
from homewater.genotypes.variant_blocks import ahead
from homewater.intake.join_files import canonical_samples
from homewater.intake.join_parts import join_parts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    plan: str, parts: list[str], sample_sheet: str, sites: str, genotypes: str, file_conflicts: str, species: str
) -> None:
    """Say which markers of several files are the same, and what the files disagree in; it removes no animal."""
    animals = canonical_samples(read_table(sample_sheet, "input_samples"), read_table(sites, "input_sites"), species)
    joined = join_parts(read_json(plan), [open_genotypes(part) for part in parts], animals)
    write_genotypes(genotypes, joined.animals, joined.contigs, ahead(joined.blocks()), joined.attributes)
    table, totals = joined.conflicts(open_genotypes(genotypes))
    write_table(table, file_conflicts)
    absent = len(joined.attributes["animals_without_genotypes"])
    print(
        json.dumps(
            {
                "records": joined.attributes["records"],
                "animals_without_genotypes": absent,
                "file_conflicts": totals,
            }
        )
    )


if __name__ == "__main__":
    run_step(main, snakemake)
