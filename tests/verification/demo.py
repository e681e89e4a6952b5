"""The demo against its truth, which no rule reads.

`scripts/test --verify demo` runs it and writes demo.json beside this file.

The demo has one seed, that of config/demo.yaml. Limits: at least 95 % of planted movers and F1 come out as non_local or
mixed; of true locals (under 2 % realised foreign ancestry) at most 1 %; units as planted; the interval of each far site
with a local stock holds the planted share; nested accuracy within 2 points of that of the pure query animals. By tract
lengths the contact sites, founded 60 generations ago and exchanging animals since, mixed long ago; the crosses among
the query animals, of two generations, recently.
"""

import json
import subprocess
from pathlib import Path

import pandas as pd
import pytest
from tests.verification.against_truth import (
    animals_told,
    share_admixed,
    site_rates,
    statement,
    units_found,
)
from tests.verification.records import ROOT, provenance

from homewater.invented.demo import demo_plan
from homewater.tables.schema_tables import read_table

# whose tables are looked at, which says what these figures judge (tests/stale_figures.py)
STAGES = ("intake", "filters", "structure", "units", "panel", "assignment", "transfers")
RESULTS = ROOT / "results"
TRUTH = RESULTS / "inputs/demo/truth"


@pytest.fixture(scope="module")
def found():
    subprocess.run([str(ROOT / "scripts" / "run")], check=True, cwd=ROOT)
    topshell = RESULTS / "demo/topshell"
    truth = pd.read_csv(TRUTH / "animals.csv").query("species == 'topshell'")
    truth = truth.set_index("materialSampleID")[["true_class"]]
    sites = pd.read_csv(TRUTH / "sites.csv").query("species == 'topshell'").set_index("locationID")
    calls = read_table(topshell / "assignment/calls.csv").set_index("materialSampleID").join(truth)
    units = read_table(topshell / "units/units.csv").set_index("locationID")
    curve = read_table(topshell / "panel/size_curve.csv").set_index("n_markers")
    query = calls[(calls["role"] == "query") & (calls["local_unit"] != "")]
    pure = query[query["true_class"].isin(["pure_a", "pure_b"])]
    other = pure["local_unit"].map({"unit_1": "unit_2", "unit_2": "unit_1"})
    own = pure["local_unit"].where(pure["true_class"] == "pure_a", other)
    wild = sites[sites["unit"].notna()]
    kinds = {s: statement(RESULTS / "demo" / s) for s in ("topshell", "comb_limpet", "sweeper_urchin")}
    plan = demo_plan().species[0]
    dates = read_table(topshell / "assignment/mixing_dates.csv", "mixing_dates")
    columns = ["locationID", "role", "n_mixed", "n_first_generation", "generations", "ci_low", "ci_high", "reading"]
    figures = {
        **provenance("scripts/test --verify demo"),
        "statements": kinds,
        "sites_in_another_unit_than_planted": int((units.loc[wild.index, "unit"] != wild["unit"]).sum()),
        **units_found(topshell, TRUTH, "topshell"),
        **animals_told(topshell, TRUTH, "topshell", roles=("query",)),
        "contact_sites": {
            site: {**told, "share_admixed": share_admixed(plan, plan.locations.index(site))}
            for site, told in animals_told(topshell, TRUTH, "topshell")["contact_sites"].items()
        },
        "nested_accuracy": float(curve.loc[84, "nested_accuracy"]),
        "query_accuracy": {"n": len(pure), "right": int((pure["best_unit"] == own).sum())},
        "far_sites": site_rates(topshell, TRUTH, "topshell"),
        "mixing_dates": json.loads(dates[columns].to_json(orient="records", double_precision=2)),
    }
    (Path(__file__).with_suffix(".json")).write_text(json.dumps(figures, indent=2) + "\n")
    return figures


def test_units_and_statements_are_as_planted(found):
    assert found["statements"] == {
        "topshell": "broad_contact",  # two stocks, planted to meet at two sites side by side
        "comb_limpet": "gradual_isolation_by_distance",
        "sweeper_urchin": "no_structure_found",
    }
    assert found["sites_in_another_unit_than_planted"] == 0


def test_movers_are_found_and_locals_left_alone(found):
    assert found["movers_and_f1"]["flagged"] >= 0.95 * found["movers_and_f1"]["n"] > 0
    assert found["true_locals"]["flagged"] <= 0.01 * found["true_locals"]["n"]


def test_contact_sites_are_flagged_about_as_often_as_their_animals_are_mixed(found):
    assert set(found["contact_sites"]) == set(found["contact_zones_planted"])
    for told in found["contact_sites"].values():
        assert abs(told["share_flagged"] - told["share_admixed"]) <= 0.1


def test_nested_accuracy_is_that_of_animals_that_had_no_part_in_it(found):
    fresh = found["query_accuracy"]
    assert abs(found["nested_accuracy"] - fresh["right"] / fresh["n"]) <= 0.02


def test_rates_of_far_sites_hold_the_planted_share(found):
    assert len(found["far_sites"]) >= 3
    for site, far in found["far_sites"].items():
        assert far["low"] <= far["planted"] <= far["high"], site


def test_old_contact_and_recent_escape_are_told_apart_by_tract_lengths(found):
    reading = {(row["locationID"], row["role"]): row["reading"] for row in found["mixing_dates"]}
    assert {reading[site, "baseline"] for site in found["contact_zones_planted"]} == {"old"}
    assert {told for (_, role), told in reading.items() if role == "query"} == {"recent"}
    assert len([role for _, role in reading if role == "query"]) >= 3
