"""Rule frequency_spectrum: whether rare alleles are missing in a unit, as where markers were chosen there."""

from homewater.genotypes.opened_species import open_species
from homewater.running.step import run_step
from homewater.structure.frequency_spectrum import frequency_spectrum
from homewater.tables.schema_tables import read_table, write_table


def main(genotypes: str, samples: str, markers: str, units: str, table: str, min_individuals: int) -> None:
    """Tell whether the markers look as if they had been chosen in one of the units."""
    opened = open_species(genotypes, samples, markers)
    found = frequency_spectrum(opened, read_table(units, "units"), min_individuals)
    write_table(found, table, "frequency_spectrum")


if __name__ == "__main__":
    run_step(main, snakemake)
