"""Tables of the contract: read, checked against their Table Schema, and written in one way.

The schemas in workflow/schemas/tables follow the Table Schema standard (https://specs.frictionlessdata.io/table-schema/).
Columns whose number depends on the data (pc1.., group_1..) are declared under the extra key ``patternFields``,
a list of field descriptors whose ``name`` is a regular expression.
"""

from __future__ import annotations

import gzip
import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homewater.running.clone import SCHEMAS as ALL_SCHEMAS
from homewater.running.errors import InputError, Problem
from homewater.running.writer import written_aside

SCHEMAS = ALL_SCHEMAS / "tables"
GZIP_MAGIC = b"\x1f\x8b"
_TYPES = {
    "string": "str",
    "integer": "Int64",
    "number": "float64",
    "boolean": "boolean",
    "date": "str",
    "year": "Int64",
}


class SchemaMismatch(ValueError):
    """A table of ours does not match its own schema: a fault of the program, not of the input."""


def read_json(path: str | Path) -> Any:
    """Return the content of a JSON file that a step wrote, or of a packaged one; gzip is read too."""
    content = Path(path).read_bytes()
    return json.loads(gzip.decompress(content) if content[:2] == GZIP_MAGIC else content)


@cache
def table_schema(name: str) -> dict:
    """Return the Table Schema called `name` (a file stem in workflow/schemas/tables)."""
    return json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))


def field_of(column: str, schema: dict) -> dict | None:
    """Return the field descriptor of a column, by name or by pattern; None where the schema does not know it."""
    for field in schema["fields"]:
        if field["name"] == column:
            return field
    for field in schema.get("patternFields", []):
        if re.fullmatch(field["name"], column):
            return field
    return None


def required_columns(schema: dict) -> list[str]:
    """Return the columns that must stand in the header (``constraints.required_column`` false marks optional ones)."""
    return [f["name"] for f in schema["fields"] if f.get("optional", False) is not True]


def value_problem(value: object, field: dict) -> str | None:
    """Return what is allowed when `value` breaks the field's constraints, else None. Missing values are None or NaN."""
    limits = field.get("constraints", {})
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)) or value == "":
        return "a value (this column may not be empty)" if limits.get("required") else None
    if "enum" in limits and value not in limits["enum"]:
        return "one of " + ", ".join(map(str, limits["enum"]))
    if "pattern" in limits and not re.fullmatch(limits["pattern"], str(value)):
        return f"text that matches {limits['pattern']}"
    if "minimum" in limits and value < limits["minimum"]:
        return f"a value of at least {limits['minimum']}"
    if "maximum" in limits and value > limits["maximum"]:
        return f"a value of at most {limits['maximum']}"
    return None


def _suspects(values: pd.Series, limits: dict) -> np.ndarray:
    """Return, as bool (n_rows,), where a typed column breaks its limits: `value_problem`, a column at a time."""
    missing = (values.isna() | (values == "")).fillna(True).to_numpy(dtype=bool)
    bad = missing & bool(limits.get("required", False))
    if "enum" in limits:
        bad |= ~missing & ~values.isin(limits["enum"]).to_numpy(dtype=bool)
    if "pattern" in limits:
        bad |= ~missing & ~values.astype(str).str.fullmatch(limits["pattern"]).to_numpy(dtype=bool)
    if "minimum" in limits:
        bad |= ~missing & (values < limits["minimum"]).fillna(False).to_numpy(dtype=bool)
    if "maximum" in limits:
        bad |= ~missing & (values > limits["maximum"]).fillna(False).to_numpy(dtype=bool)
    return bad


def _typed(frame: pd.DataFrame, schema: dict, name: str) -> pd.DataFrame:
    columns = {}
    for column in frame.columns:
        field = field_of(column, schema)
        if field is None:
            raise SchemaMismatch(f"table {name}: column {column} is not in its schema")
        values, kind = frame[column], _TYPES[field["type"]]
        if kind == "str":
            columns[column] = values.astype(object).where(values.notna(), "").astype(str)
        else:
            columns[column] = values.replace("", np.nan).astype(kind) if values.dtype == object else values.astype(kind)
    return pd.DataFrame(columns, index=frame.index)


def check_table(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the table with the types of its schema.

    Args:
        frame: any table; its columns must be those of the schema, in the schema's order (pattern columns last or where
            the schema's ``patternFields`` say ``after``).
        name: name of the schema.

    Raises:
        SchemaMismatch: on a missing, unknown or misplaced column or a value outside its constraints, naming the row.
    """
    schema = table_schema(name)
    missing = [c for c in required_columns(schema) if c not in frame.columns]
    if missing:
        raise SchemaMismatch(f"table {name}: missing columns {missing}")
    frame = _typed(frame, schema, name)
    for column in frame.columns:
        field = field_of(column, schema)
        bad = np.flatnonzero(_suspects(frame[column], field.get("constraints", {})))
        if len(bad):
            value = frame[column].tolist()[bad[0]]
            allowed = value_problem(value, field)
            raise SchemaMismatch(f"table {name}: row {bad[0]}, column {column}: found {value!r}; allowed: {allowed}")
    key = schema.get("primaryKey")
    if key:
        key = [key] if isinstance(key, str) else key
        if frame.duplicated(key).any():
            row = int(np.flatnonzero(frame.duplicated(key))[0])
            raise SchemaMismatch(f"table {name}: row {row}: the key {key} is not unique")
    return frame


def _text(value: object, kind: str) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if kind == "boolean":
        return "true" if value else "false"
    if kind == "number":
        return repr(float(value)).removesuffix(".0")  # shortest text that reads back to the same number
    return str(value)


def write_table(frame: pd.DataFrame, path: str | Path, schema: str | None = None) -> None:
    """Check a table against its schema and write it as CSV (UTF-8, RFC 4180 quoting, LF) or, by suffix, Parquet.

    Args:
        frame: the table.
        path: destination; ``.csv`` or ``.parquet``.
        schema: schema name; the stem of the file name by default.
    """
    path = Path(path)
    name = schema or path.stem
    frame = check_table(frame, name)
    with written_aside(path) as aside:
        if path.suffix == ".parquet":
            frame.reset_index(drop=True).to_parquet(aside, engine="pyarrow", index=False, compression="zstd")
        else:
            text = pd.DataFrame(
                {
                    c: [_text(v, field_of(c, table_schema(name))["type"]) for v in frame[c].tolist()]
                    for c in frame.columns
                }
            )
            text.to_csv(aside, index=False, lineterminator="\n", encoding="utf-8")


def read_table(path: str | Path, schema: str | None = None) -> pd.DataFrame:
    """Read a table that homewater wrote; types as its schema says, empty text as "", else NaN or NA."""
    path = Path(path)
    name = schema or path.stem
    if path.suffix == ".parquet":
        return check_types(pd.read_parquet(path, engine="pyarrow"), name)
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    fields = {c: field_of(c, table_schema(name)) for c in frame.columns}
    for column, field in fields.items():
        if field is None:
            raise InputError(
                Problem(
                    path.name, "header", column, "a column that its schema does not know", "the columns of the schema"
                )
            )
        values = frame[column]
        if field["type"] == "number":
            frame[column] = pd.to_numeric(values.replace("", np.nan)).astype("float64")
        elif field["type"] in ("integer", "year"):
            frame[column] = pd.to_numeric(values.replace("", pd.NA)).astype("Int64")
        elif field["type"] == "boolean":
            frame[column] = values.map({"true": True, "false": False, "": pd.NA}).astype("boolean")
    return frame


def read_result(path: str | Path) -> pd.DataFrame | Any:
    """Return what a step wrote: the content of a file that ends in .json, else a table whose schema has its name."""
    path = Path(path)
    return read_json(path) if path.suffix == ".json" else read_table(path)


def check_types(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the table with its schema's types, values unchecked (they were checked when written)."""
    return _typed(frame, table_schema(name), name)


def empty_table(name: str) -> pd.DataFrame:
    """Return a table with the schema's declared columns and no rows."""
    return pd.DataFrame({f["name"]: [] for f in table_schema(name)["fields"] if f.get("optional", False) is not True})
