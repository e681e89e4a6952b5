"""The units of a species and their summary: how many, who shares them, how small a difference would have been found."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.running.seeds import Draws
from homewater.tables.unit_names import sorted_units
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import LineTables
from homewater.units.detection_curve import DetectableSettings, detectable_places, line_places
from homewater.units.isolation_by_distance import row_of
from homewater.units.overall_test import OtherEvidence, OverallTest, overall_test
from homewater.units.partition import units_table
from homewater.units.statements import further_statements, statement_of, what_was_found
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
    tested: TestedSites,
    lines: LineTables,
    others: OtherEvidence,
    study: StudySites,
    curve: pd.DataFrame,
    settings: UnitSettings,
    draws: Draws,
) -> FoundUnits:
    """Return the unit of every site, and the summary of the stage.

    Args:
        tested: the sites that have animals enough.
        lines: tables breaks and site_drift, made on these sites.
        others: tables of what differs, made without lines.
        study: every site of the study.
        curve: table detection_curve, made on these sites.
        settings: settings of the units.
        draws: gives the generators of the test of isolation by distance.
    """
    part, contact = lines.site_drift["part"].to_numpy(), lines.site_drift["contact_zone"].to_numpy(dtype=bool)
    stock = pd.factorize(part)[0]
    # an unsampled site between two that differ belongs to neither, whether a line or a site apart makes the difference
    broken = [(tested.ids[i], tested.ids[j]) for i, j in tested.edges.tolist() if stock[i] != stock[j]]
    all_km = distance_matrix(study.sites["locationID"].tolist(), study.sea_distance)
    table = units_table(study.sites, study.roles, tested.ids, stock, contact, all_km, broken)
    detectable = detectable_record(curve, tested, settings)
    overall = overall_test(tested, others, settings.rules.break_level)
    return FoundUnits(table, units_summary(tested, lines, overall, table, detectable, settings, draws))


def units_summary(
    tested: TestedSites,
    lines: LineTables,
    overall: OverallTest,
    table: pd.DataFrame,
    detectable: dict,
    settings: UnitSettings,
    draws: Draws,
) -> dict:
    """Return the summary of the stage: numbers for the report's sentences, the statements, and who shares what.

    Args:
        tested: the sites that have animals enough.
        lines: tables breaks and site_drift.
        overall: what differs at all.
        table: table units.
        detectable: as `detectable_record` gives it.
        settings: settings of the units.
        draws: gives the generators of the test of isolation by distance.
    """
    n_units, power = table.loc[table["unit"] != "", "unit"].nunique(), settings.detectable.power
    gradient = row_of(tested.replicates, tested.km, "all", np.arange(len(tested.ids)), draws)
    found = what_was_found(n_units, lines, overall, gradient, settings.rules)
    values = {
        "n_units": n_units,
        "n_sites_tested": len(tested.ids),
        "smallest_detectable_fst": detectable["value"],
        "power": power,
        "level": settings.rules.break_level,
        "min_break_fst": settings.rules.min_break_fst,
        "gradient_slope": _known(gradient["slope_site_effects"]),
        "gradient_p_value": _known(gradient["p_value_stated"]),
        "overall_fst": _known(overall.fst),
        "overall_ci_low": _known(overall.ci_low),
        "overall_ci_high": _known(overall.ci_high),
        "n_pairs_that_differ": overall.n_pairs,
        "n_axes_beyond_chance": overall.n_axes,
        "n_blocks": overall.n_blocks,
        "sites_apart": _sites(lines, lines.site_drift["reading"] == "stands_apart"),
        "contact_sites": _sites(lines, lines.site_drift["contact_zone"].astype(bool)),
        **_largest_break(lines.breaks),
    }
    return {
        "n_units": n_units,
        "smallest_detectable_fst": detectable,
        "power": power,
        "statement_id": statement_of(found),
        "further_statement_ids": further_statements(found),
        "values": values,
        "panel": "yes" if n_units > 1 else "no_one_unit",
        "contact_zone_sites": table.loc[table["contact_zone"], "locationID"].tolist(),
        **borders(table),
    }


def detectable_record(curve: pd.DataFrame, tested: TestedSites, settings: UnitSettings) -> dict:
    """Return how small a line would have been drawn, ready for JSON: `value` is that of the best sampled place.

    Args:
        curve: table detection_curve.
        tested: the sites that have animals enough.
        settings: settings of the units.
    """
    places = detectable_places(curve, settings.detectable.power)
    for place in places:
        place |= {name: _known(value) for name, value in place.items() if isinstance(value, float)}
    value = {place["kind"]: place["value"] for place in places}
    best = value.get("best_sampled")
    reason = None
    if not places:
        edges = line_places(tested.edges, tested.bridged_km, tested.animals) if tested.ids else []
        reason = "too_few_blocks_or_markers" if edges else "no_edge_can_be_a_line"
    elif best is None:
        reason = "not_reached"
    return {
        "value": best,
        "value_worst": value.get("worst_sampled", best),
        "value_contact": value.get("contact"),
        "reason": reason,
        "alternative": "one_line_at_an_edge",
        "test": "rule_of_lines",
        "level": settings.rules.break_level,
        "places": places,
        "replicates": settings.detectable.replicates,
    }


def _sites(lines: LineTables, chosen: pd.Series) -> list[str]:
    return lines.site_drift.loc[chosen.to_numpy(), "locationID"].tolist()


def _largest_break(breaks: pd.DataFrame) -> dict:
    """Return the edge with the largest F_ST beyond distance, break or not; empty values where no edge was tested."""
    if not breaks["p_value"].notna().any():
        numbers = ("largest_break_fst", "largest_break_ci_low", "largest_break_ci_high")
        return dict.fromkeys(numbers) | {"largest_break_side_a": "", "largest_break_side_b": ""}
    # at an end of the coast the figure holds a site's own drift too, and inside a contact it is part of a larger one
    alone = breaks[~breaks["reading"].isin(("end_of_coast", "contact_zone"))]
    largest = (alone if len(alone) else breaks).sort_values("fst_beyond_distance", kind="stable").iloc[-1]
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
