"""Rule groups_within_units: how many groups held-out genotypes support inside each unit."""

from homewater.genotypes.opened_species import open_species
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.structure.groups_within_units import groups_within_units
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    units: str,
    table: str,
    max_groups: int,
    seed: int,
    species: str,
) -> None:
    """Decide, unit by unit, whether its animals are one group or several."""
    opened = open_species(genotypes, samples, markers)
    found = groups_within_units(
        opened,
        read_table(units),
        max_groups,
        lambda unit: draws(seed, f"groups_within_units {unit}", species),
    )
    write_table(found, table)


if __name__ == "__main__":
    run_step(main, snakemake)
