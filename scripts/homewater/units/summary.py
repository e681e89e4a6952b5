"""The units of a species and their summary: how many, who shares them, how small a difference would have been found."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.running.seeds import Draws
from homewater.tables.unit_names import sorted_units
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import accepted
from homewater.units.detectable_fst import LEVEL, Detectable, DetectableSettings, smallest_detectable
from homewater.units.isolation_by_distance import ISOLATION_BY_DISTANCE, row_of
from homewater.units.partition import sites_in_units, units_table
from homewater.units.tested_sites import TestedSites
from homewater.water.site_tree import distance_matrix


@dataclass(frozen=True)
class UnitSettings:
    """Settings of the units.

    Attributes:
        rules: when an edge is a boundary.
        detectable: the smallest detectable F_ST.
    """

    rules: BreakRules
    detectable: DetectableSettings

    @classmethod
    def of_study(cls, settings: dict) -> UnitSettings:
        """Return the settings of a study.

        Args:
            settings: section `units` of the settings.
        """
        return cls(BreakRules.of_study(settings), DetectableSettings.of_study(settings))


@dataclass(frozen=True)
class StudySites:
    """Every site of the study, whether animals were taken there or not.

    Attributes:
        sites: table of sites (locationID, jurisdiction), in site order.
        roles: table site_roles (locationID, in_native_range).
        sea_distance: table sea_distance.
    """

    sites: pd.DataFrame
    roles: pd.DataFrame
    sea_distance: pd.DataFrame


@dataclass(frozen=True)
class FoundUnits:
    """What the stage found.

    Attributes:
        table: table units, every site of the study.
        summary: the record of the summary, ready for JSON.
    """

    table: pd.DataFrame
    summary: dict


def find_units(
    tested: TestedSites, breaks: pd.DataFrame, study: StudySites, settings: UnitSettings, draws: Draws
) -> FoundUnits:
    """Return the unit of every site, and the summary of the stage.

    Args:
        tested: the sites that have animals enough.
        breaks: table breaks, made on these sites.
        study: every site of the study.
        settings: settings of the units.
        draws: gives the generators behind the smallest detectable F_ST.
    """
    cut = accepted(breaks, tested.ids, tested.edges)
    broken = [(tested.ids[i], tested.ids[j]) for i, j in tested.edges[cut]]
    unit, contact = sites_in_units(tested.replicates, tested.bridged_km, tested.edges, cut, settings.rules)
    all_km = distance_matrix(study.sites["locationID"].tolist(), study.sea_distance)
    table = units_table(study.sites, study.roles, tested.ids, unit, contact, all_km, broken)
    detectable = smallest_detectable(tested.counts, tested.block, tested.edges, settings.detectable, draws)
    return FoundUnits(table, units_summary(tested, breaks, table, detectable, settings, draws))


def units_summary(
    tested: TestedSites,
    breaks: pd.DataFrame,
    table: pd.DataFrame,
    detectable: Detectable,
    settings: UnitSettings,
    draws: Draws,
) -> dict:
    """Return the summary of the stage: numbers for the report's sentences, the statement, and who shares what.

    Args:
        tested: the sites that have animals enough.
        breaks: table breaks.
        table: table units.
        detectable: the smallest detectable F_ST.
        settings: settings of the units.
        draws: gives the generators of the test of isolation by distance.
    """
    n_units, power = table.loc[table["unit"] != "", "unit"].nunique(), settings.detectable.power
    gradient = row_of(tested.replicates, tested.km, "all", np.arange(len(tested.ids)), draws)
    stated = gradient["p_value_stated"] if gradient["reading"] == ISOLATION_BY_DISTANCE else float("nan")
    readings, grades = breaks["reading"].tolist(), breaks["grade"].tolist()
    values = {
        "n_units": n_units,
        "n_sites_tested": len(tested.ids),
        "smallest_detectable_fst": _known(detectable.value),
        "power": power,
        "level": LEVEL,
        "min_break_fst": settings.rules.min_break_fst,
        "gradient_slope": _known(gradient["slope_site_effects"]),
        "gradient_p_value": _known(gradient["p_value_stated"]),
        **_largest_break(breaks),
    }
    return {
        "n_units": n_units,
        "smallest_detectable_fst": {
            "value": _known(detectable.value),
            "alternative": "two_contiguous_halves",
            "test": "chromosome_jackknife_t",
            "level": LEVEL,
            "half_a": [tested.ids[i] for i in detectable.half_a],
            "half_b": [tested.ids[i] for i in detectable.half_b],
            "linkage_inflation": _known(detectable.inflation),
            "replicates": settings.detectable.replicates,
        },
        "power": power,
        "power_reached": _known(detectable.power),
        "statement_id": statement_of(n_units, len(tested.ids), readings, grades, stated),
        "values": values,
        "panel": "yes" if n_units > 1 else "no_one_unit",
        "contact_zone_sites": table.loc[table["contact_zone"], "locationID"].tolist(),
        **borders(table),
    }


def _largest_break(breaks: pd.DataFrame) -> dict:
    """Return the edge with the largest F_ST beyond distance, break or not; empty values where no edge was tested."""
    if not breaks["p_value"].notna().any():
        numbers = ("largest_break_fst", "largest_break_ci_low", "largest_break_ci_high")
        return dict.fromkeys(numbers) | {"largest_break_side_a": "", "largest_break_side_b": ""}
    largest = breaks.loc[breaks["fst_beyond_distance"].idxmax()]
    return {
        "largest_break_fst": float(largest["fst_beyond_distance"]),
        "largest_break_ci_low": _known(largest["ci_low"]),
        "largest_break_ci_high": _known(largest["ci_high"]),
        "largest_break_side_a": largest["side_a_nearest_site"],
        "largest_break_side_b": largest["side_b_nearest_site"],
    }


def _known(value: float) -> float | None:
    """Return a number for JSON, None where it is not defined."""
    return float(value) if math.isfinite(value) else None


def borders(table: pd.DataFrame) -> dict:
    """Return who shares what: jurisdictions of each unit, units of several jurisdictions and the reverse.

    Args:
        table: table units; sites without a unit are left out.
    """
    placed = table[table["unit"] != ""]
    units = sorted_units(placed["unit"])
    of_unit = {u: list(dict.fromkeys(placed.loc[placed["unit"] == u, "jurisdiction"])) for u in units}
    agencies = list(dict.fromkeys(placed["jurisdiction"]))
    return {
        "units": [{"unit": u, "jurisdictions": of_unit[u], "n_sites": int((placed["unit"] == u).sum())} for u in units],
        "shared_units": [u for u in units if len(of_unit[u]) > 1],
        "divided_jurisdictions": [a for a in agencies if sum(a in of_unit[u] for u in units) > 1],
    }


def statement_of(n_units: int, n_tested: int, readings: list[str], grades: list[str], gradient_p: float) -> str:
    """Return the id of the statement that sums up the stage, by the one set of rules.

    Args:
        n_units: units found.
        n_tested: sites with animals enough.
        readings: reading of each edge of table breaks.
        grades: grade of each edge.
        gradient_p: p value of the isolation by distance over all sites, NaN where it is not stated.
    """
    if n_units > 1:
        return "two_or_more_units"
    if n_tested == 0:
        return "too_few_animals"
    if n_tested == 1:
        return "one_site_only"
    if "weak" in [g for r, g in zip(readings, grades, strict=True) if r == "distance_unknown"]:
        return "difference_not_told_from_distance"
    if any(r in ("below_least_fst", "within_gradient", "contact_zone") for r in readings):
        return "detectable_but_small"
    if gradient_p < 0.05:
        return "gradual_isolation_by_distance"
    return "no_structure_found"
