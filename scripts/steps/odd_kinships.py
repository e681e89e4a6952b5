"""Rule odd_kinships: sites that differ from their neighbours by water more than from a site far away."""

from homewater.genotypes.site_counts import open_site_counts, read_markers_outside_blocks
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.odd_kinships import odd_kinships_of
from homewater.units.tested_sites import sites_with_units


def main(site_counts: str, markers: str, blocks: str, units: str, sea_distance: str, table: str) -> None:
    """Find the sites whose kin is far away, where neither distance nor a boundary explains it."""
    sites = sites_with_units(
        open_site_counts(site_counts),
        read_markers_outside_blocks(markers, blocks),
        read_table(sea_distance),
        read_table(units),
    )
    write_table(odd_kinships_of(sites), table)


if __name__ == "__main__":
    run_step(main, snakemake)
