"""Rule detection_curve: how small a line between stocks this study would have drawn, by simulation."""

from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.tables.schema_tables import write_table
from homewater.units.break_rules import BreakRules
from homewater.units.detection_curve import DetectableSettings, detection_curve
from homewater.units.tested_sites import open_tested_sites


def main(
    site_counts: str,
    markers: str,
    blocks: str,
    sea_distance: str,
    table: str,
    settings: dict,
    min_individuals: int,
    seed: int,
    species: str,
) -> None:
    """Draw studies like this one with a line put in, and count in how many it is found."""
    tested = open_tested_sites(site_counts, markers, blocks, sea_distance, min_individuals)
    rules, wanted = BreakRules.of_study(settings), DetectableSettings.of_study(settings)
    random = draws(seed, "detection_curve", species)
    write_table(detection_curve(tested, rules, wanted, random), table, "detection_curve")


if __name__ == "__main__":
    run_step(main, snakemake)
