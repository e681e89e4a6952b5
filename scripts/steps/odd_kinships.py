"""Rule odd_kinships: sites that differ from their neighbours by water more than from a site far away."""

from homewater.running.step import run_step
from homewater.tables.schema_tables import write_table
from homewater.units.odd_kinships import odd_kinships_of
from homewater.units.tested_sites import open_placed_sites


def main(site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str) -> None:
    """Find the sites whose kin is far away, where neither distance nor a boundary explains it."""
    sites = open_placed_sites(site_counts, markers, blocks, sea_distance, units)
    write_table(odd_kinships_of(sites), table)


if __name__ == "__main__":
    run_step(main, snakemake)
