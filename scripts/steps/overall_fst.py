"""Rule overall_fst: one F_ST over all sites and one over those of each unit, at equal sample sizes and as sampled."""

from homewater.genotypes.site_counts import open_sound_site_counts
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.overall_fst import overall_of_units


def main(site_counts: str, markers: str, blocks: str, units: str, table: str) -> None:
    """Say how different the sites are as a whole: with every site counting the same, and with all animals."""
    write_table(overall_of_units(open_sound_site_counts(site_counts, markers, blocks), read_table(units)), table)


if __name__ == "__main__":
    run_step(main, snakemake)
