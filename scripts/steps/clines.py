"""Rule clines: centre and width of the cline of ancestry between each two adjacent units, where the coast is a line."""

from homewater.genotypes.site_counts import open_site_counts, read_markers_outside_blocks
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.tested_sites import sites_with_units
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
    sites = sites_with_units(
        open_site_counts(site_counts),
        read_markers_outside_blocks(markers, blocks),
        read_table(sea_distance),
        read_table(units),
    )
    found = clines_of(sites, read_table(breaks))
    write_table(found.clines, clines)
    write_table(found.cline_sites, cline_sites)


if __name__ == "__main__":
    run_step(main, snakemake)
