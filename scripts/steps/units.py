"""Rule units: the unit of every site, and the summary with the smallest F_ST that could have been found."""

from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.breaks import LineTables
from homewater.units.overall_test import OtherEvidence
from homewater.units.summary import StudySites, UnitSettings, find_units
from homewater.units.tested_sites import open_tested_sites


def main(
    site_counts: str,
    markers: str,
    blocks: str,
    breaks: str,
    site_drift: str,
    pairwise_fst: str,
    pca_axes: str,
    detection_curve: str,
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
    """Give every site the unit of the stock that was found there, and say in one statement what was found."""
    tested = open_tested_sites(site_counts, markers, blocks, sea_distance, min_individuals)
    study = StudySites(read_table(sites, "input_sites"), read_table(site_roles), read_table(sea_distance))
    lines = LineTables(read_table(breaks), read_table(site_drift))
    others = OtherEvidence(read_table(pairwise_fst), read_table(pca_axes), read_table(blocks))
    rules, random = UnitSettings.of_study(settings), draws(seed, "isolation_by_distance", species)
    found = find_units(tested, lines, others, study, read_table(detection_curve), rules, random)
    write_table(found.table, units)
    write_json(found.summary, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
