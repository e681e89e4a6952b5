"""The user's tables: read as they come from a spreadsheet, every fault told with file, line and column.

Accepted: UTF-8 with or without a byte-order mark; any line ends; RFC 4180 quotes; blanks around a value; rows with
nothing in them; columns beyond those of the schema (left out, and listed). Refused, with the remedy: everything else.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from homewater.inputs.event_dates import NO_DATE, date_span, looks_like_date, normal_date
from homewater.inputs.user_text import SAVE_AS, nearest, read_text, shown
from homewater.running.errors import Problem
from homewater.tables.schema_tables import required_columns, table_schema, value_problem

NEAR_MISS = 0.85  # likeness (difflib ratio) above which an unknown column is taken for a misspelt one
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+", re.ASCII)


@dataclass
class ReadTable:
    """A user's table after reading.

    Attributes:
        name: the file as the user wrote it in the study file.
        frame: every column of the schema in its order, typed; what is absent or unreadable is empty (NaN, NA or "").
        lines: line of the file on which each row starts, counted from 1.
        problems: what is wrong within this file alone.
        ignored: columns that the schema does not know.
        whole: whether every row and required column was read, so that what is not in `frame` is not in the file.
    """

    name: str
    frame: pd.DataFrame
    lines: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
    whole: bool = True


def read_input_table(path: str | Path, name: str, schema_name: str) -> ReadTable:
    """Read one of the user's tables and check it against its Table Schema.

    Args:
        path: where the file is.
        name: the file as the user wrote it, for messages and `ReadTable.name`.
        schema_name: stem of the schema in workflow/schemas/tables.

    Returns:
        The table with its problems; nothing is raised, so that the problems of several files can be told together.
    """
    schema = table_schema(schema_name)
    nothing = ReadTable(name, empty_input_table(schema_name), whole=False)
    text = read_text(path, name)
    if isinstance(text, Problem):
        nothing.problems.append(text)
        return nothing
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend((line, [cell.strip() for cell in cells]) for line, cells in records(io.StringIO(text, newline="")))
    except Unreadable as error:
        nothing.problems.append(Problem(name, f"line {error.line}", "", error.found, error.allowed))
        return nothing
    table = ReadTable(name, nothing.frame)
    line, header = rows[0]
    place = {column: index for index, column in reversed(list(enumerate(header)))}
    wrong_mark = _wrong_separator(header, required_columns(schema))
    if wrong_mark:
        nothing.problems.append(Problem(name, f"line {line}", "", f"{wrong_mark} between the columns", SAVE_AS))
        return nothing
    _check_header(table, line, header, schema, rows[1:])
    values: dict[str, list] = {f["name"]: [] for f in schema["fields"] if f["name"] in place}
    for line, cells in rows[1:]:
        if len(cells) != len(header):
            allowed = f"{len(header)} fields, as in the header (a value that holds a comma stands in quotes)"
            table.problems.append(Problem(name, f"line {line}", "", f"{len(cells)} fields", allowed))
            table.whole = False
            continue
        table.lines.append(line)
        for column, into in values.items():
            value, problem = _value(cells[place[column]], _field(schema, column))
            into.append(value)
            if problem:
                found = problem[0] + _swap_hint(column, value, cells, place)
                table.problems.append(Problem(name, f"line {line}", column, found, problem[1]))
    if len(rows) == 1 and schema_name != "input_transfers":
        table.problems.append(Problem(name, "", "", "a header and no rows", "at least one row"))
    table.frame = _frame(values, schema, len(table.lines))
    table.problems.extend(_repeated_keys(table, schema))
    return table


def empty_input_table(schema_name: str) -> pd.DataFrame:
    """Return every column of a schema, the optional ones too, and no rows."""
    return _frame({}, table_schema(schema_name), 0)


# --- one file's text ---


class Unreadable(Exception):
    """The text of a table breaks off: line, what was found, what is allowed."""

    def __init__(self, line: int, found: str, allowed: str):
        super().__init__(found)
        self.line, self.found, self.allowed = line, found, allowed


def records(handle: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
    """Yield (line on which it starts, cells) of every record of comma-separated text that is not blank.

    Args:
        handle: lines of text with their ends, as a file opened with newline="".

    Raises:
        Unreadable: where quotes do not pair up, or the text is not UTF-8.
    """
    reader = csv.reader(handle, strict=True)
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            found = f"quotes that do not pair up ({error})"
            raise Unreadable(line, found, 'values in quotes closed by ", a quote inside them doubled ("")') from None
        except UnicodeDecodeError:
            raise Unreadable(line, "text from here on that is not UTF-8", "text saved as UTF-8") from None
        if any(cells) and any(cell.strip() for cell in cells):
            yield line, cells
        line = reader.line_num + 1


def _wrong_separator(header: list[str], wanted: list[str]) -> str | None:
    if sum(column in header for column in wanted) > 1:
        return None
    for mark, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        parts = [part.strip().strip('"') for part in mark.join(header).split(mark)]
        if any(mark in cell for cell in header) and any(column in parts for column in wanted):
            return word
    return None


def _check_header(table: ReadTable, line: int, header: list[str], schema: dict, rows: list) -> None:
    known = [f["name"] for f in schema["fields"]]
    place = f"line {line}"
    misspelt: set[str] = set()
    for index, column in enumerate(header):
        if column in header[:index] and column:
            table.problems.append(Problem(table.name, place, column, "this column twice", "each column once"))
        elif not column and any(len(cells) > index and cells[index] for _, cells in rows):
            found = f"a column without a name (number {index + 1})"
            table.problems.append(Problem(table.name, place, "", found, "a name for each column that holds values"))
        elif column and column not in known:
            meant = _meant(column, [name for name in known if name not in header])
            if meant:
                misspelt.add(meant)
                found = "an unknown column close to a known one"
                table.problems.append(Problem(table.name, place, column, found, f"did you mean {meant}?"))
            else:
                table.ignored.append(column)
    for column in required_columns(schema):
        if column not in header:
            table.whole = False
            if column not in misspelt:
                found = "no such column; there are " + ", ".join(filter(None, header))
                table.problems.append(Problem(table.name, place, column, found, "this column, spelt so"))


def _meant(column: str, absent: list[str]) -> str | None:
    def bare(text: str) -> str:
        return re.sub(r"[\s_\-.]", "", text).casefold()

    for name in absent:
        if bare(name) == bare(column) or difflib.SequenceMatcher(None, name, column).ratio() >= NEAR_MISS:
            return name
    return None


# --- one value ---


def _field(schema: dict, column: str) -> dict:
    return next(f for f in schema["fields"] if f["name"] == column)


def _value(text: str, described: dict) -> tuple[object, tuple[str, str] | None]:
    """Return the typed value of a cell (None if empty or unreadable) and (found, allowed) if it is wrong."""
    allowed = allowed_value(described)
    if not text:
        needed = described.get("constraints", {}).get("required")
        return None, ("nothing", allowed) if needed else None
    if described["type"] in ("number", "integer"):
        if not _NUMBER.fullmatch(text):
            comma = " (with a decimal comma)" if _COMMA_NUMBER.fullmatch(text) else ""
            return None, (shown(text) + comma, allowed + (", with a decimal point" if comma else ""))
        number = float(text)
        if not math.isfinite(number):
            return None, (shown(text), allowed)
        if described["type"] == "integer":
            if number != number // 1 or abs(number) >= 2**53:
                return None, (shown(text), allowed)
            number = int(number)
        return number, (shown(text), allowed) if value_problem(number, described) else None
    if described["name"].startswith("eventDate"):
        return (normal_date(text), None) if date_span(text) else (text, (shown(text), allowed))
    if _is_id(described["name"]):
        fine = text.isprintable() and not set(text) & set(',"')
        return text, None if fine else (shown(text), allowed)
    if any(unicodedata.category(c) == "Cc" and not c.isspace() for c in text):
        return text, (shown(text), "text without control characters")
    text = " ".join(text.split())
    if described["name"] == "marker" and looks_like_date(text):
        return text, (f"{shown(text)}, a date", NO_DATE)
    if value_problem(text, described):
        near = nearest(text, described["constraints"].get("enum", []))
        return text, (shown(text), allowed + (f"; did you mean {near}?" if near else ""))
    return text, None


def _is_id(column: str) -> bool:
    return column.endswith("ID") or column == "replicateOf"


def allowed_value(described: dict) -> str:
    """Return in words what a column may hold, from its field descriptor."""
    limits = described.get("constraints", {})
    if described["name"].startswith("eventDate"):
        words = "a date as YYYY-MM-DD, YYYY-MM or YYYY, or two of them as start/end"
    elif _is_id(described["name"]):
        words = "an id of printable characters, without commas and quotes"
    elif "enum" in limits:
        words = "one of " + ", ".join(limits["enum"])
    elif described["type"] in ("number", "integer"):
        words = "a whole number" if described["type"] == "integer" else "a number"
        if "minimum" in limits and "maximum" in limits:
            words += f" from {limits['minimum']} to {limits['maximum']}"
        elif "minimum" in limits:
            words += f" of at least {limits['minimum']}"
    else:
        words = "an id of the study file" if described["name"] == "species" else "text"
    return words if limits.get("required") else f"{words}, or nothing"


def _swap_hint(column: str, value: object, cells: list[str], place: dict[str, int]) -> str:
    other = place.get("decimalLongitude")
    if column != "decimalLatitude" or value is None or other is None or not _NUMBER.fullmatch(cells[other]):
        return ""
    fits = abs(value) <= 180 and abs(float(cells[other])) <= 90
    return " (latitude and longitude look swapped)" if fits else ""


# --- the whole table ---


def _frame(values: dict[str, list], schema: dict, n_rows: int) -> pd.DataFrame:
    columns = {}
    for described in schema["fields"]:
        column = values.get(described["name"], [None] * n_rows)
        if described["type"] == "number":
            columns[described["name"]] = pd.array([float("nan") if v is None else v for v in column], dtype="float64")
        elif described["type"] == "integer":
            columns[described["name"]] = pd.array([pd.NA if v is None else v for v in column], dtype="Int64")
        else:
            default = described.get("default", "")
            columns[described["name"]] = pd.Series([default if v is None else v for v in column], dtype=object)
    return pd.DataFrame(columns)


def _repeated_keys(table: ReadTable, schema: dict) -> Iterator[Problem]:
    key = schema.get("primaryKey", [])
    key = [key] if isinstance(key, str) else key
    if not key or not len(table.frame):
        return
    first: dict[tuple, int] = {}
    for line, *values in zip(table.lines, *(table.frame[column] for column in key), strict=True):
        if all(value is not pd.NA and value != "" for value in values):
            if tuple(values) in first:
                found = f"{shown(str(values[-1]))} again (first in line {first[tuple(values)]})"
                within = f" within the {key[0]}" if len(key) > 1 else ""
                yield Problem(table.name, f"line {line}", key[-1], found, f"each {key[-1]} once{within}")
            first.setdefault(tuple(values), line)
