"""Rule clines: centre and width of the cline of ancestry between each two adjacent units, where the coast is a line."""

import numpy as np

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import animals_by_site, sites_with_units
from homewater.units.unit_clines import CoastUnits, clines_tables
from homewater.water.site_tree import spanning_tree


def main(site_counts: str, markers: str, units: str, sea_distance: str, clines: str, cline_sites: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts)
    animals = animals_by_site(counts.counts)
    counts = counts.subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    found, here = sites_with_units(counts, read_table(units), read_table(sea_distance))
    coast = CoastUnits(
        ids=found.ids,
        unit=here["unit"].tolist(),
        contact_zone=here["contact_zone"].to_numpy(dtype=bool),
        animals=animals[np.isin(counts.location_ids, found.ids)],
        edges=spanning_tree(found.bridged_km),
        km=found.km,
    )
    of_units, of_sites = clines_tables(coast, pair_replicates(found.counts, found.block))
    write_table(of_units, clines)
    write_table(of_sites, cline_sites)


if __name__ == "__main__":
    run_step(main, snakemake)
