"""Rule mixing_dates: how many generations ago stocks mixed, by the lengths of ancestry tracts at each site.

Named inputs: genotypes, samples, markers, units, reference_animals, cline_sites, calls, origin_classes,
genotyping_error, recombination_map (none or one: without a map nothing is dated). Output: table.
"""

from homewater.assignment.mixing_dates import DatingSettings, MixingEvidence, mixing_dates
from homewater.crosses.opened_panel import open_reference_animals
from homewater.genotypes.genetic_map import open_map
from homewater.genotypes.opened_species import open_species
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    units: str,
    reference_animals: str,
    cline_sites: str,
    calls: str,
    origin_classes: str,
    genotyping_error: str,
    recombination_map: list[str],
    table: str,
    cm_per_chromosome: float,
    generation_years: float,
    recent_generations: float,
) -> None:
    """Decide how many generations ago stocks mixed at each site: a recent escape, or an old contact."""
    species = open_species(genotypes, samples, markers)
    evidence = MixingEvidence(
        read_table(units, "units"),
        read_table(cline_sites, "cline_sites"),
        read_table(calls, "calls"),
        read_table(origin_classes, "origin_classes"),
    )
    found = mixing_dates(
        species,
        open_reference_animals(species.store, reference_animals),
        evidence,
        open_map(recombination_map, cm_per_chromosome),
        DatingSettings(read_json(genotyping_error)["estimate"], generation_years, recent_generations),
    )
    write_table(found, table, "mixing_dates")


if __name__ == "__main__":
    run_step(main, snakemake)
