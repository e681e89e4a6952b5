"""Filters of markers on hand-made counts: each takes its marker, and the first is named."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.homewater.filters.drawn_coast import LIMITS

from homewater.filters.markers import filter_markers, lowest_site_call_rate
from homewater.running.errors import InputError


def marker_table(n):
    return pd.DataFrame({"marker": [f"m{i}" for i in range(n)], "chrom": "1", "pos": range(n), "ref": "A", "alt": "C"})


# by marker, sites x (reference, heterozygous, alternate, missing); site 2 has 45 animals, too few at none
CASES = {
    "good": ([[20, 20, 5, 0], [10, 20, 10, 5]], ""),
    "half missing": ([[10, 10, 5, 20], [10, 10, 5, 20]], "call_rate"),
    "all missing": ([[0, 0, 0, 45], [0, 0, 0, 45]], "call_rate"),
    "missing at one site": ([[170, 170, 42, 0], [8, 15, 8, 14]], "site_call_rate"),
    "one allele": ([[45, 0, 0, 0], [44, 0, 0, 1]], "monomorphic"),
    "other allele": ([[0, 0, 45, 0], [0, 0, 45, 0]], "monomorphic"),
    "batches differ": ([[20, 20, 5, 0], [10, 20, 10, 5]], "batch"),
    "sexes differ": ([[20, 20, 5, 0], [10, 20, 10, 5]], "sex_linked"),
    "rare": ([[45, 0, 0, 0], [44, 1, 0, 0]], "minor_allele_frequency"),
    "all heterozygous": ([[0, 45, 0, 0], [0, 45, 0, 0]], "excess_heterozygosity"),
    "no heterozygotes": ([[25, 0, 20, 0], [20, 0, 25, 0]], "hardy_weinberg"),
    "fixed difference": ([[45, 0, 0, 0], [0, 0, 45, 0]], ""),  # between sites, not within: no departure
}
DIFFERENCES = {
    name: np.array([1e-9 if case == marked else 0.5 for case in CASES])
    for name, marked in (("batch", "batches differ"), ("sex_linked", "sexes differ"))
}


def test_each_filter_takes_its_marker_and_the_first_is_named():
    counts = np.array([case for case, _ in CASES.values()])
    counts[list(CASES).index("missing at one site"), 0] = [20, 20, 5, 0]  # 76 of 90 called: see the limit below
    limits = replace(LIMITS, min_call_rate=0.8)
    table, summary = filter_markers(marker_table(len(CASES)), counts, limits, DIFFERENCES)
    assert table["reason"].tolist() == [reason for _, reason in CASES.values()]
    assert (table["status"] == np.where(table["reason"] == "", "kept", "removed")).all()
    assert [(row["step"], row["removed"]) for row in summary] == [
        ("call_rate", 2),
        ("site_call_rate", 1),
        ("monomorphic", 2),
        ("batch", 1),
        ("sex_linked", 1),
        ("minor_allele_frequency", 1),
        ("minor_allele_count", 0),
        ("excess_heterozygosity", 1),
        ("hardy_weinberg", 1),
    ]
    named = dict(zip(CASES, table.to_dict("records"), strict=True))
    assert [name for name, row in named.items() if row["passes_technical"]] == [
        "good", "rare", "all heterozygous", "no heterozygotes", "fixed difference"
    ]  # fmt: skip
    assert (named["half missing"]["value"], named["half missing"]["limit"]) == (50 / 90, 0.8)
    assert (named["missing at one site"]["value"], named["missing at one site"]["limit"]) == (31 / 45, 0.7)
    assert named["batches differ"]["value"] == pytest.approx(7e-9)  # seven tests, Benjamini and Hochberg
    assert (named["one allele"]["value"], named["one allele"]["limit"]) == (0, 0)
    assert named["rare"]["value"] == named["rare"]["minor_allele_frequency"] == pytest.approx(1 / 180)
    assert named["all missing"]["call_rate"] == 0
    assert named["fixed difference"]["hardy_weinberg_p"] == 1
    removed = table[table["reason"] != ""]
    assert removed["value"].notna().all()
    assert removed["limit"].notna().all()


def test_an_allele_seen_once_goes_where_the_frequency_lets_it_pass():
    counts = np.array([[[9, 1, 0, 0]], [[8, 2, 0, 0]], [[0, 1, 9, 0]], [[9, 0, 1, 0]]])
    table, _ = filter_markers(marker_table(4), counts, LIMITS)
    assert table["reason"].tolist() == ["minor_allele_count", "", "minor_allele_count", ""]
    assert table["value"][0] == 1
    kept, _ = filter_markers(marker_table(4), counts, replace(LIMITS, min_minor_allele_count=0))
    assert (kept["reason"] == "").all()


def test_call_rates_of_small_sites_do_not_count():
    few, enough = [[20, 20, 5, 0], [2, 2, 1, 4]], [[20, 20, 5, 0], [2, 2, 2, 4]]
    assert lowest_site_call_rate(np.array([few])).tolist() == [1]
    assert lowest_site_call_rate(np.array([enough])).tolist() == [0.6]
    assert lowest_site_call_rate(np.zeros((0, 2, 4), int)).tolist() == []
    assert lowest_site_call_rate(np.zeros((3, 0, 4), int)).tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("case", "key"),
    [
        ("half missing", "min_call_rate"),
        ("rare", "min_minor_allele_frequency"),
        ("all heterozygous", "hardy_weinberg_fdr"),
    ],
)
def test_when_no_marker_is_left_the_filter_that_took_the_most_is_named(case, key):
    counts = np.array([CASES[case][0]] * 5 + [CASES["one allele"][0]])
    with pytest.raises(InputError) as caught:
        filter_markers(marker_table(6), counts, LIMITS)
    (problem,) = caught.value.problems
    assert problem.column == f"markers.{key}"
    assert "removed 5 of" in problem.found
