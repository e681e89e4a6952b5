"""Rule isolation_by_distance: how differentiation rises with the distance by water, overall and inside each unit."""

from homewater.genotypes.site_counts import open_site_counts, read_markers_outside_blocks
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.isolation_by_distance import isolation_table
from homewater.units.tested_sites import sites_with_units


def main(
    site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str, seed: int, species: str
) -> None:
    """Fit lines of differences on distance to all sites, and to the sites of each unit."""
    sites = sites_with_units(
        open_site_counts(site_counts),
        read_markers_outside_blocks(markers, blocks),
        read_table(sea_distance),
        read_table(units),
    )
    random = draws(seed, "detectable", species)  # as rule units has it, so that its summary says the same of all sites
    write_table(isolation_table(sites.replicates, sites.km, sites.unit, sites.ids, random), table)


if __name__ == "__main__":
    run_step(main, snakemake)
