"""The message catalogue: complete, without leftovers, and safe with any value."""

import ast
import inspect
import json
import re
from pathlib import Path

import pytest
import yaml
from markupsafe import Markup

from homewater.report.words.catalogue import Catalogue, CatalogueError, placeholders
from homewater.units.statements import further_statements, statement_of

ROOT = Path(__file__).resolve().parents[4]
ENTRIES = yaml.safe_load((ROOT / "workflow" / "templates" / "catalogue" / "en.yaml").read_text(encoding="utf-8"))
TEMPLATE = (ROOT / "workflow" / "templates" / "report.html.j2").read_text(encoding="utf-8")
MODULES = sorted((ROOT / "scripts" / "homewater" / "report").rglob("*.py"))
CALLS = {"say", "plain", "drawn", "column", "word"}
# Where the values come from that ids are put together from, so that none lacks its words and none is left over.
SCHEMAS = ROOT / "workflow" / "schemas" / "tables"


def schema_values(table: str, column: str) -> set[str]:
    fields = json.loads((SCHEMAS / f"{table}.json").read_text(encoding="utf-8"))["fields"]
    return set(next(f for f in fields if f["name"] == column)["constraints"]["enum"]) - {""}


def statement_ids() -> set[str]:
    """Return the ids that the units' statement can take, read from the function that chooses it."""
    chooser = ast.parse(inspect.getsource(statement_of))
    returns = [n.value for n in ast.walk(chooser) if isinstance(n, ast.Return)]
    texts = [n.value for value in returns for n in _results(value)]
    assert texts
    return set(texts)


def further_ids() -> set[str]:
    """Return the ids of what may be said besides, read from the function that chooses them."""
    chooser = ast.parse(inspect.getsource(further_statements))
    told = next(n for n in ast.walk(chooser) if isinstance(n, ast.Dict))
    return {key.value for key in told.keys}


def _results(value: ast.expr) -> list[ast.Constant]:
    return _results(value.body) + _results(value.orelse) if isinstance(value, ast.IfExp) else [value]


def ids_in_code() -> tuple[dict[str, set[str]], list[re.Pattern]]:
    """Return the ids written out in calls (with the names of the values given) and patterns of those put together."""
    literal: dict[str, set[str]] = {}
    patterns = []
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
                text = "".join(v.value if isinstance(v, ast.Constant) else "\0" for v in node.values)
                if re.match(r"[a-z_]+\.", text):
                    patterns.append(re.compile(re.escape(text).replace("\0", "[A-Za-z0-9_]+")))
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in ENTRIES:
                literal.setdefault(node.value, set())
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in CALLS and node.args:
                first = node.args[0]
                for choice in (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,):
                    if isinstance(choice, ast.Constant) and isinstance(choice.value, str):
                        literal.setdefault(choice.value, set())
    for name in re.findall(r"(?:say|plain)\(\"([^\"]+)\"", TEMPLATE):
        literal.setdefault(name, set())
    return literal, patterns


def test_every_id_in_code_and_template_has_words():
    literal, _ = ids_in_code()
    assert len(literal) > 100
    assert not sorted(name for name in literal if name not in ENTRIES)


def test_every_entry_is_used():
    literal, patterns = ids_in_code()
    assert not [n for n in ENTRIES if n not in literal and not any(p.fullmatch(n) for p in patterns)]


@pytest.mark.parametrize(
    ("family", "values"),
    [
        ("advice", schema_values("source_ranking", "advice")),
        ("outcome", schema_values("calls", "outcome")),
        ("role", schema_values("calls", "role")),
        ("filter", schema_values("filter_summary", "step")),
        ("what", schema_values("filter_summary", "what")),
        ("kind", schema_values("input_sites", "kind")),
        ("fishing", schema_values("input_sites", "fishing")),
        (
            "class",
            schema_values("origin_classes", "class") | {"or", "mixed"} | schema_values("class_power", "called_class"),
        ),
        ("reading", schema_values("breaks", "reading")),
        ("spectrum.reading", schema_values("frequency_spectrum", "reading") - {"too_few"}),
        ("blocks.reading", schema_values("genome_blocks", "reading")),
        ("blocks.meaning", schema_values("genome_blocks", "reading")),
        ("figure.block", schema_values("block_sites", "what")),
        ("grouping", schema_values("variance_shares", "grouping")),
        ("cline.status", schema_values("clines", "status") - {"fitted"}),
        ("statement", statement_ids()),
        ("further", further_ids()),
        ("origin", schema_values("origin_classes", "class")),
        ("month", {f"{month:02d}" for month in range(1, 13)}),
        (
            "effective",
            (
                schema_values("site_diversity", "effective_size_basis")
                | schema_values("site_years", "temporal_size_basis")
            )
            - {"estimated"}
            | {"above"},
        ),
    ],
)
def test_every_value_that_a_table_may_hold_has_words_and_no_other(family, values):
    assert {name.removeprefix(f"{family}.") for name in ENTRIES if name.startswith(f"{family}.")} == values


def test_entries_are_texts_or_pairs_with_the_same_values():
    for name, entry in ENTRIES.items():
        if isinstance(entry, dict):
            assert set(entry) == {"one", "other"}, name
            count = {"count", "count_word", "Count_word"}
            assert placeholders(entry["one"]) - count <= placeholders(entry["other"]) - count, name
        else:
            assert isinstance(entry, str), name
            assert entry.strip() == entry or name.startswith(("format.", "class.or")), name


def test_marks_are_closed():
    for name, entry in ENTRIES.items():
        for text in [entry] if isinstance(entry, str) else entry.values():
            assert text.count("**") % 2 == 0, name
            assert text.count("~") % 2 == 0, name


CATALOGUE = Catalogue(
    {
        "format.thousands": ",",
        "numeral.2": "two",
        "line": "Between {a} and *{b}*: F~ST~ is **{x}**.",
        "stocks": {"one": "One stock.", "other": "{Count_word} stocks, {count_word}, {count}."},
    }
)


def test_marks_and_values_in_html():
    text = CATALOGUE.say("line", a="<a&b>", b="*c* ~d~ {x}", x=Markup("<i>1</i>"))
    assert text == "Between &lt;a&amp;b&gt; and <em>*c* ~d~ {x}</em>: F<sub>ST</sub> is <strong><i>1</i></strong>."


def test_plain_text_and_figure_text():
    assert CATALOGUE.plain("line", a="<a>", b="b", x=1) == "Between <a> and b: FST is 1."
    assert CATALOGUE.drawn("line", a="$a", b="b", x=1) == r"Between \$a and b: F$_{\mathrm{ST}}$ is 1."


def test_numbers_as_words():
    assert CATALOGUE.plain("stocks", count=1) == "One stock."
    assert CATALOGUE.plain("stocks", count=2) == "Two stocks, two, 2."
    assert CATALOGUE.plain("stocks", count=1200) == "1,200 stocks, 1,200, 1,200."


@pytest.mark.parametrize(
    ("name", "values", "text"),
    [
        ("missing", {}, "no entry missing"),
        ("line", {"a": 1, "b": 2}, "lacks ['x']"),
        ("line", {"a": 1, "b": 2, "x": 3, "y": 4}, "no place for ['y']"),
        ("stocks", {}, "needs the value count"),
    ],
)
def test_faults_of_the_program_are_told(name, values, text):
    with pytest.raises(CatalogueError, match=re.escape(text)):
        CATALOGUE.say(name, **values)


def test_the_template_holds_no_prose():
    """What is left of the template without tags and Jinja holds no letter."""
    left = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", "", TEMPLATE, flags=re.S)
    left = re.sub(r"<[^<>]*>", "", left)
    assert not re.findall(r"[A-Za-z]+", left)
    attributes = re.findall(r"(?:alt|title|aria-label|content)=\"([^\"{]*[A-Za-z][^\"]*)\"", TEMPLATE)
    assert set(attributes) <= {"width=device-width, initial-scale=1"}


def test_the_style_sheet_writes_no_words():
    styles = (ROOT / "workflow" / "templates" / "style.css").read_text(encoding="utf-8")
    for content in re.findall(r"content:\s*([^;}]+)", styles):
        quoted = re.sub(r"\\[0-9a-fA-F]+", "", " ".join(re.findall(r"\"([^\"]*)\"", content)))
        assert not re.findall(r"[A-Za-z]", quoted)
