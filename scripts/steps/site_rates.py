"""Rule site_rates: share of animals with ancestry from elsewhere, by site, by site and year, and by unit."""

from homewater.assignment.rate_tables import JudgedAnimals, rate_tables
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    calls: str,
    origin_classes: str,
    class_power: str,
    sample_sheet: str,
    units: str,
    sites: str,
    units_summary: str,
    site_rates: str,
    site_year_rates: str,
    unit_rates: str,
    species: str,
    false_flag_rate: float,
) -> None:
    """Estimate how many animals are not of the place, with what the panel misses and mistakes taken into account."""
    animals = JudgedAnimals(
        read_table(calls, "calls"),
        read_table(origin_classes, "origin_classes"),
        read_table(sample_sheet, "input_samples"),
        species,
    )
    found = rate_tables(
        animals,
        read_table(class_power, "class_power"),
        read_table(units, "units"),
        read_table(sites, "input_sites")["locationID"].tolist(),
        read_json(units_summary)["n_units"],
        false_flag_rate,
    )
    write_table(found.sites, site_rates, "site_rates")
    write_table(found.site_years, site_year_rates, "site_year_rates")
    write_table(found.units, unit_rates, "unit_rates")


if __name__ == "__main__":
    run_step(main, snakemake)
