"""Rule isolation_by_distance: how differentiation rises with the distance by water, overall and inside each unit."""

from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.tables.schema_tables import write_table
from homewater.units.isolation_by_distance import isolation_table
from homewater.units.tested_sites import open_placed_sites


def main(
    site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str, seed: int, species: str
) -> None:
    """Fit lines of differences on distance to all sites, and to the sites of each unit."""
    sites = open_placed_sites(site_counts, markers, blocks, sea_distance, units)
    random = draws(seed, "isolation_by_distance", species)  # rule units draws the same, and so says the same
    write_table(isolation_table(sites.replicates, sites.km, sites.unit_alone, sites.ids, random), table)


if __name__ == "__main__":
    run_step(main, snakemake)
