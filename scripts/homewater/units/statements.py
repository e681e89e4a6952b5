"""The statement that sums up what was found along a coast, by the one set of rules."""

from __future__ import annotations

from dataclasses import dataclass

from homewater.units.break_rules import BreakRules
from homewater.units.breaks import LineTables
from homewater.units.isolation_by_distance import ISOLATION_BY_DISTANCE
from homewater.units.overall_test import OverallTest

BROAD = 2  # a contact of so many sites or more is told as one; with a single site it is a line like others


@dataclass(frozen=True)
class Findings:
    """What was found along a coast, as far as the headline goes.

    Attributes:
        n_units: units.
        n_tested: sites with animals enough.
        n_sharp_lines: boundaries with no more than one site of contact.
        n_contacts: boundaries through the middle of a contact of two sites or more.
        n_apart: sites that stand apart.
        distance_unknown: whether a difference stands where too few sites tell what distance explains.
        small_breaks: whether an edge differs detectably, but makes no boundary.
        gradient: whether isolation by distance was found.
        overall_least: whether overall F_ST is beyond 0 and reaches the least F_ST of a line.
        overall: what differs at all.
    """

    n_units: int
    n_tested: int
    n_sharp_lines: int
    n_contacts: int
    n_apart: int
    distance_unknown: bool
    small_breaks: bool
    gradient: bool
    overall_least: bool
    overall: OverallTest


def what_was_found(
    n_units: int, lines: LineTables, overall: OverallTest, gradient: dict, rules: BreakRules
) -> Findings:
    """Return what was found along a coast.

    Args:
        n_units: units.
        lines: tables breaks and site_drift.
        overall: what differs at all.
        gradient: row of table isolation_by_distance for all sites.
        rules: settings.
    """
    breaks = lines.breaks
    boundary = breaks["reading"] == "boundary"
    return Findings(
        n_units=n_units,
        n_tested=len(lines.site_drift),
        n_sharp_lines=int((boundary & (breaks["n_contact_sites"] < BROAD)).sum()),
        n_contacts=int((boundary & (breaks["n_contact_sites"] >= BROAD)).sum()),
        n_apart=int((lines.site_drift["reading"] == "stands_apart").sum()),
        distance_unknown=bool(((breaks["reading"] == "distance_unknown") & (breaks["grade"] == "weak")).any()),
        small_breaks=bool(breaks["reading"].isin(("below_least_fst", "within_gradient")).any()),
        gradient=gradient["reading"] == ISOLATION_BY_DISTANCE,
        overall_least=bool(overall.sites_differ and overall.fst >= rules.min_break_fst),
        overall=overall,
    )


def statement_of(found: Findings) -> str:
    """Return the id of the statement that sums up the stage, by the one set of rules.

    Args:
        found: what was found along the coast.
    """
    if found.n_units > 1:
        if found.n_sharp_lines:
            return "two_or_more_units"
        return "broad_contact" if found.n_contacts else "sites_stand_apart"
    if found.n_tested == 0:
        return "too_few_animals"
    if found.n_tested == 1:
        return "one_site_only"
    if found.distance_unknown:
        return "difference_not_told_from_distance"
    if found.overall_least and not found.gradient:
        return "sites_differ_one_by_one"
    if found.small_breaks:
        return "detectable_but_small"
    if found.gradient:
        return "gradual_isolation_by_distance"
    if found.overall.n_blocks and not found.overall.sites_differ:
        return "one_block_alone"
    if found.overall.anything:
        return "slight_differences"
    return "no_structure_found"


def further_statements(found: Findings) -> list[str]:
    """Return the ids of what is to be said besides the statement, in the order of the page.

    Args:
        found: what was found along the coast.
    """
    if not found.n_tested:
        return []
    first = statement_of(found)
    told = {
        "broad_contact": found.n_contacts > 0,
        "sites_stand_apart": found.n_apart > 0,
        "block_beside": found.overall.n_blocks > 0 and first != "one_block_alone",
    }
    return [name for name, true in told.items() if true and name != first]
