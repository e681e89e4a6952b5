"""Flows between units, worked by hand."""

import numpy as np
from tests.made_ledger import LEDGER, UNITS

from homewater.tables.schema_tables import read_table, write_table
from homewater.transfers.flows import FLOW_COLUMNS, flows


def test_flows_by_hand():
    table = flows(LEDGER, UNITS, "topshell")
    assert list(table.columns) == FLOW_COLUMNS
    rows = table.replace({np.nan: None}).astype(object).where(lambda t: t.notna(), None).to_numpy().tolist()
    assert rows == [
        ["topshell", "unit_1", "unit_1", 100, False, 1, 0, 7],
        ["topshell", "unit_1", "none", 20, None, 1, 0, 1],
        ["topshell", "unit_2", "unit_1", 50, True, 2, 1, 2],
        ["topshell", "untraced", "unit_1", 30, None, 1, 0, None],
    ]


def test_flows_lose_no_animal_and_no_row_of_the_ledger():
    table = flows(LEDGER, UNITS, "topshell")
    own = LEDGER[LEDGER["species"] == "topshell"]
    assert table["individuals"].sum() == own["individualCount"].sum()
    assert table["transfers"].sum() == len(own)
    assert table["transfers_without_count"].sum() == own["individualCount"].isna().sum()


def test_no_ledger_gives_the_header_only(tmp_path):
    empty = LEDGER.iloc[:0]
    table = flows(empty, UNITS, "topshell")
    assert list(table.columns) == FLOW_COLUMNS
    assert table.empty
    write_table(table, tmp_path / "flows.csv")
    assert read_table(tmp_path / "flows.csv").empty


def test_the_table_matches_its_schema(tmp_path):
    table = flows(LEDGER, UNITS, "topshell")
    write_table(table, tmp_path / "flows.csv")
    assert len(read_table(tmp_path / "flows.csv")) == len(table)
