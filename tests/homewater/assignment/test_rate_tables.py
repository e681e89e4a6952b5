"""Rates as tables: everybody is counted, units pool their sites, and what is not defined stays empty."""

import pandas as pd
import pytest
from tests.class_power import power_frame, power_like_a_real_one

from homewater.assignment.rate_tables import JudgedAnimals, rate_table, rate_tables, unit_rate_table
from homewater.tables.schema_tables import check_table, empty_table


def calls(*rows):
    return pd.DataFrame(rows, columns=["locationID", "outcome", "reason", "called", "year"])


def test_table_counts_everybody_and_leaves_undefined_rates_empty():
    power = power_frame(power_like_a_real_one())
    local = ("S1", "local", "", "local", 2020)
    judged = calls(
        *[local] * 17, ("S1", "non_local", "", "non_local", 2021), ("S1", "mixed", "", "F1", 2021),
        ("S1", "unresolved", "too_few_markers", "unresolved", 2021), ("F1", "non_local", "", "non_local", 2021),
        ("F1", "unsampled_origin", "", "unsampled_origin", 2021),
    )  # fmt: skip
    sites, units = ["S1", "S2", "F1"], {"S1": "unit_1", "S2": "unit_1", "F1": ""}
    table = rate_table(judged, power, sites, units, {"S1": True}, 0.001).set_index("locationID")
    assert table.loc["S1", ["n", "n_local", "n_non_local", "n_mixed", "n_unresolved"]].tolist() == [20, 17, 1, 1, 1]
    assert table.loc["S1", "raw_rate"] == 0.1
    assert table.loc["S1", "ci_low"] < table.loc["S1", "rate"] < table.loc["S1", "ci_high"]
    assert table.loc["S1", "expected_false"] == pytest.approx(0.019)
    assert table.loc["S1", "n_too_few_markers"] == 1
    assert table["contact_zone"].tolist() == [True, False, False]
    assert table.loc["S2", "n"] == 0
    assert table.loc["F1", ["n", "n_non_local", "n_unsampled_origin"]].tolist() == [2, 1, 1]
    assert table.loc[["S2", "F1"], ["raw_rate", "rate", "ci_low", "ci_high", "expected_false"]].isna().all(axis=None)
    by_year = rate_table(judged, power, sites, units, {}, 0.001, by_year=True)
    assert by_year[["locationID", "year", "n"]].to_numpy().tolist() == [
        ["S1", 2020, 17],
        ["S1", 2021, 3],
        ["F1", 2021, 2],
    ]


def test_units_pool_their_sites_and_keep_contact_zones_apart():
    """A unit's row is the row of one site that holds all its animals."""
    power = power_frame(power_like_a_real_one())
    local, moved = ("local", "", "local", 2020), ("non_local", "", "non_local", 2020)
    judged = calls(
        *[("S1", *local)] * 30, ("S1", *moved), *[("S2", *local)] * 9, ("S2", *moved), *[("Z", *moved)] * 4,
        ("F1", *moved),
    )  # fmt: skip
    units = {"S1": "unit_1", "S2": "unit_1", "Z": "unit_1", "F1": "", "S3": "unit_1"}
    table = unit_rate_table(judged, power, units, {"Z": True}, ["unit_1"], 0.001)
    assert table[["unit", "contact_zone", "n_sites", "n"]].to_numpy().tolist() == [
        ["unit_1", False, 2, 41], ["unit_1", True, 1, 4],
    ]  # fmt: skip
    one = judged[judged["locationID"].isin(["S1", "S2"])].assign(locationID="S1")
    expected = rate_table(one, power, ["S1"], units, {}, 0.001)
    columns = ["n_non_local", "raw_rate", "rate", "ci_low", "ci_high", "expected_false"]
    assert table.loc[0, columns].tolist() == expected.loc[0, columns].tolist()
    nobody = unit_rate_table(judged.iloc[:0], power, units, {}, ["unit_1"], 0.001)
    assert nobody[["n", "n_sites"]].to_numpy().tolist() == [[0, 0]]
    assert nobody["rate"].isna().all()


@pytest.mark.parametrize(
    ("n_units", "class_power"), [(1, power_frame(power_like_a_real_one())), (2, empty_table("class_power"))]
)
def test_one_unit_or_no_panel_gives_tables_without_rows(n_units, class_power):
    nobody = JudgedAnimals(*(empty_table(name) for name in ("calls", "origin_classes", "input_samples")), "topshell")
    found = rate_tables(nobody, class_power, empty_table("units"), ["S1"], n_units, 0.001)
    tables = {"site_rates": found.sites, "site_year_rates": found.site_years, "unit_rates": found.units}
    for name, table in tables.items():
        assert check_table(table, name).empty
