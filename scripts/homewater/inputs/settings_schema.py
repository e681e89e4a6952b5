"""What the schema of the study file says: its keys, what each may hold, in words, and its default."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import yaml

from homewater.running.clone import SCHEMAS

SCHEMA = SCHEMAS / "study.yaml"
_KINDS = {"object": "keys with values", "array": "a list", "string": "text", "boolean": "true or false"}


@cache
def study_schema() -> dict:
    """Return the JSON Schema of a study file, its ``$ref`` replaced by what they point to."""
    schema = yaml.safe_load(SCHEMA.read_text(encoding="utf-8"))
    return _resolved(schema, schema["$defs"])


def is_genotype_table(path: str | Path) -> bool:
    """Return whether a file of genotypes is a table (CSV by its suffix) and no VCF or BCF."""
    return Path(path).suffix.lower() == ".csv"


def _resolved(node: Any, definitions: dict) -> Any:
    if isinstance(node, list):
        return [_resolved(item, definitions) for item in node]
    if not isinstance(node, dict):
        return node
    found = dict(definitions[node["$ref"].rsplit("/", 1)[1]]) if isinstance(node.get("$ref"), str) else {}
    found.update({key: _resolved(value, definitions) for key, value in node.items() if key != "$ref"})
    return found


def allowed_text(schema: dict) -> str:
    """Return in words what a key of the study file may hold."""
    unit = f" ({schema['unit']})" if "unit" in schema else ""
    if "enum" in schema:
        return "one of " + ", ".join(map(str, schema["enum"]))
    kind = schema.get("type")
    if kind in ("integer", "number"):
        parts = [
            f"{word} {schema[name]:.12g}"
            for name, word in (
                ("minimum", "at least"),
                ("exclusiveMinimum", "above"),
                ("maximum", "at most"),
                ("exclusiveMaximum", "below"),
            )
            if name in schema
        ]
        return ("a whole number" if kind == "integer" else "a number") + "".join(f", {p}" for p in parts) + unit
    if kind == "array":
        least = f", at least {schema['minItems']}" if "minItems" in schema else ""
        return f"a list{least}; each item: {allowed_text(schema['items'])}"
    if kind == "string" and "not" in schema:
        reserved = " or ".join(schema["not"]["enum"])
        return f"a lower-case letter, then at most 39 lower-case letters, digits or underscores; not {reserved}"
    if kind == "string" and schema.get("format") == "date":
        return "a date as YYYY-MM-DD"
    if kind == "string" and "maxLength" in schema:
        return f"text of 1 to {schema['maxLength']} characters"
    if kind == "object":
        return "keys with values: " + ", ".join(schema["properties"])
    return _KINDS[kind] + unit


def _has_defaults(schema: dict) -> bool:
    return "default" in schema or (
        schema.get("type") == "object"
        and "required" not in schema
        and any(map(_has_defaults, schema["properties"].values()))
    )


def filled(value: Any, schema: dict) -> Any:
    """Return checked settings with every default of their schema filled in, numbers of the schema's type."""
    kind = schema.get("type")
    if kind == "object":
        found = {}
        for key, inner in schema["properties"].items():
            if key in value:
                found[key] = filled(value[key], inner)
            elif _has_defaults(inner):
                found[key] = filled(inner.get("default", {}), inner)
        return found
    if kind == "array":
        return [filled(item, schema["items"]) for item in value]
    return int(value) if kind == "integer" else float(value) if kind == "number" else value


def setting_rows() -> list[dict[str, Any]]:
    """Return one row a setting: key (list items as ``[]``), schema, and whether it is required."""
    return list(_rows(study_schema(), ""))


def _rows(schema: dict, prefix: str) -> Iterator[dict[str, Any]]:
    for key, inner in schema["properties"].items():
        name = f"{prefix}{key}"
        if inner.get("type") == "object":
            yield from _rows(inner, f"{name}.")
        elif inner.get("type") == "array" and inner["items"].get("type") == "object":
            yield from _rows(inner["items"], f"{name}[].")
        else:
            yield {"key": name, "schema": inner, "required": key in schema.get("required", [])}
