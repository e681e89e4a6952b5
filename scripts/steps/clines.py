"""Rule clines: centre and width of the cline of ancestry between each two adjacent units, where the coast is a line."""

from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.tested_sites import open_placed_sites
from homewater.units.unit_clines import clines_of


def main(
    site_counts: str,
    markers: str,
    blocks: str,
    breaks: str,
    units: str,
    sea_distance: str,
    clines: str,
    cline_sites: str,
) -> None:
    """Fit how ancestry changes along the coast from one unit to the next, and say where it could not be fitted."""
    sites = open_placed_sites(site_counts, markers, blocks, sea_distance, units)
    found = clines_of(sites, read_table(breaks))
    write_table(found.clines, clines)
    write_table(found.cline_sites, cline_sites)


if __name__ == "__main__":
    run_step(main, snakemake)
