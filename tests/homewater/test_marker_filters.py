"""Filters of markers on hand-made counts: each takes its marker, and the first is named."""

import numpy as np
import pandas as pd
import pytest
from drawn_coast import SETTINGS

from homewater.errors import InputError
from homewater.marker_filters import filter_markers


def marker_table(n):
    return pd.DataFrame({"marker": [f"m{i}" for i in range(n)], "chrom": "1", "pos": range(n), "ref": "A", "alt": "C"})


# by marker, sites x (reference, heterozygous, alternate, missing)
CASES = {
    "good": ([[20, 20, 5, 0], [10, 20, 10, 5]], ""),
    "half missing": ([[10, 10, 5, 20], [10, 10, 5, 20]], "call_rate"),
    "all missing": ([[0, 0, 0, 45], [0, 0, 0, 45]], "call_rate"),
    "one allele": ([[45, 0, 0, 0], [44, 0, 0, 1]], "monomorphic"),
    "other allele": ([[0, 0, 45, 0], [0, 0, 45, 0]], "monomorphic"),
    "rare": ([[45, 0, 0, 0], [44, 1, 0, 0]], "minor_allele_frequency"),
    "all heterozygous": ([[0, 45, 0, 0], [0, 45, 0, 0]], "hardy_weinberg"),
    "fixed difference": ([[45, 0, 0, 0], [0, 0, 45, 0]], ""),  # between sites, not within: no departure
}


def test_each_filter_takes_its_marker_and_the_first_is_named():
    counts = np.array([case for case, _ in CASES.values()])
    table, summary = filter_markers(marker_table(len(CASES)), counts, SETTINGS)
    assert table["reason"].tolist() == [reason for _, reason in CASES.values()]
    assert (table["status"] == np.where(table["reason"] == "", "kept", "removed")).all()
    assert [(row["step"], row["removed"]) for row in summary] == [
        ("call_rate", 2),
        ("monomorphic", 2),
        ("minor_allele_frequency", 1),
        ("hardy_weinberg", 1),
    ]
    named = dict(zip(CASES, table.to_dict("records"), strict=True))
    assert [name for name, row in named.items() if row["passes_technical"]] == [
        "good", "rare", "all heterozygous", "fixed difference"
    ]  # fmt: skip
    assert (named["half missing"]["value"], named["half missing"]["limit"]) == (50 / 90, 0.9)
    assert named["rare"]["value"] == named["rare"]["minor_allele_frequency"] == pytest.approx(1 / 180)
    assert named["all missing"]["call_rate"] == 0
    assert named["fixed difference"]["hardy_weinberg_p"] == 1


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
        filter_markers(marker_table(6), counts, SETTINGS)
    (problem,) = caught.value.problems
    assert problem.column == f"markers.{key}"
    assert "removed 5 of" in problem.found
