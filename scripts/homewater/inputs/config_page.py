"""The tables of config/README.md, made from the schemas; run as a module (COMMAND) it makes them anew."""

from __future__ import annotations

import re
from typing import Any

from homewater.inputs.settings_schema import allowed_text, setting_rows
from homewater.inputs.user_tables import allowed_value
from homewater.running.clone import CLONE
from homewater.running.writer import write_text
from homewater.tables.schema_tables import table_schema

PAGE = CLONE / "config" / "README.md"
TABLES = {
    "samples": "input_samples",
    "sites": "input_sites",
    "transfers": "input_transfers",
    "markers of genotype tables": "input_markers",
    "recombination map": "input_recombination_map",
}
COMMAND = "PYTHONPATH=scripts .venv/bin/python -m homewater.inputs.config_page"


def settings_table() -> str:
    """Return the settings as a Markdown table: key, meaning, unit, what is allowed, default, reason or source."""
    lines = _head("key", "meaning", "unit", "allowed", "default", "reason or source of the default")
    for row in setting_rows():
        schema = row["schema"]
        default = "required" if row["required"] else "none"
        if "default" in schema:
            default = _default(schema["default"])
        allowed = allowed_text({k: v for k, v in schema.items() if k != "unit"})
        meaning = schema.get("description", "")
        lines.append(
            _row(f"`{row['key']}`", meaning, schema.get("unit", ""), allowed, default, schema.get("reason", ""))
        )
    return "\n".join(lines)


def columns_table(schema_name: str) -> str:
    """Return the columns of one of the user's tables as a Markdown table: column, meaning, allowed, needed."""
    lines = _head("column", "meaning", "allowed", "column needed", "value needed")
    for field in table_schema(schema_name)["fields"]:
        needed = field.get("constraints", {}).get("required", False)
        allowed = allowed_value(field).removesuffix(", or nothing")
        lines.append(
            _row(f"`{field['name']}`", field["description"], allowed, _yes(not field.get("optional")), _yes(needed))
        )
    return "\n".join(lines)


def filled_page(text: str) -> str:
    """Return the page with the text between each pair of marks made anew.

    Raises:
        ValueError: where a mark is missing.
    """
    blocks = {"settings": settings_table(), **{name: columns_table(schema) for name, schema in TABLES.items()}}
    for name, block in blocks.items():
        start, end = f"<!-- {name}: made from the schema -->", f"<!-- end of {name} -->"
        pattern = re.compile(f"{re.escape(start)}.*?{re.escape(end)}", re.DOTALL)
        if len(pattern.findall(text)) != 1:
            raise ValueError(f"the page lacks its marks for {name}: {start} ... {end}")
        text = pattern.sub(lambda _, made=f"{start}\n{block}\n{end}": made, text)
    return text


def _head(*names: str) -> list[str]:
    return [_row(*names), _row(*("---" for _ in names))]


def _row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _yes(needed: bool) -> str:
    return "yes" if needed else "no"


def _default(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(_default, value))
    return str(value).lower() if isinstance(value, bool) else f"{value:.6g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    write_text(filled_page(PAGE.read_text(encoding="utf-8")), PAGE)
