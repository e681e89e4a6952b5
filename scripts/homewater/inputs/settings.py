"""The study file: read, checked against workflow/schemas/study.yaml, and filled with the defaults that stand there."""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator, FormatChecker, validators
from jsonschema.exceptions import ValidationError

from homewater.inputs.settings_schema import allowed_text, filled, is_genotype_table, setting_rows, study_schema
from homewater.running.errors import InputError, Problem

WORKFLOW_KEYS = ("study_dir",)  # added to the configuration by scripts/run; no settings
_YAML_WORDS = "quote it: unquoted yes, no, on, off are true or false, and unquoted digits a number"


def load_study(path: str | Path) -> dict:
    """Read a study file.

    Args:
        path: the file; YAML 1.1 in UTF-8, a byte-order mark allowed.

    Returns:
        The full settings, every default filled in.

    Raises:
        InputError: where the file cannot be read or parsed, repeats a key, or breaks the schema; lists every problem,
            each with its line.
    """
    path = Path(path)
    text = _text_of(path)
    try:
        loader = _StudyLoader(text)
        node = loader.get_single_node()
        raw = None if node is None else loader.construct_document(node)
    except yaml.YAMLError as error:
        raise InputError(_syntax_problem(error, path.name, text)) from None
    except (RecursionError, ValueError) as error:
        raise InputError(
            Problem(path.name, "", "", f"YAML that cannot be read ({error})", "plain keys and values")
        ) from None
    if node is not None and _refers_to_itself(node):
        raise InputError(Problem(path.name, "", "", "an alias inside its own anchor", "plain keys and values"))
    lines = {} if node is None else dict(_lines(node, ()))
    problems = [Problem(path.name, *problem) for problem in loader.repeated]
    settings = _checked(raw, path.name, lines, problems)
    if problems:
        raise InputError(problems)
    return settings


def check_settings(raw: dict, file_name: str) -> dict:
    """Check settings that are parsed already (Snakemake's ``config``).

    Args:
        raw: the parsed study file; the keys of WORKFLOW_KEYS are left out of the result. Not changed.
        file_name: name of the study file, for messages.

    Returns:
        The full settings as new plain dictionaries, every default filled in. Whole numbers are int where the schema
        says integer and float where it says number; an unquoted date is text again.

    Raises:
        InputError: lists every problem with its key, list items counted from 1.
    """
    problems: list[Problem] = []
    if isinstance(raw, dict):
        raw = {key: value for key, value in raw.items() if key not in WORKFLOW_KEYS}
    settings = _checked(raw, file_name, {}, problems)
    if problems:
        raise InputError(problems)
    return settings


def input_files(settings: dict) -> list[tuple[str, str]]:
    """Return (key, path as written) of every file that the settings name, in the order of the study file's contract."""
    named = [(key, settings[key]) for key in ("samples", "sites", "transfers") if key in settings]
    if settings["coastline"] != "global":
        named.append(("coastline", settings["coastline"]))
    for number, species in enumerate(settings["species"], start=1):
        key = f"species[{number}]"
        named += [(f"{key}.genotypes[{i}]", path) for i, path in enumerate(species["genotypes"], start=1)]
        named += [
            (f"{key}.{name}", species[name])
            for name in ("marker_table", "reference", "native_range")
            if name in species
        ]
        if "map" in species["recombination"]:
            named.append((f"{key}.recombination.map", species["recombination"]["map"]))
    return named


def shown_names(settings: dict) -> dict[str, str]:
    """Return, by path as written, how messages and outputs call each file: so, but never by an absolute path."""
    names: dict[str, str] = {}
    for _, written in input_files(settings):
        if written not in names:
            name = short = Path(written).name if Path(written).is_absolute() else written
            number = 1
            while name in names.values():
                number += 1
                name = f"{short} ({number})"
            names[written] = name
    return names


# --- reading ---


class _StudyLoader(yaml.SafeLoader):
    """SafeLoader that notes every repeated key instead of letting the last one win in silence."""

    def __init__(self, stream: str):
        super().__init__(stream)
        self.repeated: list[tuple[str, str, str, str]] = []

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict:
        first: dict[str, int] = {}
        for key_node, _ in node.value:
            if isinstance(key_node, yaml.ScalarNode) and key_node.tag != "tag:yaml.org,2002:merge":
                key, line = key_node.value, key_node.start_mark.line + 1
                if key in first:
                    self.repeated.append(
                        (f"line {line}", "", f"the key {key} again (first in line {first[key]})", "each key once")
                    )
                first.setdefault(key, line)
        return super().construct_mapping(node, deep)


# a date stays text: an impossible one is then told by the schema, with its key
_StudyLoader.yaml_implicit_resolvers = {
    letter: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for letter, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def _text_of(path: Path) -> str:
    remedy = "the path of a study file (YAML)"
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise InputError(Problem(path.name, "", "", "no such file", remedy)) from None
    except IsADirectoryError:
        raise InputError(Problem(path.name, "", "", "a folder", remedy)) from None
    except OSError as error:
        raise InputError(Problem(path.name, "", "", f"a file that cannot be read ({error.strerror})", remedy)) from None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        found = f"byte 0x{content[error.start]:02X}, which is not UTF-8"
        raise InputError(Problem(path.name, f"line {line}", "", found, "text saved as UTF-8")) from None
    if not text.strip():
        raise InputError(
            Problem(path.name, "", "", "an empty file", "a study file; config/template.yaml is one to start from")
        )
    return text


def _syntax_problem(error: yaml.YAMLError, file_name: str, text: str) -> Problem:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    if mark is not None:
        line, found = mark.line + 1, " ".join(filter(None, (getattr(error, "context", None), error.problem)))
    else:  # a character that YAML does not allow
        line = text[: getattr(error, "position", 0)].count("\n") + 1
        found = f"a character that YAML does not allow (U+{getattr(error, 'character', 0):04X})"
    allowed = "valid YAML: `key: value`, indented by spaces (no tabs), text that holds `: ` or ` #` in quotes"
    return Problem(file_name, f"line {line}", "", found.replace("\t", "\\t"), allowed)


def _refers_to_itself(node: yaml.Node, above: tuple[int, ...] = ()) -> bool:
    if isinstance(node, yaml.ScalarNode):
        return False
    if id(node) in above:
        return True
    below = [n for pair in node.value for n in pair] if isinstance(node, yaml.MappingNode) else node.value
    return any(_refers_to_itself(child, (*above, id(node))) for child in below)


def _lines(node: yaml.Node, path: tuple) -> Iterator[tuple[tuple, int]]:
    """Yield (path, line) of every key and list item; paths as in jsonschema, list items from 0."""
    yield path, node.start_mark.line + 1
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            yield from _lines(value, (*path, str(key.value)))
            yield (*path, str(key.value)), key.start_mark.line + 1  # the key's own line stands, not its value's
    elif isinstance(node, yaml.SequenceNode):
        for index, item in enumerate(node.value):
            yield from _lines(item, (*path, index))


# --- checking ---


def _pattern(_validator: Any, pattern: str, value: Any, _schema: dict) -> Iterator[ValidationError]:
    """Check a pattern as the standard reads it: its $ is the end of the text, not a line break before the end."""
    if isinstance(value, str) and not re.search(re.sub(r"\$$", r"\\Z", pattern), value):
        yield ValidationError(f"{value!r} does not match {pattern!r}")


_Validator = validators.extend(Draft202012Validator, {"pattern": _pattern})


def _checked(raw: Any, file_name: str, lines: dict, problems: list[Problem]) -> dict:
    """Return the filled settings, or add what is wrong to `problems` in the order of the file (or of the keys)."""
    schema = study_schema()
    if not isinstance(raw, dict):
        problems.append(Problem(file_name, "", "", _shown(raw), "keys with values, as in config/template.yaml"))
        return {}
    raw = _plain(raw)
    found: dict[tuple, list[tuple[str, str]]] = {}
    for error in _Validator(schema, format_checker=FormatChecker(["date"])).iter_errors(raw):
        for path, *what in _explained(error):
            found.setdefault(path, []).append(tuple(what))
    for path, what in (*_not_finite(raw, ()), *_repeats(raw)):
        found.setdefault(path, []).append(what)
    order = {path: rank for rank, path in enumerate(_paths(raw, ()))}
    for path in sorted(found, key=lambda p: (order.get(p, order.get(p[:-1], 0)), _key_text(p))):
        line = lines.get(path) or (len(path) > 1 and lines.get(path[:-1]))
        place = ", ".join(part for part in (f"line {line}" if line else "", _key_text(path)) if part)
        seen: set[str] = set()
        for value, allowed in found[path]:
            if value not in seen:  # one value that breaks two rules is one problem
                problems.append(Problem(file_name, place, "", value, allowed))
            seen.add(value)
    return {} if problems else filled(raw, schema)


def _plain(value: Any) -> Any:
    """Return plain dictionaries and lists, dates as text, keys without a value left out as if they were absent."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def _paths(value: Any, path: tuple) -> Iterator[tuple]:
    yield path
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _paths(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _paths(item, (*path, index))


def _key_text(path: tuple) -> str:
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) and not isinstance(part, bool) else f".{part}"
    return text.removeprefix(".")


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (dict, list)):
        return f"{'keys with values' if isinstance(value, dict) else 'a list'} ({len(value)})"
    return f"the text {value!r}" if isinstance(value, str) else repr(value)


def _explained(error: ValidationError) -> Iterator[tuple[tuple, str, str]]:
    """Yield (path, found, allowed) for one error of the validator."""
    path, value, schema = tuple(error.absolute_path), error.instance, error.schema
    if error.validator == "required":
        for key in schema["required"]:
            if key not in value and repr(key) in error.message:
                yield (*path, key), "no such key", allowed_text(schema["properties"][key])
    elif error.validator == "additionalProperties":
        for key in value:
            if key not in schema["properties"]:
                yield (*path, key), "an unknown setting", _nearest(str(key), schema)
    elif error.validator == "type":
        allowed, hint = allowed_text(schema), ""
        if schema.get("type") == "string" and isinstance(value, (bool, int, float)):
            hint = f" ({_YAML_WORDS})"
        elif schema.get("type") in ("number", "integer") and isinstance(value, str):
            hint = (
                " (without quotes, with a decimal point; a small number as 0.001 or 1.0e-3)" if _numeric(value) else ""
            )
        yield path, _shown(value), allowed + hint
    else:
        yield path, _shown(value), allowed_text(schema)


def _numeric(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _nearest(key: str, schema: dict) -> str:
    """Return what is allowed instead of an unknown key, the nearest known one first, here or in another section."""
    here = list(schema["properties"])
    by_lower = {name.lower(): name for name in here}
    if match := difflib.get_close_matches(key.lower(), by_lower, n=1, cutoff=0.6):
        return f"the known settings; did you mean {by_lower[match[0]]}?"
    elsewhere = [row["key"] for row in setting_rows()]
    if match := difflib.get_close_matches(
        key.lower(), [name.rsplit(".", 1)[-1] for name in elsewhere], n=1, cutoff=0.8
    ):
        named = " or ".join(name for name in elsewhere if name.rsplit(".", 1)[-1] == match[0])
        return f"the known settings; did you mean {named}?"
    return "one of " + ", ".join(here)


def _not_finite(value: Any, path: tuple) -> Iterator[tuple[tuple, tuple[str, str]]]:
    for inner in _paths(value, path):
        item = value
        for part in inner:
            item = item[part]
        if isinstance(item, float) and not math.isfinite(item):
            yield inner, (_shown(item), "a finite number")


def _repeats(raw: dict) -> Iterator[tuple[tuple, tuple[str, str]]]:
    species = raw.get("species")
    entries = [s if isinstance(s, dict) else {} for s in species] if isinstance(species, list) else []
    ids = [entry.get("id") for entry in entries]
    for index, name in enumerate(ids):
        if isinstance(name, str) and name in ids[:index]:
            yield (
                ("species", index, "id"),
                (f"{name} again (first in species[{ids.index(name) + 1}])", "an id of its own for each species"),
            )
    for index, entry in enumerate(entries):
        files = entry["genotypes"] if isinstance(entry.get("genotypes"), list) else []
        for number, path in enumerate(files):
            if isinstance(path, str) and path in files[:number]:
                yield ("species", index, "genotypes", number), (f"{path} again", "each file once")
        tables = [path for path in files if isinstance(path, str) and is_genotype_table(path)]
        if tables and "marker_table" not in entry:
            allowed = "a CSV with the place and the alleles of each marker (marker, chrom, pos, ref, alt)"
            yield ("species", index, "marker_table"), (f"no such key beside the genotype table {tables[0]}", allowed)
        elif "marker_table" in entry and not tables:
            found = "a marker table without a genotype table"
            yield ("species", index, "marker_table"), (found, "a CSV among the genotypes, or no such key")
    sizes = raw["panel"].get("sizes") if isinstance(raw.get("panel"), dict) else None
    if isinstance(sizes, list):
        for size, times in Counter(s for s in sizes if isinstance(s, (int, float))).items():
            if times > 1:
                yield ("panel", "sizes"), (f"{size} {times} times", "each size once")
