"""The verdict on every animal that the intake kept, and what each is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.assignment.origin_classes import OriginClasses, hybrid_coordinates, origin_table, verdicts_by_pair
from homewater.assignment.settings import AssignmentSettings
from homewater.assignment.unsampled_origin import exclusion_test
from homewater.assignment.verdict import LOCAL, OUTCOMES, VerdictRules, calls_table, verdicts
from homewater.crosses.drift import drift_by_unit
from homewater.crosses.flag_rates import exclusion_markers
from homewater.crosses.likelihood import log_likelihoods_left_out
from homewater.crosses.odds import class_posterior, other_units, pair_log_likelihoods
from homewater.crosses.opened_panel import OpenedPanel
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import local_unit_indices


@dataclass(frozen=True)
class Assigned:
    """Verdicts on animals, as tables.

    Attributes:
        calls: table calls.
        origin_classes: table origin_classes.
        summary: outcomes counted, and the limits that they rest on.
    """

    calls: pd.DataFrame
    origin_classes: pd.DataFrame
    summary: dict


def nobody_assigned(n_units: int) -> Assigned:
    """Return the verdicts where there is no panel: none.

    Args:
        n_units: number of units.
    """
    return Assigned(empty_table("calls"), empty_table("origin_classes"), {"n_units": n_units, "n_animals": 0})


def assign(
    species: OpenedSpecies, panel: OpenedPanel, units: pd.DataFrame, limits: dict, settings: AssignmentSettings
) -> Assigned:
    """Return the verdict on every animal that the intake kept, and how mixed it is.

    An animal that is counted in a unit is taken out of it before it is judged.

    Args:
        species: the opened species.
        panel: the panel.
        units: table units.
        limits: cut-offs, level of the test for an unsampled origin and groups of classes that the panel cannot tell
            apart, as `class_power.panel_power` records them.
        settings: how animals are judged.
    """
    classes, names = panel.classes, panel.names
    judged = (species.animals["status"] == "kept").to_numpy()
    animals = species.animals[judged].reset_index(drop=True)
    counted, local = panel.reference.counted_in[judged], local_unit_indices(animals["locationID"], units)
    dosages = panel.dosages(panel.rows, judged)
    known = panel.known(dosages, counted)
    likelihood = log_likelihoods_left_out(dosages, counted, known, classes)

    others = exclusion_markers(species.thinned_markers, panel.rows, settings.rates.n_exclusion_markers)
    unbiased = panel.dosages(others, judged)
    _, site = np.unique(animals["locationID"].to_numpy(str), return_inverse=True)
    drift = drift_by_unit(unbiased, site, counted, panel.n_units)
    exclusion, fit = exclusion_test(unbiased, counted, drift, classes, panel.error, panel.prior)
    excluded = np.nan_to_num(exclusion, nan=1.0) < limits["exclusion_level"]

    cutoffs = np.array([limits["cutoffs"][name] for name in names])
    rules = VerdictRules(cutoffs, settings.min_markers_share * len(panel.rows), settings.support)
    found = verdicts(likelihood, (dosages >= 0).sum(axis=1), local, classes, rules, excluded)

    unit_a = np.where(found.n_typed > 0, np.where(local >= 0, local, found.best_unit), -1)
    unit_b = other_units(likelihood, unit_a, classes)
    probability = class_posterior(pair_log_likelihoods(likelihood, unit_a, unit_b, classes))
    groups = {(names.index(g["unit_a"]), names.index(g["unit_b"])): g["groups"] for g in limits["groups"]}
    origins = OriginClasses(
        unit_a,
        unit_b,
        probability,
        verdicts_by_pair(probability, unit_a, unit_b, groups, settings.support),
        hybrid_coordinates(dosages, counted, unit_a, unit_b, known),
    )
    outcomes = {outcome: int((found.outcome == outcome).sum()) for outcome in OUTCOMES}
    summary = {"n_units": panel.n_units, "n_animals": len(animals), "outcomes": outcomes}
    summary |= {"pure_prior": 1 / panel.n_units, "exclusion": fit}
    return Assigned(
        calls_table(animals, local, found, exclusion, names),
        origin_table(animals, origins, local >= 0, found.outcome == LOCAL, names),
        summary | {name: value for name, value in limits.items() if name != "n_units"},
    )
