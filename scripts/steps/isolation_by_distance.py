"""Rule isolation_by_distance: how differentiation rises with the distance by water, overall and inside each unit."""

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.isolation_by_distance import isolation_table
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import sites_with_units


def main(site_counts: str, markers: str, units: str, sea_distance: str, table: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts).subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    found, placed = sites_with_units(counts, read_table(units), read_table(sea_distance))
    replicates = pair_replicates(found.counts, found.block)
    write_table(isolation_table(replicates, found.km, placed["unit"].tolist()), table)


if __name__ == "__main__":
    run_step(main, snakemake)
