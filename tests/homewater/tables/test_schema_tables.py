"""Tables: schemas are valid, numbers come back as they went, nothing undeclared is written."""

import json
import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homewater.tables import schema_tables
from homewater.tables.schema_tables import SCHEMAS, SchemaMismatch, check_table, empty_table, read_table, write_table

EXAMPLE = {
    "fields": [
        {"name": "materialSampleID", "type": "string", "constraints": {"required": True}},
        {"name": "count", "type": "integer", "constraints": {"minimum": 0}},
        {"name": "share", "type": "number", "constraints": {"minimum": 0, "maximum": 1}},
        {"name": "kept", "type": "boolean"},
        {"name": "note", "type": "string", "optional": True},
    ],
    "patternFields": [{"name": "pc[0-9]+", "type": "number"}],
    "primaryKey": "materialSampleID",
}


@pytest.fixture(autouse=True)
def _example(monkeypatch, tmp_path_factory):
    original = schema_tables.table_schema.__wrapped__
    monkeypatch.setattr(schema_tables, "table_schema", lambda name: EXAMPLE if name == "example" else original(name))


def frame(**changes):
    columns = {"materialSampleID": ["a", "b"], "count": [1, None], "share": [0.1, math.nan], "kept": [True, None]}
    return pd.DataFrame({**columns, **changes})


@settings(max_examples=50)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=20))
def test_numbers_read_back_to_the_same_bits(tmp_path_factory, numbers):
    path = tmp_path_factory.mktemp("t") / "example.csv"
    table = pd.DataFrame(
        {
            "materialSampleID": [str(i) for i in range(len(numbers))],
            "count": 0,
            "share": 0.5,
            "kept": True,
            "pc1": numbers,
        }
    )
    write_table(table, path)
    assert read_table(path)["pc1"].tolist() == numbers


def test_written_text_is_the_shortest_and_missing_is_empty(tmp_path):
    write_table(frame(), tmp_path / "example.csv")
    assert (tmp_path / "example.csv").read_bytes() == b"materialSampleID,count,share,kept\na,1,0.1,true\nb,,,\n"


def test_ids_that_look_like_numbers_or_missing_stay_text(tmp_path):
    write_table(frame(materialSampleID=["007", "NA"]), tmp_path / "example.csv")
    assert read_table(tmp_path / "example.csv")["materialSampleID"].tolist() == ["007", "NA"]


def test_quotes_commas_and_newlines_survive(tmp_path):
    odd = ['a "b", c', "line\nbreak"]
    write_table(frame(materialSampleID=odd), tmp_path / "example.csv")
    assert read_table(tmp_path / "example.csv")["materialSampleID"].tolist() == odd


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"share": [0.5, 1.5]}, "row 1, column share: found 1.5; allowed: a value of at most 1"),
        ({"count": [-1, 0]}, "row 0, column count: found -1; allowed: a value of at least 0"),
        ({"materialSampleID": ["a", ""]}, "row 1, column materialSampleID"),
        ({"materialSampleID": ["a", "a"]}, "row 1: the key"),
        ({"surprise": [1, 2]}, "column surprise is not in its schema"),
    ],
)
def test_what_breaks_the_schema_is_not_written(tmp_path, changes, message):
    with pytest.raises(SchemaMismatch, match=message):
        write_table(frame(**changes), tmp_path / "example.csv")
    assert not list(tmp_path.iterdir())


def test_missing_column_is_refused():
    with pytest.raises(SchemaMismatch, match="missing columns \\['kept'\\]"):
        check_table(frame().drop(columns="kept"), "example")


@pytest.mark.parametrize("path", sorted(SCHEMAS.glob("*.json")), ids=lambda path: path.stem)
def test_every_schema_is_a_table_schema(path):
    """Against the Table Schema standard (https://specs.frictionlessdata.io/table-schema/), the parts that we use."""
    schema = json.loads(path.read_text(encoding="utf-8"))
    names = [field["name"] for field in schema["fields"]]
    assert len(set(names)) == len(names)
    for field in schema["fields"] + schema.get("patternFields", []):
        assert field["type"] in {"string", "integer", "number", "boolean", "date", "year"}
        assert field.get("description"), f"{path.stem}.{field['name']} has no description"
        assert set(field.get("constraints", {})) <= {"required", "unique", "enum", "pattern", "minimum", "maximum"}
    key = schema.get("primaryKey", [])
    assert set([key] if isinstance(key, str) else key) <= set(names)
    assert list(empty_table(path.stem).columns) == [f["name"] for f in schema["fields"] if not f.get("optional")]
