"""Rule linkage_decay: how linkage falls with distance, and whether the window of thinning is wide enough."""

from homewater.genotypes.opened_species import open_species
from homewater.running.step import run_step
from homewater.structure.linkage_decay import linkage_tables
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    recombination_map: list[str],
    decay: str,
    reach: str,
    thinning_distance_kb: float,
    thinning_distance_cm: float,
) -> None:
    """Measure the reach of linkage."""
    genetic_map = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
    opened = open_species(genotypes, samples, markers)
    found = linkage_tables(opened, genetic_map, thinning_distance_kb, thinning_distance_cm)
    write_table(found.decay, decay)
    write_table(found.reach, reach)


if __name__ == "__main__":
    run_step(main, snakemake)
