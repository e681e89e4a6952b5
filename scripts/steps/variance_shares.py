"""Rule variance_shares: how much of the genetic variance lies between jurisdictions, and how much between units."""

from homewater.running.step import run_step
from homewater.tables.schema_tables import write_table
from homewater.units.tested_sites import open_placed_sites
from homewater.units.variance_shares import variance_table


def main(site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str) -> None:
    """Share out the variance, and rank what the borders add among all borders that could have been drawn."""
    sites = open_placed_sites(site_counts, markers, blocks, sea_distance, units)
    write_table(variance_table(sites), table)


if __name__ == "__main__":
    run_step(main, snakemake)
