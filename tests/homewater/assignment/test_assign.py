"""Verdicts of a small study in memory: locals, movers, first hybrids, and animals that are not judged."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import Arrays, drifted, with_errors

from homewater.assignment.assign import assign, nobody_assigned
from homewater.assignment.settings import AssignmentSettings
from homewater.crosses.flag_rates import FlagRates
from homewater.crosses.frequency_prior import fit_prior
from homewater.crosses.likelihood import CLASSES
from homewater.crosses.odds import counts_by_unit
from homewater.crosses.opened_panel import OpenedPanel, ReferenceAnimals
from homewater.genotypes.opened_species import OpenedSpecies

SETTINGS = AssignmentSettings(FlagRates(0.001, 0.0005, 200), 0.7, 0.9, 1000, 100)
GROUPS = [[name] for name in CLASSES]
LIMITS = {"n_units": 2, "cutoffs": {"unit_1": 5.0, "unit_2": 5.0}, "exclusion_level": 0.0005, "told_apart": 0.8,
          "groups": [{"unit_a": a, "unit_b": b, "groups": GROUPS}
                     for a, b in (("unit_1", "unit_2"), ("unit_2", "unit_1"))]}  # fmt: skip
UNITS = pd.DataFrame({"locationID": ["north", "south"], "unit": ["unit_1", "unit_2"]})


@pytest.fixture(scope="module")
def found():
    """60 locals at either site, at the first then 5 movers, 5 first hybrids and one animal that the filters removed."""
    rng = np.random.default_rng(4)
    p = drifted(rng, 1500, 0.15)
    locals_drawn = [rng.binomial(2, p[:, [u]], (1500, 60)) for u in (0, 1)]
    movers, removed = rng.binomial(2, p[:, [1]], (1500, 5)), rng.binomial(2, p[:, [0]], (1500, 1))
    hybrids = rng.binomial(1, p[:, [0]], (1500, 5)) + rng.binomial(1, p[:, [1]], (1500, 5))
    dosages = with_errors(rng, np.concatenate([*locals_drawn, movers, hybrids, removed], axis=1))
    store = Arrays(dosages, np.repeat(["north", "south", "north"], [60, 60, 11]))
    status = np.where(np.arange(131) < 130, "kept", "removed")
    animals = pd.DataFrame({"materialSampleID": store.sample_ids, "locationID": store.location_ids, "role": "query",
                            "status": status})  # fmt: skip
    species = OpenedSpecies(store, animals, store.markers.assign(thinned=True, status="kept"))
    unit = np.repeat([0, 1, -1], [60, 60, 11])
    counts = counts_by_unit(np.ascontiguousarray(dosages.T), unit, 2)
    rows = np.argsort(-np.abs(np.subtract(*counts.frequency.T)), kind="stable")[:60]
    panel = OpenedPanel(store, rows, rows, ReferenceAnimals(unit, unit >= 0), 2, 60, 0.005, fit_prior(counts))
    return assign(species, panel, UNITS, LIMITS, SETTINGS)


def test_locals_movers_and_hybrids_are_told(found):
    outcome = found.calls["outcome"]
    assert len(outcome) == 130  # the removed animal is not judged
    assert (outcome[:120] == "local").mean() > 0.97
    assert (outcome[120:125] == "non_local").all()
    assert outcome[125:].isin(["mixed", "unresolved"]).all()
    assert found.origin_classes.loc[120:124, "class"].tolist() == ["pure_b"] * 5
    assert found.origin_classes.loc[125:, "hybrid_index"].between(0.25, 0.75).all()


def test_the_summary_counts_outcomes_and_keeps_the_limits(found):
    assert sum(found.summary["outcomes"].values()) == found.summary["n_animals"] == 130
    assert found.summary["exclusion"]["n_markers"] == 200
    assert list(found.summary)[:5] == ["n_units", "n_animals", "outcomes", "pure_prior", "exclusion"]
    assert found.summary["cutoffs"] == LIMITS["cutoffs"]


def test_nobody_is_assigned_without_a_panel():
    nobody = nobody_assigned(1)
    assert nobody.calls.empty
    assert nobody.origin_classes.empty
    assert nobody.summary == {"n_units": 1, "n_animals": 0}
