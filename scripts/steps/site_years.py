"""Rule site_years: change between the years in which a site was sampled, tested before its years are pooled."""

from homewater.genotypes.opened_species import open_species
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.structure.site_years import YearSettings, site_years
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    sample_sheet: str,
    table: str,
    permutations: int,
    min_individuals: int,
    generation_years: float,
    seed: int,
    species: str,
) -> None:
    """Tell, for each site with animals of several years, whether they are one sample or several."""
    opened = open_species(genotypes, samples, markers)
    settings = YearSettings(permutations, min_individuals, generation_years)
    sheet = read_table(sample_sheet, "input_samples")
    write_table(site_years(opened, sheet, species, settings, draws(seed, "site_years", species)), table, "site_years")


if __name__ == "__main__":
    run_step(main, snakemake)
