"""The smallest line that the rule draws: places, the curve, and the power stated against that of fresh studies."""

import numpy as np
import pandas as pd
import pytest
from scipy import special
from scipy.sparse import csgraph
from tests.made_replicates import on_a_line
from tests.verification.coasts.designs import Design, designed
from tests.verification.coasts.found import RULES, as_tested_sites

from homewater.running.seeds import draws
from homewater.tables.schema_tables import check_table
from homewater.units.breaks import find_lines
from homewater.units.detection_curve import (
    DetectableSettings,
    contact_place,
    detectable_places,
    detection_curve,
    line_places,
    smallest_detectable,
)
from homewater.water.site_tree import spanning_tree

SETTINGS = DetectableSettings(power=0.8, replicates=200)


def chain(n):
    km = on_a_line(50 * np.arange(n))
    return spanning_tree(km), km


def test_places_are_edges_with_two_sites_on_either_side():
    best, worst = line_places(*chain(7), np.array([5, 10, 30, 30, 30, 30, 30]))
    assert (best.kind, best.ends, best.share.tolist()) == ("best_sampled", (3, 4), [0, 0, 0, 0, 1, 1, 1])
    assert (worst.kind, worst.ends) == ("worst_sampled", (1, 2))
    assert len(line_places(*chain(4), np.full(4, 20))) == 1
    assert line_places(*chain(3), np.full(3, 20)) == []
    star = np.array([[0, 1], [0, 2], [0, 3], [0, 4]])
    assert line_places(star, np.full((5, 5), 10.0), np.full(5, 20)) == []


def test_a_contact_lies_in_mid_coast_with_two_pure_sites_on_either_side():
    place = contact_place(*chain(8))
    assert place.ends == (1, 6)
    np.testing.assert_allclose(place.share + place.share[::-1], 1)
    assert place.share[[0, 1, 6, 7]].tolist() == [0, 0, 1, 1]
    assert (np.diff(place.share[1:7]) > 0).all()
    assert place.edges.tolist() == [1, 2, 3, 4, 5]
    one = contact_place(*chain(5))
    assert one.share.tolist() == [0, 0, 0.5, 1, 1]
    assert contact_place(*chain(4)) is None


def test_sites_off_the_way_hold_what_the_site_holds_at_which_they_leave():
    edges = np.array([[0, 1], [1, 2], [2, 3], [3, 4], [2, 5], [5, 6]])
    joined = np.zeros((7, 7))
    joined[edges[:, 0], edges[:, 1]] = 10.0
    km = csgraph.shortest_path(joined, directed=False)
    assert contact_place(edges, km).share.tolist() == [0, 0, 0.5, 1, 1, 0.5, 0.5]


def test_the_curve_is_read_at_the_power_wanted():
    """Counts as a logistic curve gives them exactly: its own F_ST comes back, and at jumps the middle between."""
    fst = np.geomspace(0.005, 0.05, 12)
    power = special.expit(6 * np.log(fst / 0.02))
    rows = pd.DataFrame({"fst": fst, "n_studies": 1000, "n_found": 1000 * power})
    told = smallest_detectable(rows, 0.8)
    assert told.value == pytest.approx(0.02 * np.exp(special.logit(0.8) / 6), rel=0.01)
    assert told.ci_low < told.value < told.ci_high
    assert told.at[0.5] == pytest.approx(0.02, rel=0.02)
    assert told.at[0.95] == pytest.approx(0.02 * np.exp(special.logit(0.95) / 6), rel=0.03)
    jump = smallest_detectable(pd.DataFrame({"fst": [0.01, 0.02], "n_studies": 50, "n_found": [0, 50]}), 0.8)
    assert 0.011 < jump.value < 0.019
    never = smallest_detectable(pd.DataFrame({"fst": [0.01, 0.5], "n_studies": 50, "n_found": [0, 20]}), 0.8)
    assert np.isnan(never.value)


def curve_of(design, seed=0):
    tested = as_tested_sites(designed(seed, design))
    return tested, detection_curve(tested, RULES, SETTINGS, draws(1, "detection_curve", "sp"))


def test_power_stated_is_power_reached():
    """60 fresh studies at the stated F_ST; tolerance 3 standard errors of both simulations."""
    design = Design((12,) * 6, markers=40, own_drift=0.004, step=0.002)
    tested, curve = curve_of(design)
    check_table(curve, "detection_curve")
    best = detectable_places(curve, 0.8)[0]
    place = tested.ids.index(best["side_a"])
    studies = [as_tested_sites(designed(seed, design, best["value"], place)) for seed in range(1000, 1060)]
    hits = sum(bool(find_lines(s.replicates, s.bridged_km, RULES).boundaries[place]) for s in studies)
    assert hits / 60 == pytest.approx(0.8, abs=3 * np.sqrt(0.16 / 60 + 0.04**2))


def test_too_few_sites_or_blocks_give_an_empty_curve():
    for design in (Design((20,) * 3, markers=20), Design((20,), markers=20), Design((20,) * 6, chromosomes=1)):
        study = designed(0, design)
        tested = as_tested_sites(study)
        if design.chromosomes == 1:
            tested = type(tested)(tested.ids, tested.counts, tested.animals, np.zeros_like(tested.block), tested.km)
        assert len(detection_curve(tested, RULES, SETTINGS, draws(1, "detection_curve", "sp"))) == 0
    assert detectable_places(pd.DataFrame(columns=["kind"]), 0.8) == []
