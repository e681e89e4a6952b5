"""Rule odd_kinships: sites that differ from their neighbours by water more than from a site far away."""

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.units.breaks import accepted
from homewater.units.odd_kinships import odd_kinships_table
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import sites_with_units
from homewater.water.site_tree import segments, spanning_tree


def main(site_counts: str, markers: str, breaks: str, units: str, sea_distance: str, table: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts).subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    found, _ = sites_with_units(counts, read_table(units), read_table(sea_distance))
    edges = spanning_tree(found.bridged_km)
    segment = segments(edges, accepted(read_table(breaks), found.ids, edges), len(found.ids))
    result = odd_kinships_table(pair_replicates(found.counts, found.block), found.km, segment, found.ids)
    write_table(result if len(result) else empty_table("odd_kinships"), table)


if __name__ == "__main__":
    run_step(main, snakemake)
