"""Rule units: the unit of every site, and the summary with the smallest F_ST that could have been found."""

import math

import numpy as np

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import accepted
from homewater.units.detectable_fst import LEVEL, smallest_detectable
from homewater.units.isolation_by_distance import row_of
from homewater.units.partition import borders, sites_in_units, statement_of, units_table
from homewater.units.replicates import pair_replicates
from homewater.units.tested_sites import animals_by_site, tested_sites
from homewater.water.site_tree import distance_matrix, spanning_tree


def main(
    site_counts: str,
    markers: str,
    breaks: str,
    sites: str,
    site_roles: str,
    sea_distance: str,
    units: str,
    summary: str,
    settings: dict,
    min_individuals: int,
    seed: int,
    species: str,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts)
    enough = animals_by_site(counts.counts) >= min_individuals
    counts = counts.subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    distances, site_table, evidence = read_table(sea_distance), read_table(sites, "input_sites"), read_table(breaks)
    tested = tested_sites(counts.counts, counts.location_ids, counts.markers, distances, enough)
    rules = BreakRules(settings["min_break_fst"], settings["break_level"], settings["median_step_multiple"])
    replicates = pair_replicates(tested.counts, tested.block)
    edges = spanning_tree(tested.bridged_km)
    cut = accepted(evidence, tested.ids, edges)
    broken = [(tested.ids[i], tested.ids[j]) for i, j in edges[cut]]
    unit, contact = sites_in_units(replicates, tested.bridged_km, edges, cut, rules)
    all_km = distance_matrix(site_table["locationID"].tolist(), distances)
    table = units_table(site_table, read_table(site_roles), tested.ids, unit, contact, all_km, broken)
    write_table(table, units)

    gradient = row_of(replicates, tested.km, "all", np.arange(len(tested.ids)))
    found = smallest_detectable(
        tested.counts,
        tested.block,
        edges,
        settings["detectable_power"],
        settings["detectable_replicates"],
        seed,
        species,
    )
    n_units = table.loc[table["unit"] != "", "unit"].nunique()
    readings, grades = evidence["reading"].tolist(), evidence["grade"].tolist()
    detectable = {
        "value": _known(found.value),
        "alternative": "two_contiguous_halves",
        "test": "chromosome_jackknife_t",
        "level": LEVEL,
        "half_a": [tested.ids[i] for i in found.half_a],
        "half_b": [tested.ids[i] for i in found.half_b],
        "linkage_inflation": _known(found.inflation),
        "replicates": settings["detectable_replicates"],
    }
    largest = evidence.loc[evidence["fst_beyond_distance"].idxmax()] if evidence["p_value"].notna().any() else None
    values = {
        "n_units": n_units,
        "n_sites_tested": len(tested.ids),
        "smallest_detectable_fst": detectable["value"],
        "power": settings["detectable_power"],
        "level": LEVEL,
        "min_break_fst": settings["min_break_fst"],
        "gradient_slope": _known(gradient["slope"]),
        "gradient_p_value": _known(gradient["p_value"]),
        "largest_break_fst": None if largest is None else float(largest["fst_beyond_distance"]),
        "largest_break_ci_low": None if largest is None else _known(largest["ci_low"]),
        "largest_break_ci_high": None if largest is None else _known(largest["ci_high"]),
        "largest_break_side_a": "" if largest is None else largest["side_a_nearest_site"],
        "largest_break_side_b": "" if largest is None else largest["side_b_nearest_site"],
    }
    write_json(
        {
            "n_units": n_units,
            "smallest_detectable_fst": detectable,
            "power": settings["detectable_power"],
            "power_reached": _known(found.power),
            "statement_id": statement_of(n_units, len(tested.ids), readings, grades, gradient["p_value"]),
            "values": values,
            "panel": "yes" if n_units > 1 else "no_one_unit",
            "contact_zone_sites": table.loc[table["contact_zone"], "locationID"].tolist(),
            **borders(table),
        },
        summary,
    )


def _known(value: float) -> float | None:
    """Return a number for JSON, None where it is not defined."""
    return float(value) if math.isfinite(value) else None


if __name__ == "__main__":
    run_step(main, snakemake)
