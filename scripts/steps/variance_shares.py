"""Rule variance_shares: how much of the variance lies between jurisdictions and between units."""

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import sites_with_units
from homewater.units.variance_shares import variance_table
from homewater.water.site_tree import spanning_tree


def main(site_counts: str, markers: str, units: str, sea_distance: str, table: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts).subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    found, here = sites_with_units(counts, read_table(units), read_table(sea_distance))
    result = variance_table(
        found.counts,
        found.block,
        spanning_tree(found.bridged_km),
        here["jurisdiction"].tolist(),
        here["unit"].tolist(),
        pair_replicates(found.counts, found.block),
        found.km,
    )
    write_table(result, table)


if __name__ == "__main__":
    run_step(main, snakemake)
