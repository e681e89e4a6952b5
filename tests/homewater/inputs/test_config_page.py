"""config/README.md says what the schemas say."""

import pytest

from homewater.inputs.config_page import COMMAND, PAGE, columns_table, filled_page, settings_table
from homewater.inputs.settings_schema import setting_rows
from homewater.tables.schema_tables import table_schema


def test_the_page_is_what_the_schemas_make_of_it():
    text = PAGE.read_text(encoding="utf-8")
    assert text == filled_page(text), f"config/README.md has drifted from the schemas; mend it by: {COMMAND}"


def test_each_setting_and_each_column_has_its_row():
    rows = settings_table().splitlines()[2:]
    assert [row.split("`")[1] for row in rows] == [row["key"] for row in setting_rows()]
    assert {row.replace("\\|", "").count("|") for row in rows} == {7}
    columns = columns_table("input_sites").splitlines()[2:]
    assert [row.split("`")[1] for row in columns] == [f["name"] for f in table_schema("input_sites")["fields"]]


def test_a_page_without_its_marks_is_refused():
    with pytest.raises(ValueError, match="lacks its marks for settings"):
        filled_page("# no marks")
