"""The record of a run: checksums, relative paths, differences."""

import hashlib
import json

import pytest

from homewater.report.pages.manifest import build_manifest, differences, input_checksums, relative_settings


def settings(**changes) -> dict:
    species = {"id": "topshell", "genotypes": ["calls/a.vcf", "calls/b.vcf"], "recombination": {"map": "map.csv"}}
    return {"study": {"id": "aldermark"}, "species": [species], "samples": "samples.csv", "sites": "sites.csv",
            "coastline": "global"} | changes  # fmt: skip


@pytest.fixture
def study(tmp_path):
    for name in ("calls/a.vcf", "calls/b.vcf", "map.csv", "samples.csv", "sites.csv"):
        file = tmp_path / "study" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(name)
    return tmp_path / "study"


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def test_inputs_are_named_from_the_studys_folder(study):
    names = ("samples.csv", "sites.csv", "calls/a.vcf", "calls/b.vcf", "map.csv")
    assert input_checksums(settings(), study) == {name: sha(name) for name in names}


def test_absolute_paths_do_not_reach_the_record(study):
    given = settings(samples=str(study / "samples.csv"), sites=str(study.parent / "elsewhere.csv"))
    given["species"][0]["genotypes"][1] = str(study / "calls" / "b.vcf")
    kept = json.dumps(given)
    relative = relative_settings(given, study)
    assert json.dumps(given) == kept
    assert relative["samples"] == "samples.csv"
    assert relative["sites"] == "../elsewhere.csv"
    assert relative["species"][0]["genotypes"] == ["calls/a.vcf", "calls/b.vcf"]


def test_the_record_is_the_same_in_two_folders(study, tmp_path):
    (tmp_path / "table.csv").write_text("a,b\n")
    (tmp_path / "moved").mkdir()
    study.rename(tmp_path / "moved" / "study")
    outputs = {"results/aldermark/table.csv": tmp_path / "table.csv"}
    record = build_manifest(settings(), "/x/study.yaml", tmp_path / "moved" / "study", outputs)
    (tmp_path / "moved" / "study").rename(study)
    assert record == build_manifest(settings(), "study.yaml", study, outputs)
    assert record["study_file"] == "study.yaml"
    assert record["study_id"] == "aldermark"
    assert record["outputs"] == {"results/aldermark/table.csv": sha("a,b\n")}
    assert str(tmp_path) not in json.dumps(record)


def test_differences_names_what_changed_is_missing_or_new():
    assert differences({"a": "1", "b": "1", "c": "1"}, {"a": "1", "b": "2", "d": "1"}) == [
        ("b", "changed"),
        ("c", "missing"),
        ("d", "new"),
    ]
    assert differences({"a": "1"}, {"a": "1"}) == []
