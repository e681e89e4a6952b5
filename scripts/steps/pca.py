"""Rule pca: axes of the animals that define units, all others projected."""

from homewater.genotypes.opened_species import open_species
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.structure.pca import species_axes
from homewater.tables.schema_tables import write_table


def main(
    genotypes: str, samples: str, markers: str, table: str, axes: str, n_axes: int, seed: int, species: str
) -> None:
    """Lay the animals along the axes on which they differ most, and tell which axes are beyond chance."""
    found = species_axes(open_species(genotypes, samples, markers), n_axes, generator(seed, "pca", species))
    write_table(found.scores, table)
    write_table(found.axes, axes)


if __name__ == "__main__":
    run_step(main, snakemake)
