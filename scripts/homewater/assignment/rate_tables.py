"""Rates of animals with ancestry from elsewhere as tables: by site, by site and year, and by unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.assignment.rates import power_counts, recent_share
from homewater.assignment.verdict import called_class
from homewater.crosses.likelihood import CLASSES
from homewater.inputs.event_dates import sampling_years
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import unit_by_site, unit_names


@dataclass(frozen=True)
class JudgedAnimals:
    """The animals of a species and what was found of each.

    Attributes:
        calls: table calls.
        origin_classes: table origin_classes, rows as `calls`.
        sample_sheet: table samples of the inputs, all species: the dates are taken from it.
        species: species id.
    """

    calls: pd.DataFrame
    origin_classes: pd.DataFrame
    sample_sheet: pd.DataFrame
    species: str

    @property
    def table(self) -> pd.DataFrame:
        """The calls with `called`, how each animal counts in class_power, and `year`, when it was taken."""
        probability = self.origin_classes[[f"p_{name}" for name in CLASSES]].to_numpy(float)
        called = called_class(self.calls["outcome"].to_numpy(object), probability)
        years = sampling_years(self.sample_sheet, self.species, self.calls["materialSampleID"])
        return self.calls.assign(called=called, year=years)


@dataclass(frozen=True)
class RateTables:
    """Rates of a species.

    Attributes:
        sites: table site_rates.
        site_years: table site_year_rates.
        units: table unit_rates.
    """

    sites: pd.DataFrame
    site_years: pd.DataFrame
    units: pd.DataFrame


def rate_tables(
    animals: JudgedAnimals,
    class_power: pd.DataFrame,
    units: pd.DataFrame,
    sites: list[str],
    n_units: int,
    false_flag_rate: float,
) -> RateTables:
    """Return all rates of a species; tables without rows where there is one unit or no panel.

    Args:
        animals: the animals and what was found of each.
        class_power: table class_power.
        units: table units.
        sites: all sites, in their order.
        n_units: number of units found.
        false_flag_rate: highest share of locals flagged.
    """
    if n_units < 2 or class_power.empty:
        return RateTables(*(empty_table(name) for name in ("site_rates", "site_year_rates", "unit_rates")))
    judged, local = animals.table, unit_by_site(units)
    contact = dict(zip(units["locationID"], units["contact_zone"].fillna(False).astype(bool), strict=True))
    by_site, by_year = (
        rate_table(judged, class_power, sites, local, contact, false_flag_rate, by_year) for by_year in (False, True)
    )
    by_unit = unit_rate_table(judged, class_power, local, contact, unit_names(n_units), false_flag_rate)
    return RateTables(by_site, by_year, by_unit)


def rate_table(
    calls: pd.DataFrame,
    class_power: pd.DataFrame,
    sites: list[str],
    local_unit: dict[str, str],
    contact_zone: dict[str, bool],
    false_flag_rate: float,
    by_year: bool = False,
) -> pd.DataFrame:
    """Return the table site_rates, or site_year_rates.

    Args:
        calls: locationID, outcome, reason, called (as `verdict.called_class` gives it) and, for years, year.
        class_power: table class_power.
        sites: all sites, in their order; by year only those with animals are listed.
        local_unit: {locationID: unit}, "" where there is no local stock: counts are given, rates are not defined.
        contact_zone: {locationID: bool}.
        false_flag_rate: highest share of locals flagged.
        by_year: one row a site and year instead of one a site.
    """
    power = {u: power_counts(class_power, u) for u in dict.fromkeys(class_power["unit_a"])}
    keys = ["locationID", "year"] if by_year else ["locationID"]
    groups = dict(iter(calls.groupby(keys, sort=True, dropna=False)))
    nobody, rows = calls.iloc[:0], []
    known_rates: dict = {}
    for site in sites:
        if by_year:
            parts = [(key[1], group) for key, group in groups.items() if key[0] == site]
        else:
            parts = [(None, groups.get((site,), nobody))]
        for year, animals in parts:
            unit = local_unit.get(site, "")
            row = {"locationID": site, **({"year": year} if by_year else {})}
            row |= _counts(animals)
            known = unit in power and len(animals) > 0
            row["raw_rate"] = (row["n_non_local"] + row["n_mixed"]) / row["n"] if known else np.nan
            row |= dict.fromkeys(("rate", "ci_low", "ci_high", "expected_false"), np.nan)
            if known:
                judged = animals[animals["reason"] != "too_few_markers"]
                called = tuple(int((judged["called"] == c).sum()) for c in power[unit].called)
                if (unit, called) not in known_rates:
                    known_rates[unit, called] = recent_share(np.array(called), power[unit])
                row["rate"], row["ci_low"], row["ci_high"] = known_rates[unit, called]
                row["expected_false"] = len(judged) * false_flag_rate
            row |= {"contact_zone": contact_zone.get(site, False), "local_unit": unit}
            rows.append(row)
    first = [*keys, "n", "n_non_local", "n_mixed", "n_unresolved", "raw_rate", "rate", "ci_low", "ci_high"]
    last = ["expected_false", "n_local", "n_unsampled_origin", "n_too_few_markers", "contact_zone", "local_unit"]
    return pd.DataFrame(rows, columns=first + last)


def unit_rate_table(
    calls: pd.DataFrame,
    class_power: pd.DataFrame,
    local_unit: dict[str, str],
    contact_zone: dict[str, bool],
    units: list[str],
    false_flag_rate: float,
) -> pd.DataFrame:
    """Return the table unit_rates: animals of all sites of a unit together, contact-zone sites in rows of their own.

    Args:
        calls: as in `rate_table`.
        class_power: table class_power.
        local_unit: {locationID: unit}, "" where there is no local stock; such sites belong to no row.
        contact_zone: {locationID: bool}.
        units: unit names, in their order.
        false_flag_rate: highest share of locals flagged.
    """
    groups = {site: (unit, bool(contact_zone.get(site, False))) for site, unit in local_unit.items() if unit}
    rows = [(unit, False) for unit in units]
    rows += [(unit, True) for unit in units if (unit, True) in groups.values()]
    name = {group: f"{group[0]} {group[1]}" for group in rows}
    inside = calls[calls["locationID"].isin(list(groups))]
    n_sites = pd.Series([name[groups[site]] for site in inside["locationID"].unique()], dtype=object).value_counts()
    pooled = inside.assign(locationID=[name[groups[site]] for site in inside["locationID"]])
    unit_of, contact = ({name[group]: group[part] for group in rows} for part in (0, 1))
    table = rate_table(pooled, class_power, list(name.values()), unit_of, contact, false_flag_rate)
    table.insert(0, "unit", table.pop("local_unit"))
    table.insert(1, "contact_zone", table.pop("contact_zone"))
    table.insert(2, "n_sites", [int(n_sites.get(key, 0)) for key in table.pop("locationID")])
    return table


def _counts(animals: pd.DataFrame) -> dict[str, int]:
    outcomes = ("local", "non_local", "mixed", "unresolved", "unsampled_origin")
    counts = {"n": len(animals)} | {f"n_{o}": int((animals["outcome"] == o).sum()) for o in outcomes}
    return counts | {"n_too_few_markers": int((animals["reason"] == "too_few_markers").sum())}
