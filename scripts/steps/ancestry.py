"""Rule ancestry: the groups that held-out genotypes support, and shares in as many as starts agree on."""

from homewater.genotypes.opened_species import open_species
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.structure.ancestry import species_ancestry
from homewater.tables.schema_tables import write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    ancestry: str,
    group_number: str,
    max_groups: int,
    n_starts: int,
    seed: int,
    species: str,
) -> None:
    """Decide how many groups to report, and tell each animal's share in them."""
    opened = open_species(genotypes, samples, markers)
    found = species_ancestry(opened, max_groups, n_starts, draws(seed, "ancestry", species))
    write_table(found.ancestry, ancestry)
    write_table(found.group_number, group_number)


if __name__ == "__main__":
    run_step(main, snakemake)
