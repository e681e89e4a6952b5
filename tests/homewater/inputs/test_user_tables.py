"""Readers of the user's tables: good files in any dress, faults with exact file, line and column."""

import csv
import io

import numpy as np
import pandas as pd
import pytest
from tests.made_inputs import SAMPLES, SITES, TRANSFERS

from homewater.inputs.event_dates import date_span, event_year, normal_date
from homewater.inputs.user_tables import empty_input_table, read_input_table
from homewater.inputs.user_text import file_problem, nearest, shown
from homewater.tables.schema_tables import check_table, table_schema


def read(folder, text, schema="input_sites"):
    path = folder / "table.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_input_table(path, "my/table.csv", schema)


def told(table):
    assert all(p.file == "my/table.csv" and p.allowed for p in table.problems)
    return [(p.place, p.column, p.found) for p in table.problems]


def test_values_arrive_typed_and_absent_columns_empty(tmp_path):
    table = read(tmp_path, SITES)
    assert told(table) == []
    assert table.frame.columns.tolist() == [f["name"] for f in table_schema("input_sites")["fields"]]
    assert table.frame["decimalLatitude"].tolist() == [58.25, 57.5, 56.125]
    assert table.frame["kind"].tolist() == ["wild", "wild", "farm"]
    assert table.frame["fishing"].tolist() == ["", "", ""]
    assert table.lines == [2, 3, 4]
    moves = read(tmp_path, TRANSFERS, "input_transfers").frame
    assert moves["individualCount"].tolist() == [400, 150]
    assert moves["sourceLocationID"].tolist() == ["ald_north", ""]
    assert moves["lost_or_dead"].isna().tolist() == [False, True]
    animals = read(tmp_path, SAMPLES, "input_samples").frame
    assert animals["length_mm"].tolist()[0] == 21.5
    assert np.isnan(animals["length_mm"].tolist()[1])


@pytest.mark.parametrize(
    "dress",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.rstrip("\n"),
        lambda text: text.replace(",", " , ").replace("\n", " \n"),
        lambda text: text.replace("\n", "\n\n") + ",,,,,\n\n",
        lambda text: "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()),
        lambda text: "\n".join(line + ",,," for line in text.splitlines()),
    ],
    ids=["bom", "crlf", "cr", "no_last_newline", "blanks", "blank_rows", "quoted", "trailing_commas"],
)
def test_the_dress_of_a_file_does_not_matter(tmp_path, dress):
    table = read(tmp_path, dress(SITES))
    assert told(table) == []
    pd.testing.assert_frame_equal(table.frame, read(tmp_path, SITES).frame)


def test_the_order_of_columns_is_free_and_further_columns_are_listed(tmp_path):
    rows = [row.split(",") for row in SITES.splitlines()]
    turned = "\n".join(",".join([*reversed(row), "x"]) for row in rows).replace("locationID,x", "locationID,notes")
    table = read(tmp_path, turned)
    assert told(table) == []
    assert table.ignored == ["notes"]
    pd.testing.assert_frame_equal(table.frame, read(tmp_path, SITES).frame)


def test_lines_are_exact_after_values_with_line_breaks(tmp_path):
    """Checked against counting line ends before each record in the text itself."""
    text = SITES.replace("North Quay", '"North\nQuay, the\r\n""old"" one"') + "x,Name,95,3,Aldermark,\n"
    table = read(tmp_path, text)
    assert table.lines == [2, 5, 6, 7]
    assert [text.splitlines()[line - 1].split(",")[0] for line in table.lines] == table.frame["locationID"].tolist()
    assert table.frame["locality"][0] == 'North Quay, the "old" one'
    assert [(place, column) for place, column, _ in told(table)] == [("line 7", "decimalLatitude")]


def test_what_the_csv_module_writes_is_read_back(tmp_path):
    """The standard library's writer is the other side: any text survives, blanks folded."""
    rng = np.random.default_rng(5)
    letters = list("ab,\"; 'éß漢-/")
    names = ["".join(rng.choice(letters, size=8)).strip() or "x" for _ in range(200)]
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["locationID", "locality", "decimalLatitude", "decimalLongitude", "jurisdiction"])
    writer.writerows([f"s{i}", name, i % 90, -i % 180, "Aldermark"] for i, name in enumerate(names))
    table = read(tmp_path, out.getvalue())
    assert told(table) == []
    assert table.frame["locality"].tolist() == [" ".join(name.split()) for name in names]


def test_ids_of_any_alphabet_pass(tmp_path):
    text = SITES.replace("ald_north", "S-01/a").replace("ald_south", "Бухта 7").replace("ves_west", "港#2'x;|")
    table = read(tmp_path, text)
    assert told(table) == []
    assert table.frame["locationID"].tolist() == ["S-01/a", "Бухта 7", "港#2'x;|"]
    check_table(table.frame, "input_sites")


@pytest.mark.parametrize(
    ("old", "new", "place", "column", "found"),
    [
        ("58.25", "", "line 2", "decimalLatitude", "nothing"),
        ("58.25", "north", "line 2", "decimalLatitude", "north"),
        ("58.25", '"58,25"', "line 2", "decimalLatitude", "58,25 (with a decimal comma)"),
        ("58.25", "1_0", "line 2", "decimalLatitude", "1_0"),
        ("58.25", "nan", "line 2", "decimalLatitude", "nan"),
        ("58.25", "1e999", "line 2", "decimalLatitude", "1e999"),
        ("58.25", "−58.25", "line 2", "decimalLatitude", "−58.25"),
        ("58.25", "58°15'N", "line 2", "decimalLatitude", "58°15'N"),
        ("58.25", "٥٨", "line 2", "decimalLatitude", "٥٨"),
        ("58.25,-6.5", "90.01,-6.5", "line 2", "decimalLatitude", "90.01 (latitude and longitude look swapped)"),
        ("58.25,-6.5", "-90.01,100", "line 2", "decimalLatitude", "-90.01"),
        ("58.25,-6.5", "190,-6.5", "line 2", "decimalLatitude", "190"),
        ("-6.25", "180.5", "line 3", "decimalLongitude", "180.5"),
        ("ald_south", "ald_north", "line 3", "locationID", "ald_north again (first in line 2)"),
        ("ald_south", "", "line 3", "locationID", "nothing"),
        ("ald_south", "a\u200bb", "line 3", "locationID", "a\\u200bb"),
        ("ald_south", "a\tb", "line 3", "locationID", "a\\tb"),
        ("ald_south", '"a,b"', "line 3", "locationID", "a,b"),
        ("ald_south", '"a""b"', "line 3", "locationID", 'a"b'),
        ("ald_south", '"a\nb"', "line 3", "locationID", "a\\nb"),
        ("South Quay", "South\x01Quay", "line 3", "locality", "South\\x01Quay"),
        ("farm", "Farm", "line 4", "kind", "Farm"),
        ("Vessland", " ", "line 4", "jurisdiction", "nothing"),
        ("West Sound", "West, Sound", "line 4", "", "7 fields"),
        (",Vessland,farm", "", "line 4", "", "4 fields"),
        ("West Sound", '"West', "line 4", "", "quotes that do not pair up (unexpected end of data)"),
        ("West Sound", '"West" Sound', "line 4", "", "quotes that do not pair up (',' expected after '\"')"),
    ],
)
def test_a_wrong_value_is_told_once_with_line_and_column(tmp_path, old, new, place, column, found):
    assert SITES.count(old) == 1
    assert told(read(tmp_path, SITES.replace(old, new))) == [(place, column, found)]


@pytest.mark.parametrize(
    ("old", "new", "column", "found"),
    [
        ("400", "0", "individualCount", "0"),
        ("400", "-3", "individualCount", "-3"),
        ("400", "2.5", "individualCount", "2.5"),
        ("400", "1e300", "individualCount", "1e300"),
        ("400", "99999999999999999999", "individualCount", "99999999999999999999"),
        ("400", "many", "individualCount", "many"),
        (",12", ",-1", "lost_or_dead", "-1"),
        ("2018-05-02", "02/05/2018", "eventDate", "02/05/2018"),
        ("2018-05-02", "2018-13", "eventDate", "2018-13"),
        ("M1,topshell", "M1,", "species", "nothing"),
        ("ald_north,ves_west", "ald_north,", "destinationLocationID", "nothing"),
    ],
)
def test_a_wrong_value_of_a_move_is_told(tmp_path, old, new, column, found):
    assert TRANSFERS.count(old) == 1
    assert told(read(tmp_path, TRANSFERS.replace(old, new), "input_transfers")) == [("line 2", column, found)]


def test_a_whole_number_with_a_point_is_a_whole_number(tmp_path):
    """As spreadsheets write counts in a column that has gaps."""
    table = read(tmp_path, TRANSFERS.replace("400", "400.0"), "input_transfers")
    assert told(table) == []
    assert table.frame["individualCount"].tolist() == [400, 150]


@pytest.mark.parametrize(
    ("old", "new", "column", "found", "allowed"),
    [
        ("locality,", "", "locality", "no such column; there are locationID, decimalLatitude", "this column"),
        ("locality", "Locality", "Locality", "an unknown column close to a known one", "did you mean locality?"),
        ("decimalLatitude", "decimal latitude", "decimal latitude", "an unknown column close", "decimalLatitude?"),
        ("decimalLatitude", "decimalLatitud", "decimalLatitud", "an unknown column close", "decimalLatitude?"),
        ("kind", "kinds", "kinds", "an unknown column close to a known one", "did you mean kind?"),
        ("kind", "locality", "locality", "this column twice", "once"),
    ],
)
def test_a_wrong_header_is_told_once(tmp_path, old, new, column, found, allowed):
    text = SITES.replace(old, new, 1)
    if not new:
        text = "\n".join(
            line if i == 0 else ",".join(line.split(",")[:1] + line.split(",")[2:])
            for i, line in enumerate(text.splitlines())
        )
    table = read(tmp_path, text)
    assert [(place, name) for place, name, _ in told(table)] == [("line 1", column)]
    assert found in table.problems[0].found
    assert allowed in table.problems[0].allowed


def test_a_further_column_close_to_a_present_one_is_no_misspelling(tmp_path):
    table = read(tmp_path, "\n".join(f"{line},x" for line in SITES.splitlines()).replace("kind,x", "kind,kind2"))
    assert told(table) == []
    assert table.ignored == ["kind2"]


def test_a_column_of_values_without_a_name_is_told(tmp_path):
    text = "\n".join(f"{line},x" for line in SITES.splitlines()).replace("kind,x", "kind,")
    assert told(read(tmp_path, text)) == [("line 1", "", "a column without a name (number 7)")]


@pytest.mark.parametrize(("mark", "word"), [(";", "semicolons"), ("\t", "tabs"), ("|", "bars")])
def test_another_mark_between_columns_is_told_with_the_remedy(tmp_path, mark, word):
    table = read(tmp_path, SITES.replace(".", ",").replace(",ald", ";ald").replace(",", mark))
    assert told(table) == [("line 1", "", f"{word} between the columns")]
    assert "commas between the columns, points in numbers" in table.problems[0].allowed
    assert not table.whole


@pytest.mark.parametrize(
    ("content", "place", "found"),
    [
        (b"", "", "an empty file"),
        (b" \n\n", "", "an empty file"),
        (b"\xef\xbb\xbf", "", "an empty file"),
        (SITES.replace("West", "Wést").encode("latin-1"), "line 4", "byte 0xE9, which is not UTF-8"),
        (
            SITES.replace("West", "Wést").replace("\n", "\r").encode("latin-1"),
            "line 4",
            "byte 0xE9, which is not UTF-8",
        ),
        (SITES.encode("utf-16"), "line 1", "text in UTF-16"),
        (b"PK\x03\x04rest", "", "a spreadsheet or an archive, not text"),
        (SITES.splitlines()[0].encode(), "", "a header and no rows"),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path, content, place, found):
    assert told(read(tmp_path, content)) == [(place, "", found)]


def test_no_moves_at_all_are_allowed(tmp_path):
    table = read(tmp_path, TRANSFERS.splitlines()[0], "input_transfers")
    assert told(table) == []
    pd.testing.assert_frame_equal(table.frame, empty_input_table("input_transfers"))


def test_all_problems_of_one_file_are_told_together(tmp_path):
    text = SITES.replace("58.25", "x").replace("57.5", "y").replace("farm", "fram").replace("locality", "localty")
    assert [place for place, _, _ in told(read(tmp_path, text))] == ["line 1", "line 2", "line 3", "line 4"]


def test_a_misspelt_word_of_a_list_is_told_with_the_nearest(tmp_path):
    (problem,) = read(tmp_path, SITES.replace("farm", "hatchry")).problems
    assert problem.allowed == "one of wild, farm, hatchery, or nothing; did you mean hatchery?"


def test_an_id_may_come_again_in_another_species(tmp_path):
    text = SAMPLES + "T1,urchin,ald_north,2019,baseline,,\n"
    assert told(read(tmp_path, text, "input_samples")) == []
    text += "T1,urchin,ald_north,2019,query,,\n"
    assert told(read(tmp_path, text, "input_samples")) == [("line 8", "materialSampleID", "T1 again (first in line 7)")]


def test_what_keeps_a_file_from_being_read_is_told(tmp_path, monkeypatch):
    assert file_problem(tmp_path / "no.csv", "no.csv").found == "no such file"
    assert file_problem(tmp_path, "folder").found == "a folder"
    good = tmp_path / "good.csv"
    good.write_text("x")
    assert file_problem(good, "good.csv") is None

    def refused(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refused)  # root reads whatever the mode says
    assert file_problem(good, "good.csv").found == "a file that this user may not read"


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2019-06-01", "2019-06-01", "2019-06-01"),
        ("2020-02", "2020-02-01", "2020-02-29"),
        ("1900-02", "1900-02-01", "1900-02-28"),
        ("2019", "2019-01-01", "2019-12-31"),
        ("2007-03-01T13:00:00Z/2008-05-11T15:30:00Z", "2007-03-01", "2008-05-11"),
        ("2007-11-13/15", "2007-11-13", "2007-11-15"),
        ("2007-11-13/12-02", "2007-11-13", "2007-12-02"),
        ("1963-03-08T14:07-06:00", "1963-03-08", "1963-03-08"),
        ("1906-06", "1906-06-01", "1906-06-30"),
        ("2019/2019-02", "2019-01-01", "2019-02-28"),
    ],
)
def test_dates_span_the_days_that_they_name(text, first, last):
    """Some are the examples of the Darwin Core quick reference, term eventDate (from memory)."""
    assert tuple(day.isoformat() for day in date_span(text)) == (first, last)
    assert event_year(text) == int(first[:4])


def test_a_date_is_written_without_time_and_in_full():
    assert normal_date("2007-11-13T08:40Z/15") is None
    assert normal_date("2007-11-13/15") == "2007-11-13/2007-11-15"
    assert normal_date("2009-02-20T08:40Z") == "2009-02-20"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "19",
        "2019-6-1",
        "2019-00",
        "2019-02-00",
        "2019-02-29",
        "2019-06-31",
        "01/06/2019",
        "2019/2018",
        "a/b",
        "2019/2020/2021",
        "0000",
        "٢٠١٩",
        "20190601",
        "2019T10:00",
        "2019-06-01T25:00",
        "2019-06-01T10",
        "2019-06/15",
        "2019-06-15/13",
        "2019-06-15/",
        "/",
        "-2019",
        "2019-06-01Z",
        "2019-06-01\n",
    ],
)
def test_what_is_no_date_is_none(text):
    assert date_span(text) is None
    assert event_year(text) is None


def test_the_nearest_word_ignores_case_and_unicode_form():
    assert nearest("ALD_NORTH", ["ald_south", "ald_north"]) == "ald_north"
    assert nearest("bru\u0308cke", ["br\u00fccke"]) == "br\u00fccke"
    assert nearest("zzz", ["ald_north"]) is None


def test_values_are_shown_short_and_visibly():
    assert shown("a\x07b\u202e") == "a\\x07b\\u202e"
    assert len(shown("x" * 100)) == 60
