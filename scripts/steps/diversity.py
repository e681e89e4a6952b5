"""Rule diversity: heterozygosity, allele numbers and effective size with intervals, one row a site."""

from homewater.genotypes.opened_species import open_species
from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.structure.diversity import species_diversity
from homewater.tables.schema_tables import write_table


def main(genotypes: str, site_counts: str, markers: str, samples: str, table: str, min_individuals: int) -> None:
    """Tell how diverse each site is, and how many parents its animals seem to have."""
    opened = open_species(genotypes, samples, markers)
    counts = open_site_counts(site_counts).subset(opened.technical_markers)
    write_table(species_diversity(opened, counts, min_individuals), table)


if __name__ == "__main__":
    run_step(main, snakemake)
