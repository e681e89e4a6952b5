"""Settings: defaults from the schema alone, every problem with its key, and traps of YAML told as such."""

import copy
import datetime
import re
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator
from tests.made_inputs import STUDY

from homewater.inputs.settings import check_settings, input_files, load_study, shown_names
from homewater.inputs.settings_schema import SCHEMA, setting_rows
from homewater.running.errors import InputError

ROOT = Path(__file__).resolve().parents[3]


def changed(path: str, value: object) -> dict:
    """Return the handmade study with one key set (or removed, by `...`)."""
    study = copy.deepcopy(STUDY)
    *above, last = [int(p) if p.isdigit() else p for p in path.split("/")]
    node = study
    for part in above:
        node = node.setdefault(part, {}) if isinstance(node, dict) else node[part]
    if value is ...:
        del node[last]
    else:
        node[last] = value
    return study


def problems_of(study: object) -> list[tuple[str, str, str]]:
    with pytest.raises(InputError) as caught:
        check_settings(study, "study.yaml")
    assert all(p.file == "study.yaml" and p.allowed for p in caught.value.problems)
    return [(p.place, p.found, p.allowed) for p in caught.value.problems]


def load(folder: Path, text: str | bytes) -> dict:
    path = folder / "study.yaml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_study(path)


def loading_problems(folder: Path, text: str | bytes) -> list[tuple[str, str]]:
    with pytest.raises(InputError) as caught:
        load(folder, text)
    assert all(p.file == "study.yaml" and p.allowed for p in caught.value.problems)
    return [(p.place, p.found) for p in caught.value.problems]


def test_schema_is_a_valid_schema_and_closed_everywhere():
    """The standard's own meta-schema (JSON Schema 2020-12) accepts it; no object lets an unknown key pass."""
    schema = yaml.safe_load(SCHEMA.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)

    def closed(node: object) -> None:
        if isinstance(node, dict):
            if node.get("type") == "object":
                assert node["additionalProperties"] is False
            for inner in node.values():
                closed(inner)

    closed(schema)


def test_every_setting_has_a_meaning_and_every_default_a_reason():
    told_in_its_meaning = {"study.invented", "report.language"}
    for row in setting_rows():
        assert row["schema"].get("description"), row["key"]
        if "default" in row["schema"] and row["key"] not in told_in_its_meaning:
            assert row["schema"].get("reason"), row["key"]
        if row["schema"]["type"] in ("number", "integer") and row["key"] != "study.seed":
            assert row["schema"].get("unit"), row["key"]


def test_defaults_obey_their_own_schema():
    """Filled settings pass the check again and do not change by it."""
    filled = check_settings(STUDY, "study.yaml")
    assert check_settings(filled, "study.yaml") == filled


def test_each_default_arrives_at_its_key():
    filled = check_settings(STUDY, "study.yaml")
    for row in setting_rows():
        if "default" in row["schema"]:
            node = filled
            for part in row["key"].split("."):
                node = node[part.removesuffix("[]")]
                node = node[0] if part.endswith("[]") else node
            assert node == row["schema"]["default"], row["key"]


def test_defaults_fill_around_what_is_given_and_leave_the_input_alone():
    study = changed("species/0/recombination", {"map": "map.csv"})
    study["markers"] = {"thinning_r2": 1}
    before = copy.deepcopy(study)
    filled = check_settings(study, "study.yaml")
    assert study == before
    assert filled["species"][0]["recombination"] == {"cm_per_chromosome": 50.0, "map": "map.csv"}
    assert filled["markers"]["thinning_r2"] == 1.0
    assert isinstance(filled["markers"]["thinning_r2"], float)
    assert filled["markers"]["min_call_rate"] == 0.9
    assert "date" not in filled["report"]


def test_numbers_take_the_type_of_the_schema():
    study = changed("study/seed", 5.0)
    filled = check_settings(study, "study.yaml")
    assert repr(filled["study"]["seed"]) == "5"
    assert repr(filled["species"][0]["generation_years"]) == "3.0"


def test_the_key_that_the_launcher_adds_is_kept_apart():
    assert "study_dir" not in check_settings({**STUDY, "study_dir": "/somewhere"}, "study.yaml")


def test_a_key_without_a_value_counts_as_absent():
    """A section whose keys are all commented out reads as nothing."""
    filled = check_settings({**STUDY, "markers": None, "transfers": None}, "study.yaml")
    assert filled["markers"]["min_call_rate"] == 0.9
    assert "transfers" not in filled
    assert problems_of({**STUDY, "samples": None}) == [("samples", "no such key", "text")]


@pytest.mark.parametrize(
    ("path", "value", "place", "found", "allowed"),
    [
        ("study/seed", ..., "study.seed", "no such key", "a whole number"),
        ("study/seed", -1, "study.seed", "-1", "at least 0"),
        ("study/seed", 1.5, "study.seed", "1.5", "a whole number"),
        ("study/seed", True, "study.seed", "true", "a whole number"),
        ("study/id", "Topshells", "study.id", "the text 'Topshells'", "lower-case"),
        ("study/id", "inputs", "study.id", "the text 'inputs'", "not inputs or logs"),
        ("study/id", "a" * 41, "study.id", f"the text '{'a' * 41}'", "at most 39"),
        ("study/id", "a\n", "study.id", "the text 'a\\n'", "lower-case"),
        ("study/id", False, "study.id", "false", "quote it"),
        ("study/title", 2024, "study.title", "2024", "quote it"),
        ("species", [], "species", "a list (0)", "at least 1"),
        ("species", {}, "species", "keys with values (0)", "a list"),
        ("species/0/genotypes", "a.vcf", "species[1].genotypes", "the text 'a.vcf'", "a list"),
        ("species/0/genotypes", [], "species[1].genotypes", "a list (0)", "at least 1"),
        ("species/0/genotypes", ["a", 3], "species[1].genotypes[2]", "3", "text"),
        ("species/0/genotypes", ["a", "a"], "species[1].genotypes[2]", "a again", "once"),
        ("species/0/generation_years", 0, "species[1].generation_years", "0", "above 0 (years)"),
        ("species/0/generation_years", float("nan"), "species[1].generation_years", "nan", "finite"),
        ("species/0/generation_years", float("inf"), "species[1].generation_years", "inf", "finite"),
        ("species/0/recombination/cm_per_chromosome", 0, "species[1].recombination.cm_per_chromosome", "0", "above 0"),
        ("species/0/generation_year", 3, "species[1].generation_year", "an unknown setting", "generation_years"),
        ("marker", {}, "marker", "an unknown setting", "did you mean markers?"),
        ("Markers", {}, "Markers", "an unknown setting", "did you mean markers?"),
        ("markers/min_cal_rate", 0.5, "markers.min_cal_rate", "an unknown setting", "did you mean min_call_rate?"),
        (
            "markers/permutations",
            99,
            "markers.permutations",
            "an unknown setting",
            "did you mean structure.permutations?",
        ),
        ("zzz", 1, "zzz", "an unknown setting", "one of study, species"),
        ("markers/thinning_r2", 1.01, "markers.thinning_r2", "1.01", "at most 1 (squared correlation)"),
        ("markers/thinning_r2", "1e-3", "markers.thinning_r2", "the text '1e-3'", "1.0e-3"),
        ("markers/thinning_r2", "0,2", "markers.thinning_r2", "the text '0,2'", "decimal point"),
        ("markers", 3, "markers", "3", "keys with values: min_sample_call_rate"),
        ("panel/sizes", [12, 12], "panel.sizes", "12 2 times", "each size once"),
        ("panel/sizes", [12, 2], "panel.sizes[2]", "2", "at least 4"),
        ("report/language", "kelp", "report.language", "the text 'kelp'", "one of en"),
        ("report/date", "2024-02-30", "report.date", "the text '2024-02-30'", "YYYY-MM-DD"),
        ("report/date", "24-02-03", "report.date", "the text '24-02-03'", "YYYY-MM-DD"),
    ],
)
def test_a_wrong_setting_is_told_once_with_its_key(path, value, place, found, allowed):
    problems = problems_of(changed(path, value))
    assert [(p, f) for p, f, _ in problems] == [(place, found)]
    assert allowed in problems[0][2]


def test_an_unknown_setting_known_in_two_sections_names_both():
    ((_, _, allowed),) = problems_of(changed("min_call_rate", 0.5))
    assert "markers.min_call_rate" in allowed
    assert "panel.min_call_rate" in allowed


def test_all_problems_are_told_in_the_order_of_the_file():
    study = changed("study/seed", -1)
    study["species"].append({**study["species"][0], "generation_years": -3})
    study["reprot"] = {}
    del study["sites"]
    places = [place for place, _, _ in problems_of(study)]
    assert sorted(places) == ["reprot", "sites", "species[2].generation_years", "species[2].id", "study.seed"]
    assert places.index("study.seed") < places.index("species[2].id") < places.index("reprot")


@pytest.mark.parametrize("raw", [None, [], "text", 3])
def test_what_is_no_mapping_is_refused(raw):
    ((place, _, _),) = problems_of(raw)
    assert place == ""


def test_an_unquoted_date_is_a_date_again_whoever_parsed_it(tmp_path):
    """YAML 1.1 turns an unquoted date into a date object; the settings hold text."""
    filled = check_settings(changed("report/date", datetime.date(2024, 2, 29)), "study.yaml")
    assert filled["report"]["date"] == "2024-02-29"
    assert load(tmp_path, yaml.safe_dump(STUDY) + "report: {date: 2024-02-29}\n") == filled


# --- the file itself ---

GOOD = yaml.safe_dump(STUDY, sort_keys=False)


@pytest.mark.parametrize("text", [GOOD, "\ufeff" + GOOD, GOOD.replace("\n", "\r\n"), "# a comment\n---\n" + GOOD])
def test_a_good_file_loads_whatever_its_dress(tmp_path, text):
    assert load(tmp_path, text) == check_settings(STUDY, "study.yaml")


def line_of(text: str, start: str) -> str:
    return f"line {next(i for i, line in enumerate(text.splitlines(), 1) if line.strip().startswith(start))}"


def test_a_problem_of_a_file_has_its_line(tmp_path):
    text = GOOD.replace("seed: 7", "seed: seven").replace("generation_years: 3", "generation_year: 3")
    assert loading_problems(tmp_path, text) == [
        (f"{line_of(text, 'seed')}, study.seed", "the text 'seven'"),
        (f"{line_of(text, '- id')}, species[1].generation_years", "no such key"),
        (f"{line_of(text, 'generation_year')}, species[1].generation_year", "an unknown setting"),
    ]


def test_a_key_missing_from_the_whole_file_has_no_line(tmp_path):
    assert loading_problems(tmp_path, GOOD.replace("sites: sites.csv\n", "")) == [("sites", "no such key")]


def test_every_repeated_key_is_told_with_both_lines(tmp_path):
    text = GOOD + "samples: b.csv\nmarkers:\n  thinning_r2: 0.1\n  thinning_r2: 0.3\n"
    n = len(GOOD.splitlines())
    first = line_of(text, "samples")
    assert loading_problems(tmp_path, text) == [
        (f"line {n + 1}", f"the key samples again (first in {first})"),
        (f"line {n + 4}", f"the key thinning_r2 again (first in line {n + 3})"),
    ]


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        ("study: {id: a\nspecies: [\n", "line 2", "flow"),
        ("study:\n\tid: a\n", "line 2", "\\t"),
        ("study: a\n  id: b\n", "line 2", "mapping values"),
        ("a: 1\n---\nb: 2\n", "line 2", "another document"),
        ("a: !!python/object:os.system 1\n", "line 1", "constructor"),
        ("a: 1\nb: \x07\n", "line 2", "U+0007"),
        (b"study:\n  title: Nordk\xfcste\n", "line 2", "byte 0xFC, which is not UTF-8"),
        ("", "", "an empty file"),
        (" \n\n", "", "an empty file"),
        ("# nothing but a comment\n", "", "nothing"),
        ("a: &x [*x]\n", "", "an alias inside its own anchor"),
        ("a: " + "[" * 5000, "", "YAML that cannot be read"),
    ],
)
def test_what_is_no_yaml_is_refused_with_its_line(tmp_path, text, place, found):
    problems = loading_problems(tmp_path, text)
    assert len(problems) == 1
    assert problems[0][0] == place
    assert found in problems[0][1]


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    for path, found in ((tmp_path / "no.yaml", "no such file"), (tmp_path, "a folder")):
        with pytest.raises(InputError) as caught:
            load_study(path)
        assert [(p.file, p.found) for p in caught.value.problems] == [(path.name, found)]


def test_no_lone_word_of_yaml_passes_for_text(tmp_path):
    """YAML 1.1 reads these words as true or false; an id written so is refused with the remedy, not run as `False`."""
    for word in ("no", "yes", "on", "off", "No", "TRUE"):
        text = GOOD.replace("id: topshells", f"id: {word}")
        problems = loading_problems(tmp_path, text)
        assert [(place, found in ("true", "false")) for place, found in problems] == [
            (f"{line_of(text, 'id')}, study.id", True)
        ]


# --- files that settings name ---


def test_files_are_named_in_one_order_and_never_by_an_absolute_path():
    study = changed("species/0/genotypes", ["b/x.vcf", "/data/x.vcf", "/other/x.vcf", "x.vcf"])
    study["species"][0] |= {"reference": "r.fa", "native_range": "n.json", "recombination": {"map": "m.csv"}}
    study["coastline"] = "coast.json"
    filled = check_settings(study, "study.yaml")
    assert input_files(filled) == [
        ("samples", "samples.csv"),
        ("sites", "sites.csv"),
        ("transfers", "transfers.csv"),
        ("coastline", "coast.json"),
        ("species[1].genotypes[1]", "b/x.vcf"),
        ("species[1].genotypes[2]", "/data/x.vcf"),
        ("species[1].genotypes[3]", "/other/x.vcf"),
        ("species[1].genotypes[4]", "x.vcf"),
        ("species[1].reference", "r.fa"),
        ("species[1].native_range", "n.json"),
        ("species[1].recombination.map", "m.csv"),
    ]
    names = shown_names(filled)
    assert len(set(names.values())) == len(names)
    assert not any(name.startswith("/") for name in names.values())
    assert names["b/x.vcf"] == "b/x.vcf"
    assert names["/data/x.vcf"] == "x.vcf"


# --- the study file to fill in ---

TEMPLATE = ROOT / "config" / "template.yaml"


def test_the_template_is_a_valid_study():
    filled = load_study(TEMPLATE)
    assert filled["coastline"] == "global"


def test_what_the_template_comments_out_are_all_defaults():
    """Uncommented, its keys are known and its values are those of the schema (files and dates aside)."""
    text = TEMPLATE.read_text(encoding="utf-8").split("\n\n", 1)[1]
    raw = yaml.safe_load(re.sub(r"(?m)^( *)# ", r"\1", text))
    for example in ("reference", "native_range"):
        del raw["species"][0][example]
    del raw["species"][0]["recombination"]["map"], raw["transfers"], raw["report"]["date"]
    assert check_settings(raw, "template.yaml") == load_study(TEMPLATE)
    named = {key for key, value in raw.items() if isinstance(value, dict)}
    for row in setting_rows():
        section, _, key = row["key"].partition(".")
        if key and section in named and "default" in row["schema"]:
            assert key in raw[section], f"{row['key']} is not in the template"
