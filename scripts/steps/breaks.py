"""Rule breaks: where lines between stocks run, where stocks meet in contact, and which sites stand apart."""

from homewater.running.step import run_step
from homewater.tables.schema_tables import write_table
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import lines_of
from homewater.units.tested_sites import open_tested_sites


def main(
    site_counts: str,
    markers: str,
    blocks: str,
    sea_distance: str,
    table: str,
    site_drift: str,
    settings: dict,
    min_individuals: int,
) -> None:
    """Judge each edge of the tree and each site by the one set of rules, on the sites that have animals enough."""
    sites = open_tested_sites(site_counts, markers, blocks, sea_distance, min_individuals)
    found = lines_of(sites, BreakRules.of_study(settings))
    write_table(found.breaks, table, "breaks")
    write_table(found.site_drift, site_drift)


if __name__ == "__main__":
    run_step(main, snakemake)
