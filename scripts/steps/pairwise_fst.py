"""Rule pairwise_fst: F_ST of every pair of sites with interval and permutation test, beside the distance by water."""

from homewater.genotypes.opened_species import open_species
from homewater.genotypes.site_counts import open_site_counts
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.structure.pairwise_fst import site_pairs
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    site_counts: str,
    markers: str,
    samples: str,
    sea_distance: str,
    table: str,
    permutations: int,
    min_individuals: int,
    seed: int,
    species: str,
) -> None:
    """Tell how far every two sites differ, and whether that is more than chance gives one population."""
    opened = open_species(genotypes, samples, markers)
    counts = open_site_counts(site_counts).subset(opened.technical_markers)
    drawn = draws(seed, "pairwise_fst", species)
    write_table(site_pairs(opened, counts, read_table(sea_distance), permutations, min_individuals, drawn), table)


if __name__ == "__main__":
    run_step(main, snakemake)
