"""Which groups of animals are dated, and what the table says of them."""

import numpy as np
import pandas as pd
import pytest

from homewater.assignment.mixing_dates import COLUMNS, DatingSettings, Group, dates_row, groups_to_date
from homewater.assignment.tract_lengths import MixingAge
from homewater.tables.schema_tables import read_table, write_table

SETTINGS = DatingSettings(error=0.005, generation_years=2.5, recent_generations=10)


def animals(sites):
    rows = [(f"{site}{k}", site, "query" if k % 2 else "baseline") for site in sites for k in range(6)]
    return pd.DataFrame(rows, columns=["materialSampleID", "locationID", "role"])


def test_groups_are_those_of_clines_and_of_verdicts():
    """S3 has no unit of its own; S21 is mixed with a third unit, S23 moved from unit_2, S25 is of no sampled stock."""
    who = animals(["S1", "S2", "S3"])
    who = who[who["materialSampleID"] != "S14"].reset_index(drop=True)
    classes = pd.DataFrame(
        [("S11", "unit_1", "unit_3", "F1"), ("S21", "unit_1", "unit_3", "backcross_a"),
         ("S23", "unit_1", "unit_2", "pure_b"), ("S31", "unit_2", "unit_3", "F1"), ("S10", "unit_1", None, "pure_a")],
        columns=["materialSampleID", "unit_a", "unit_b", "class"],
    )  # fmt: skip
    local = pd.Series({"S1": "unit_1", "S2": "unit_1", "S3": ""})
    calls = pd.DataFrame({"materialSampleID": ["S25", "S21"], "outcome": ["unsampled_origin", "mixed"]})
    groups = groups_to_date(who, calls, classes, [("S2", "unit_1", "unit_2")], local)
    told = [(g.site, g.role, g.local, g.other, who["materialSampleID"][g.rows].tolist()) for g in groups]
    assert told == [
        ("S1", "baseline", "unit_1", "unit_3", ["S10", "S12"]),
        ("S1", "query", "unit_1", "unit_3", ["S11", "S13", "S15"]),
        ("S2", "baseline", "unit_1", "unit_2", ["S20", "S22", "S24"]),
        ("S2", "query", "unit_1", "unit_2", ["S23"]),
        ("S2", "baseline", "unit_1", "unit_3", ["S20", "S22", "S24"]),
        ("S2", "query", "unit_1", "unit_3", ["S21"]),
    ]


@pytest.mark.parametrize(
    ("low", "high", "reading"), [(1.0, 10.0, "recent"), (1.0, 10.5, "open"), (10.5, np.inf, "old"), (2, np.inf, "open")]
)
def test_reading(tmp_path, low, high, reading):
    group = Group("S1", "query", "unit_1", "unit_2", np.arange(30))
    row = dates_row(group, MixingAge(7, 2, 10.2, low, high), 4000, SETTINGS)
    assert row["reading"] == reading
    assert row["years"] == 25.5
    write_table(pd.DataFrame([row], columns=COLUMNS), tmp_path / "t.csv", "mixing_dates")
    back = read_table(tmp_path / "t.csv", "mixing_dates")
    assert back["ci_high"].isna().tolist() == [not np.isfinite(high)]


def test_ancestry_without_any_stretches_is_not_called_old():
    group = Group("S1", "query", "unit_1", "unit_2", np.arange(30))
    assert dates_row(group, MixingAge(7, 2, 257.0, 178.0, np.inf), 4000, SETTINGS)["reading"] == "open"


def test_large_groups_are_looked_at_in_part():
    who = pd.DataFrame({"materialSampleID": [f"A{k}" for k in range(1000)], "locationID": "S1", "role": "query"})
    none = pd.DataFrame(columns=["materialSampleID", "unit_a", "unit_b", "class"], dtype=object)
    calls = pd.DataFrame(columns=["materialSampleID", "outcome"], dtype=object)
    (group,) = groups_to_date(who, calls, none, [("S1", "unit_1", "unit_2")], pd.Series({"S1": "unit_2"}))
    assert group.rows.tolist() == list(range(0, 1000, 5))
    assert group.other == "unit_1"
