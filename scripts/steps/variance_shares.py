"""Rule variance_shares: how much of the genetic variance lies between jurisdictions, and how much between units."""

from homewater.genotypes.site_counts import open_site_counts, read_markers_outside_blocks
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.tested_sites import sites_with_units
from homewater.units.variance_shares import variance_table


def main(site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str) -> None:
    """Share out the variance, and rank what the borders add among all borders that could have been drawn."""
    sites = sites_with_units(
        open_site_counts(site_counts),
        read_markers_outside_blocks(markers, blocks),
        read_table(sea_distance),
        read_table(units),
    )
    write_table(variance_table(sites), table)


if __name__ == "__main__":
    run_step(main, snakemake)
