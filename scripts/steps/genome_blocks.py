"""Rule genome_blocks: stretches of the genome whose differences between sites depart from those of the rest.

Named inputs: genotypes, site_counts, markers, samples, recombination_map (none or one). Outputs: windows, blocks,
block_animals, block_sites. Params: settings (structure), cm_per_chromosome.
"""

from homewater.genotypes.genetic_map import open_map
from homewater.genotypes.opened_species import open_species
from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.structure.genome_blocks import BlockRules, species_blocks
from homewater.tables.schema_tables import write_table


def main(
    genotypes: str,
    site_counts: str,
    markers: str,
    samples: str,
    recombination_map: list[str],
    windows: str,
    blocks: str,
    block_animals: str,
    block_sites: str,
    settings: dict,
    cm_per_chromosome: float,
) -> None:
    """Find the inversions and the stretches under selection, and lay the animals and the sites out along each."""
    found = species_blocks(
        open_species(genotypes, samples, markers),
        open_site_counts(site_counts),
        open_map(recombination_map, cm_per_chromosome),
        BlockRules.of_study(settings),
    )
    write_table(found.windows, windows, "genome_windows")
    write_table(found.blocks, blocks, "genome_blocks")
    write_table(found.animals, block_animals, "block_animals")
    write_table(found.sites, block_sites, "block_sites")


if __name__ == "__main__":
    run_step(main, snakemake)
