"""The record of a run: checksums, relative paths, versions, differences."""

import hashlib
import json
import subprocess
import sys

import pytest

from homewater.report.pages.manifest import (
    all_versions,
    build_manifest,
    checksum,
    differences,
    input_checksums,
    locked_names,
    relative_settings,
    system_versions,
    version_differences,
)


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


def test_checksum_of_a_file_is_that_of_sha256sum(tmp_path):
    file = tmp_path / "x"
    file.write_bytes(b"tide\0" * 100_000)
    told = subprocess.run(["sha256sum", file], capture_output=True, text=True, check=True).stdout.split()[0]
    assert checksum(file) == told


def test_checksum_of_a_folder_is_over_sorted_relative_names(tmp_path):
    for top in ("one", "two"):
        names = ["b/c", "b.txt", "a"]
        for name in names if top == "one" else reversed(names):
            file = tmp_path / top / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text("content of " + name)
    by_hand = "".join(f"{name}\0{sha('content of ' + name)}\n" for name in ("a", "b.txt", "b/c"))
    assert checksum(tmp_path / "one") == checksum(tmp_path / "two") == sha(by_hand)


@pytest.mark.parametrize("change", ["content", "name", "extra"])
def test_checksum_of_a_folder_changes_with(tmp_path, change):
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / "a").write_text("1")
    before = checksum(tmp_path / "f")
    if change == "content":
        (tmp_path / "f" / "a").write_text("2")
    elif change == "name":
        (tmp_path / "f" / "a").rename(tmp_path / "f" / "b")
    else:
        (tmp_path / "f" / "c").write_text("")
    assert checksum(tmp_path / "f") != before


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


def test_lock_file_names_are_read():
    lock = "numpy==2.4.6 \\\n    --hash=sha256:00\nfont-source-sans-pro==0.0.1 \\\n    --hash=sha256:11\n# x==1\n"
    assert locked_names(lock) == ["numpy", "font-source-sans-pro"]


def test_versions_are_those_that_python_reports():
    found = all_versions("numpy==0 \\\nnot-installed-anywhere==1 \\\n")
    told = subprocess.run(
        [sys.executable, "-c", "import numpy, platform; print(numpy.__version__, platform.python_version())"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert [found["packages"]["numpy"], found["python"]] == told
    assert list(found["packages"]) == ["numpy"]


def test_system_libraries_say_their_versions():
    for name in ("pango", "harfbuzz", "fontconfig"):
        assert [part.isdigit() for part in system_versions()[name].split(".")] == [True] * 3
    assert system_versions()["libc"].startswith("glibc 2.")


def test_differences_names_what_changed_is_missing_or_new():
    assert differences({"a": "1", "b": "1", "c": "1"}, {"a": "1", "b": "2", "d": "1"}) == [
        ("b", "changed"),
        ("c", "missing"),
        ("d", "new"),
    ]
    assert differences({"a": "1"}, {"a": "1"}) == []


def test_version_differences_put_system_libraries_first():
    old = {"python": "3.11.2", "pango": "1.50.12", "packages": {"numpy": "2.4.6", "zarr": "3.1.6"}}
    new = {"python": "3.11.2", "pango": "1.56.3", "packages": {"numpy": "2.4.7", "zarr": "3.1.6"}}
    assert version_differences(old, new) == [("pango", "1.50.12", "1.56.3"), ("numpy", "2.4.6", "2.4.7")]
