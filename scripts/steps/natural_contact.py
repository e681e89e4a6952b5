"""Rule natural_contact: ancestry from the neighbouring unit beside what the cline lets expect, at each site of a cline.

Named inputs: genotypes, samples, markers, blocks, units, reference_animals, cline_sites. Output: table.
"""

from homewater.assignment.natural_contact import natural_contact
from homewater.crosses.opened_panel import open_reference_animals
from homewater.genotypes.opened_species import open_species
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    blocks: str,
    units: str,
    reference_animals: str,
    cline_sites: str,
    table: str,
) -> None:
    """Decide whether the animals of a site hold more of the neighbouring unit than a natural boundary explains."""
    species = open_species(genotypes, samples, markers).outside_blocks(read_table(blocks, "genome_blocks"))
    reference = open_reference_animals(species.store, reference_animals)
    found = natural_contact(species, reference, read_table(units, "units"), read_table(cline_sites, "cline_sites"))
    write_table(found, table, "natural_contact")


if __name__ == "__main__":
    run_step(main, snakemake)
