"""Rule breaks: at each edge of the tree of sites by water, differentiation beyond what distance explains."""

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import breaks_table, find_breaks
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import animals_by_site, tested_sites


def main(site_counts: str, markers: str, sea_distance: str, table: str, settings: dict, min_individuals: int) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts)
    enough = animals_by_site(counts.counts) >= min_individuals
    counts = counts.subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    found = tested_sites(counts.counts, counts.location_ids, counts.markers, read_table(sea_distance), enough)
    rules = BreakRules(settings["min_break_fst"], settings["break_level"], settings["median_step_multiple"])
    edges, cuts = find_breaks(pair_replicates(found.counts, found.block), found.bridged_km, rules)
    write_table(breaks_table(edges, cuts, found.ids, found.km), table, "breaks")


if __name__ == "__main__":
    run_step(main, snakemake)
