"""Filters of animals on drawn cases: who goes, and who only gets a flag."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from tests.homewater.filters.drawn_coast import N_MARKERS, Coast

from homewater.filters.animals import _files_disagree
from homewater.filters.ledger import Animals
from homewater.running.errors import InputError


def test_locals_stay_without_flags(tmp_path):
    table = Coast().filtered(tmp_path)
    assert (table["status"] == "kept").all()
    assert (table["flags"] == "").all()
    assert table["defines"].all()


def test_crosses_of_two_stocks_are_not_taken_for_kin(tmp_path):
    coast = Coast()
    for i in range(10):
        coast.add(f"F1 {i}", "north", "query", coast.cross())
    table = coast.filtered(tmp_path)
    assert not table["flags"].str.contains("kin").any()
    assert (table.filter(like="F1", axis=0)["flags"] == "high_heterozygosity").sum() >= 1


def test_crosses_and_movers_are_never_removed_in_baseline_or_query(tmp_path):
    coast = Coast()
    for i in range(8):
        for role in ("baseline", "query"):
            for place in ("north", "farm"):
                coast.add(f"F1 {role} {place} {i}", place, role, coast.cross())
                coast.add(f"mover {role} {place} {i}", place, role, coast.local(coast.south))
    table = coast.filtered(tmp_path)
    assert (table["status"] == "kept").all()
    assert not table[table["role"] == "query"]["defines"].any()
    assert not table[table["locationID"] == "farm"]["defines"].any()


def test_a_mixture_of_two_animals_is_removed_from_the_baseline_and_flagged_in_the_query(tmp_path):
    coast = Coast()
    for role in ("baseline", "query"):
        a, b = coast.local(coast.north), coast.local(coast.south)
        coast.add(role, "north", role, np.where(a == b, a, 1))
    table = coast.filtered(tmp_path)
    assert table.loc["baseline", ["status", "reason"]].tolist() == ["removed", "high_heterozygosity"]
    assert table.loc["baseline", "value"] > table.loc["baseline", "limit"]
    assert table.loc["query", "status"] == "kept"
    assert table.loc["query", "flags"].split(";") == ["high_heterozygosity", "beyond_f1_heterozygosity"]
    assert (table.drop(["baseline", "query"])["status"] == "kept").all()


def test_call_rate_removes_baseline_and_query(tmp_path):
    coast = Coast()
    for role in ("baseline", "query"):
        coast.add(f"bad {role}", "north", role, coast.spoiled(coast.local(coast.north), missing=0.3))
        coast.add(f"fair {role}", "north", role, coast.spoiled(coast.local(coast.north), missing=0.1))
    table = coast.filtered(tmp_path)
    assert (table.loc[["bad baseline", "bad query"], "reason"] == "call_rate").all()
    assert (table.loc[["bad baseline", "bad query"], "limit"] == 0.8).all()
    assert (table.loc[["fair baseline", "fair query"], "status"] == "kept").all()
    assert table.loc["fair query", "call_rate"] == pytest.approx(0.9, abs=0.04)


def test_markers_that_failed_almost_everywhere_do_not_cost_the_animals(tmp_path):
    coast = Coast()
    coast.dosages = [np.concatenate([d, np.full(N_MARKERS, -1, np.int8)]) for d in coast.dosages]
    coast.dosages[0][N_MARKERS:] = 0
    table = coast.filtered(tmp_path)
    assert (table["status"] == "kept").all()
    assert (table["call_rate"] == 1).all()


def test_of_declared_replicates_the_better_record_stays(tmp_path):
    coast = Coast()
    animal = coast.add("first", "north", "baseline", coast.spoiled(coast.local(coast.north), missing=0.1))
    coast.add("again", "north", "baseline", coast.spoiled(animal, wrong=0.02), replicate_of="first")
    coast.dosages[-1][animal < 0] = 0  # the second record is complete
    coast.add("third", "south", "query", coast.spoiled(animal, missing=0.05), replicate_of="again")
    coast.add("poor", "north", "query", coast.spoiled(animal, missing=0.5), replicate_of="first")
    coast.add("orphan", "north", "query", coast.local(coast.north), replicate_of="not genotyped")
    table = coast.filtered(tmp_path)
    assert table.loc["again", "status"] == "kept"
    assert table.loc[["first", "third"], "reason"].tolist() == ["replicate", "replicate"]
    assert table.loc["poor", "reason"] == "call_rate"
    assert (table.loc[["first", "third"], "limit"] == table.loc["again", "call_rate"]).all()
    assert table.loc["orphan", "status"] == "kept"
    assert table.loc["again", "related_to"] == "first,third"
    names = table.index.tolist()
    pairs = {(names[a], names[b]) for a, b in coast.animals.replicates}
    assert pairs == {("again", "first"), ("again", "third")}


def test_equal_replicates_keep_the_first(tmp_path):
    coast = Coast()
    animal = coast.add("x", "north", "baseline", coast.local(coast.north))
    coast.add("y", "north", "baseline", animal, replicate_of="x")
    table = coast.filtered(tmp_path)
    assert table.loc[["x", "y"], "status"].tolist() == ["kept", "removed"]


def test_undeclared_duplicates_by_place_and_role(tmp_path):
    coast = Coast()
    a, b, c = (coast.local(coast.north) for _ in range(3))
    coast.add("a poor", "north", "baseline", coast.spoiled(a, missing=0.1))
    coast.add("a good", "north", "baseline", coast.spoiled(a, wrong=0.01))
    coast.add("b baseline", "north", "baseline", b)
    coast.add("b query", "north", "query", b)
    coast.add("c north", "north", "baseline", c)
    coast.add("c south", "south", "baseline", coast.spoiled(c, wrong=0.01))
    table = coast.filtered(tmp_path)
    assert table.loc["a poor", ["status", "reason", "flags"]].tolist() == ["removed", "duplicate", "duplicate"]
    assert table.loc["a good", ["status", "flags", "related_to"]].tolist() == ["kept", "duplicate", "a poor"]
    assert (table.loc[["b baseline", "b query"], "flags"] == "duplicate").all()
    assert (table.loc[["b baseline", "b query", "c north", "c south"], "status"] == "kept").all()
    assert table.loc["c north", "flags"] == "same_genotype_elsewhere"
    assert table.loc["c south", ["flags", "best_site"]].tolist() == [
        "same_genotype_elsewhere;fits_another_site", "north"
    ]  # fmt: skip
    assert table.loc["a poor", "value"] > table.loc["a poor", "limit"] == 0.97
    assert table.loc["c north", "related_to"] == "c south"
    rows = {row["step"]: row for row in coast.animals.summary}
    assert (rows["duplicate"]["removed"], rows["duplicate"]["flagged"]) == (1, 3)
    assert rows["same_genotype_elsewhere"]["flagged"] == 2
    assert rows["duplicate"]["expected_false_flags"] < 1e-6


def test_close_kin_are_flagged_within_a_site_and_stay(tmp_path):
    coast = Coast(n_markers=3000)
    mother, father = coast.local(coast.north), coast.local(coast.north)
    for name in ("sib 1", "sib 2"):
        coast.add(name, "north", "baseline", coast.child(mother, father))
    coast.add("mother", "north", "query", mother)
    coast.add("elsewhere", "south", "baseline", coast.child(mother, father))
    table = coast.filtered(tmp_path)
    assert (table["status"] == "kept").all()
    assert table.index[table["flags"] == "kin"].tolist() == ["sib 1", "sib 2", "mother"]
    assert table.loc["mother", "related_to"] == "sib 1,sib 2"
    (row,) = [row for row in coast.animals.summary if row["step"] == "kin"]
    assert (row["removed"], row["flagged"]) == (0, 3)
    assert row["expected_false_flags"] < 0.01


def test_the_waterfall_of_animals_adds_up(tmp_path):
    coast = Coast()
    coast.add("bad", "north", "query", coast.spoiled(coast.local(coast.north), missing=0.5))
    coast.filtered(tmp_path)
    summary = coast.animals.summary
    assert [row["step"] for row in summary] == [
        "sample_call_rate",
        "replicate",
        "duplicate",
        "same_genotype_elsewhere",
        "high_heterozygosity",
        "contamination",
        "kin",
        "unlike_any_site",
        "fits_another_site",
        "label_swap",
    ]
    assert all(row["before"] - row["removed"] == row["after"] for row in summary)
    assert [row["before"] for row in summary[1:]] == [row["after"] for row in summary[:-1]]
    assert (summary[0]["before"], summary[-1]["after"]) == (61, 60)


@pytest.mark.parametrize("keep", [["north0"], ["north0", "south0"], ["north0", "north1", "south3"]])
def test_very_few_animals_run(tmp_path, keep):
    coast = Coast()
    chosen = [i for i, row in enumerate(coast.rows) if row[0] in keep]
    coast.rows, coast.dosages = [coast.rows[i] for i in chosen], [coast.dosages[i] for i in chosen]
    table = coast.filtered(tmp_path)
    assert table["defines"].tolist() == [True] * len(keep)


def test_no_variation_at_all_runs(tmp_path):
    coast = Coast()
    coast.dosages = [np.zeros(N_MARKERS, np.int8) for _ in coast.dosages]
    table = coast.filtered(tmp_path)
    assert (table["status"] == "kept").all()
    assert table["heterozygosity"].isna().all()


def test_without_defining_animals_the_sample_sheet_is_at_fault(tmp_path):
    coast = Coast()
    coast.rows = [(name, "farm" if place == "north" else "abroad", role, r) for name, place, role, r in coast.rows]
    with pytest.raises(InputError, match="no baseline animal at a wild site"):
        coast.filtered(tmp_path)


def test_when_call_rate_takes_every_baseline_animal_it_is_named(tmp_path):
    coast = Coast()
    coast.dosages = [coast.spoiled(d, missing=0.4) for d in coast.dosages]
    with pytest.raises(InputError, match="min_sample_call_rate"):
        coast.filtered(tmp_path)


def test_animals_that_two_files_call_differently_are_flagged_and_stay():
    table = pd.DataFrame({"materialSampleID": list("abcdef"), "status": "kept", "reason": "", "flags": ""})
    animals = Animals(table)
    # three agree, one is swapped, one has too few calls to tell, one is in one file alone
    concordance = [[1000, 8], [1000, 9], [1000, 10], [1000, 450], [20, 15], [0, 0]]
    _files_disagree(animals, np.array(concordance), 0.97)
    assert table["flags"].tolist() == ["", "", "", "files_disagree", "", ""]
    assert (table["status"] == "kept").all()
    (row,) = animals.summary
    assert row["flagged"] == 1
    assert row["expected_false_flags"] == pytest.approx(4 * binom.sf(30, 1000, 0.0095))


def test_one_file_leaves_no_row_on_files_that_disagree():
    table = pd.DataFrame({"materialSampleID": ["a"], "status": "kept", "reason": "", "flags": ""})
    animals = Animals(table)
    _files_disagree(animals, np.zeros((1, 2), dtype=np.int64), 0.97)
    assert animals.summary == []
