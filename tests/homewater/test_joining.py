"""Parts of one or several files become one store: union of markers, canonical animals, the same bytes however cut."""

import json
from pathlib import Path

import pandas as pd
import pytest
from intake_runs import digest, imported, tables
from vcf_files import snp, vcf_text, written

from homewater import parts
from homewater.errors import InputError
from homewater.joining import canonical_samples


def rows(genotypes):
    names = genotypes.markers[["marker", "chrom", "pos", "ref", "alt"]].to_numpy().tolist()
    return [[*name, d] for name, d in zip(names, genotypes.select(range(genotypes.n_markers)).tolist(), strict=True)]


def test_canonical_order_is_that_of_sites_then_of_rows():
    samples = pd.DataFrame({"materialSampleID": list("abcde"), "species": ["x", "y", "x", "x", "x"],
                            "locationID": ["s", "n", "n", "s", "n"]})  # fmt: skip
    ordered = canonical_samples(samples, pd.DataFrame({"locationID": ["n", "s"]}), "x")
    assert ordered["materialSampleID"].tolist() == ["c", "e", "a", "d"]


def test_one_file_keeps_listed_animals_in_canonical_order(tmp_path):
    tables(tmp_path, [("d", "south"), ("a", "north"), ("gone", "north")])
    path = written(tmp_path / "x", vcf_text(["a", "b", "d"], [snp("chr1", 5, ["0/1", "1/1", "0/0"], "id1")]))
    genotypes = imported(tmp_path / "run", [path])
    assert genotypes.sample_ids.tolist() == ["a", "d"]
    assert genotypes.location_ids.tolist() == ["north", "south"]
    assert rows(genotypes) == [["id1", "chr1", 5, "A", "C", [1, 0]]]
    assert genotypes.attributes["animals_without_genotypes"] == ["gone"]
    assert genotypes.attributes["records"]["union"] == 1


def test_two_files_give_the_union_with_missing_where_absent_and_conflicts_counted(tmp_path):
    tables(tmp_path, [("d", "south"), ("a", "north"), ("b", "north")])
    first = [snp("chr2", 5, ["0/1", "1/1"], "p"), snp("chr2", 9, ["./.", "0/0"]), snp("chr1", 2, ["0/0", "0/1"])]
    second = [
        snp("chr1", 2, ["1/1", "0/0"]),
        snp("chr2", 5, ["0/0", "0/1"], "q"),
        snp("chr2", 9, ["0/1", "1/1"], "r"),
        ("chr2", 9, ".", "A", "G", "PASS", ["0/0", "0/1"]),
        snp("chr3", 1, ["0/1", "./."]),
    ]
    one = written(tmp_path / "one", vcf_text(["a", "b"], first, contigs=("chr2", "chr1")), "gzip")
    two = written(tmp_path / "two", vcf_text(["a", "d"], second), "plain")
    genotypes = imported(tmp_path / "run", [one, two])
    assert genotypes.sample_ids.tolist() == ["a", "b", "d"]
    assert rows(genotypes) == [
        ["p", "chr2", 5, "A", "C", [1, 1 + 1, 1]],  # a: 0/1 first, 0/0 in the second file: a conflict
        ["r", "chr2", 9, "A", "C", [1, 0, 2]],  # a: missing first, filled from the second
        ["chr2:9:A:G", "chr2", 9, "A", "G", [0, -1, 1]],
        ["chr1:2:A:C", "chr1", 2, "A", "C", [0, 1, 0]],  # a: 0/0 against 1/1: the second conflict
        ["chr3:1:A:C", "chr3", 1, "A", "C", [1, -1, -1]],
    ]
    assert genotypes.attributes["records"]["conflicting_genotypes"] == 2
    assert genotypes.attributes["records"]["kept"] == 8


def test_bytes_do_not_depend_on_the_number_of_parts(tmp_path, monkeypatch):
    tables(tmp_path, [("d", "south"), ("a", "north")])
    calls = ["0/0", "0/1", "1/1", "./."]
    records = [snp(f"chr{1 + i // 5000}", 1 + i % 5000, [calls[i % 4], calls[i * 7 % 3]]) for i in range(10000)]
    path = written(tmp_path / "x", vcf_text(["a", "d"], records), "tbi")
    whole = imported(tmp_path / "whole", [path])
    monkeypatch.setattr(parts, "PART_BYTES", path.stat().st_size / 3)
    cut = imported(tmp_path / "cut", [path])
    assert (tmp_path / "cut" / "2.zarr").exists()
    assert digest(tmp_path / "whole" / "genotypes.zarr") == digest(tmp_path / "cut" / "genotypes.zarr")
    assert cut.n_markers == whole.n_markers == 10000


def test_an_index_of_another_file_is_noticed(tmp_path, monkeypatch):
    tables(tmp_path, [("a", "north")])
    calls = ["0/0", "0/1", "1/1"]
    few = written(tmp_path / "few", vcf_text(["a"], [snp("chr1", i, [calls[i % 3]]) for i in range(1, 400)]), "tbi")
    path = written(tmp_path / "x", vcf_text(["a"], [snp("chr1", i, [calls[i % 3]]) for i in range(1, 500)]), "bgzip")
    Path(f"{few}.tbi").rename(f"{path}.tbi")
    monkeypatch.setattr(parts, "PART_BYTES", path.stat().st_size / 2)
    with pytest.raises(InputError) as caught:
        imported(tmp_path / "run", [path])
    assert "399 records by its index" in caught.value.problems[0].found


def test_no_marker_left_tells_why(tmp_path):
    tables(tmp_path, [("a", "north")])
    records = [("chr1", 1, ".", "A", "C,G", "PASS", ["0/0"]), ("chr1", 2, ".", "AT", "C", "PASS", ["0/0"])]
    with pytest.raises(InputError) as caught:
        imported(tmp_path / "run", [written(tmp_path / "x", vcf_text(["a"], records))])
    (problem,) = caught.value.problems
    assert problem.file == "x.vcf"
    assert problem.found == "no marker left of 2 records (1 multiallelic, 1 not_one_base)"


def test_plan_holds_no_path(tmp_path):
    tables(tmp_path, [("a", "north")])
    imported(tmp_path / "run", [written(tmp_path / "x", vcf_text(["a"], [snp("chr1", 1, ["0/1"])]))])
    plan = json.loads((tmp_path / "run" / "plan.json").read_text())
    assert plan == {
        "files": [{"name": "x.vcf", "contigs": ["chr1", "chr2"], "n_records": None}],
        "parts": [{"file": 0, "ranges": None}],
    }
