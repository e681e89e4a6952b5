"""Rule site_rates: share of animals with ancestry from elsewhere, by site, by site and year, and by unit.

Named inputs: calls, origin_classes, class_power, sample_sheet (dates), units, sites, units_summary. Outputs:
site_rates, site_year_rates, unit_rates. Params: false_flag_rate. Wildcard: species.
"""

import json
from pathlib import Path

from homewater.assignment.rates import rate_table, unit_rate_table
from homewater.assignment.verdict import called_class
from homewater.crosses.likelihood import CLASSES
from homewater.inputs.event_dates import sampling_years
from homewater.running.step import run_step
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_by_site, unit_names


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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    power = read_table(class_power, "class_power")
    if n_units < 2 or power.empty:
        write_table(empty_table("site_rates"), site_rates, "site_rates")
        write_table(empty_table("site_year_rates"), site_year_rates, "site_year_rates")
        write_table(empty_table("unit_rates"), unit_rates, "unit_rates")
        return
    judged, classes = read_table(calls, "calls"), read_table(origin_classes, "origin_classes")
    judged["called"] = called_class(
        judged["outcome"].to_numpy(object), classes[[f"p_{c}" for c in CLASSES]].to_numpy(float)
    )
    sheet = read_table(sample_sheet, "input_samples")
    judged["year"] = sampling_years(sheet, species, judged["materialSampleID"])
    unit_table = read_table(units, "units")
    of_site, local = unit_table.set_index("locationID"), unit_by_site(unit_table)
    contact = of_site["contact_zone"].fillna(False).astype(bool).to_dict()
    order = list(read_table(sites, "input_sites")["locationID"])
    for by_year, path in ((False, site_rates), (True, site_year_rates)):
        table = rate_table(judged, power, order, local, contact, false_flag_rate, by_year)
        write_table(table, path, "site_year_rates" if by_year else "site_rates")
    by_unit = unit_rate_table(judged, power, local, contact, unit_names(n_units), false_flag_rate)
    write_table(by_unit, unit_rates, "unit_rates")


if __name__ == "__main__":
    run_step(main, snakemake)
