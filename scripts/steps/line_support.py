"""Rule line_support: whether each line and each site that stands apart is found again when the study is changed."""

from homewater.genotypes.opened_species import open_species
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.break_rules import BreakRules
from homewater.units.line_support import line_support
from homewater.units.tested_sites import open_tested_sites


def main(
    site_counts: str,
    genotypes: str,
    samples: str,
    markers: str,
    blocks: str,
    sea_distance: str,
    table: str,
    settings: dict,
    min_individuals: int,
    seed: int,
    species: str,
) -> None:
    """Look for each line again without a site, with half of the animals or chromosomes, and by other limits."""
    tested = open_tested_sites(site_counts, markers, blocks, sea_distance, min_individuals)
    opened = open_species(genotypes, samples, markers).outside_blocks(read_table(blocks, "genome_blocks"))
    rules, random = BreakRules.of_study(settings), draws(seed, "line_support", species)
    write_table(line_support(tested, opened, rules, random), table, "line_support")


if __name__ == "__main__":
    run_step(main, snakemake)
