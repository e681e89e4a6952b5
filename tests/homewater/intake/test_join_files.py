"""Parts of one or several files become one store: union of markers, canonical animals, the same bytes however cut."""

import csv
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.intake_steps import digest, imported, tables
from tests.made_vcf import snp, vcf_text, written

from homewater.genotypes.store import StoredAnimals, open_genotypes, write_genotypes
from homewater.genotypes.variant_blocks import VariantBlock
from homewater.intake import file_conflicts, genome_parts, join_files
from homewater.intake.join_files import Joined, canonical_samples
from homewater.running.errors import InputError
from homewater.tables.schema_tables import read_table


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
        ["p", "chr2", 5, "A", "C", [-1, 2, 1]],  # a: 0/1 first, 0/0 in the second file: a conflict
        ["r", "chr2", 9, "A", "C", [1, 0, 2]],  # a: missing first, filled from the second
        ["chr2:9:A:G", "chr2", 9, "A", "G", [0, -1, 1]],
        ["chr1:2:A:C", "chr1", 2, "A", "C", [-1, 1, 0]],  # a: 0/0 against 1/1: the second conflict
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
    monkeypatch.setattr(genome_parts, "PART_BYTES", path.stat().st_size / 3)
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
    monkeypatch.setattr(genome_parts, "PART_BYTES", path.stat().st_size / 2)
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


def conflicts_of(folder):
    with open(folder / "run" / "file_conflicts.csv", encoding="utf-8", newline="") as handle:
        return list(csv.reader(handle))[1:]


def test_one_file_has_no_conflicts_and_a_table_with_a_header_alone(tmp_path):
    tables(tmp_path, [("a", "north")])
    genotypes = imported(tmp_path / "run", [written(tmp_path / "x", vcf_text(["a"], [snp("chr1", 1, ["0/1"])]))])
    assert conflicts_of(tmp_path) == []
    assert genotypes.file_concordance.tolist() == [[0, 0]]


def test_files_written_in_another_order_or_on_another_strand_are_reconciled_and_what_differs_is_listed(tmp_path):
    tables(tmp_path, [("d", "south"), ("a", "north"), ("b", "north")])
    first = [
        ("chr1", 1, "one", "A", "C", "PASS", ["0/0", "0/1"]),
        ("chr1", 2, ".", "A", "C", "PASS", ["0/0", "0/1"]),
        ("chr1", 3, ".", "A", "C", "PASS", ["0/0", "0/1"]),
        ("chr1", 4, ".", "A", "T", "PASS", ["0/0", "0/1"]),
        ("chr1", 5, ".", "A", "C", "PASS", ["./.", "0/1"]),
        ("chr2", 6, ".", "A", "C", "PASS", ["1/1", "0/1"]),
    ]
    second = [
        ("chr1", 1, ".", "C", "A", "PASS", ["1/1", "0/0"]),  # order: a 0/0 as before, d 1/1
        ("chr1", 2, ".", "T", "G", "PASS", ["0/0", "0/1"]),  # strand
        ("chr1", 3, ".", "G", "T", "PASS", ["0/1", "0/0"]),  # both; a differs
        ("chr1", 4, ".", "A", "T", "PASS", ["0/0", "1/1"]),  # two animals a file: nothing tells the strand
        ("chr1", 5, ".", "A", "G", "PASS", ["0/1", "1/1"]),  # other alleles
        ("chr2", 6, "one", "A", "C", "PASS", ["0/1", "./."]),  # a differs; the identifier stands elsewhere
    ]
    one = written(tmp_path / "one", vcf_text(["a", "b"], first))
    two = written(tmp_path / "two", vcf_text(["a", "d"], second))
    genotypes = imported(tmp_path / "run", [one, two])
    assert rows(genotypes) == [
        ["chr1:1:A:C", "chr1", 1, "A", "C", [0, 1, 2]],
        ["chr1:2:A:C", "chr1", 2, "A", "C", [0, 1, 1]],
        ["chr1:3:A:C", "chr1", 3, "A", "C", [-1, 1, 2]],
        ["chr1:4:A:T", "chr1", 4, "A", "T", [0, 1, -1]],
        ["chr1:5:A:C", "chr1", 5, "A", "C", [-1, 1, -1]],
        ["chr1:5:A:G", "chr1", 5, "A", "G", [1, -1, 2]],
        ["chr2:6:A:C", "chr2", 6, "A", "C", [-1, 1, -1]],
    ]
    assert conflicts_of(tmp_path) == [
        ["animal_conflicts", "two.vcf", "", "", "", "", "", "a", "2", "4"],
        ["allele_order_swapped", "two.vcf", "chr1", "1", "chr1:1:A:C", "C/A", "A/C", "", "", ""],
        ["strand_flipped", "two.vcf", "chr1", "2", "chr1:2:A:C", "T/G", "A/C", "", "", ""],
        ["strand_flipped_and_swapped", "two.vcf", "chr1", "3", "chr1:3:A:C", "G/T", "A/C", "", "", ""],
        ["genotype_conflict", "two.vcf", "chr1", "3", "chr1:3:A:C", "", "", "a", "1", ""],
        ["ambiguous_strand", "two.vcf", "chr1", "4", "chr1:4:A:T", "A/T", "A/T", "", "", ""],
        ["allele_mismatch", "two.vcf", "chr1", "5", "chr1:5:A:G", "A/G", "A/C", "", "", ""],
        ["identifier_elsewhere", "two.vcf", "chr2", "6", "chr2:6:A:C", "one", "chr1:1", "", "", ""],
        ["genotype_conflict", "two.vcf", "chr2", "6", "chr2:6:A:C", "", "", "a", "1", ""],
    ]
    assert genotypes.file_concordance.tolist() == [[4, 2], [0, 0], [0, 0]]
    assert genotypes.attributes["file_concordance"] == {"a": [4, 2]}


def test_a_call_on_which_two_of_three_files_agree_stays_missing(tmp_path):
    tables(tmp_path, [("a", "north"), ("b", "north")])
    calls = (["0/0", "0/1"], ["0/1", "0/1"], ["0/0", "./."])
    files = [written(tmp_path / f"f{i}", vcf_text(["a", "b"], [snp("chr1", 1, pair)])) for i, pair in enumerate(calls)]
    genotypes = imported(tmp_path / "run", files)
    assert rows(genotypes) == [["chr1:1:A:C", "chr1", 1, "A", "C", [-1, 1]]]
    assert genotypes.file_concordance.tolist() == [[1, 1], [1, 0]]  # nothing is left to compare the third call with


@pytest.mark.parametrize(
    ("contigs", "animals", "told"),
    [
        (("1", "2"), ["a", "b"], "is 1 its chr1?"),
        (("CHR01",), ["a", "b"], "is CHR01 its chr1?"),
        (("scaffold_9",), ["d"], "the names of one.vcf: chr1"),
        (("scaffold_9",), ["a", "b"], None),  # the same animals, another chromosome: a file a chromosome
        (("chr1", "2"), ["d"], None),
    ],
)
def test_files_that_share_no_chromosome_are_refused_unless_they_hold_the_same_animals(tmp_path, contigs, animals, told):
    tables(tmp_path, [("d", "south"), ("a", "north"), ("b", "north")])
    one = written(tmp_path / "one", vcf_text(["a", "b"], [snp("chr1", 1, ["0/1", "0/0"])]))
    records = [snp(contig, 1, ["0/1"] * len(animals)) for contig in contigs]
    two = written(tmp_path / "two", vcf_text(animals, records, contigs=contigs))
    if told is None:
        assert imported(tmp_path / "run", [one, two]).n_markers == len({"chr1", *contigs})
        return
    with pytest.raises(InputError) as caught:
        imported(tmp_path / "run", [one, two])
    (problem,) = caught.value.problems
    assert problem.file == "two.vcf"
    assert told in problem.allowed


def test_rows_of_conflicts_beyond_the_limit_are_counted(tmp_path, monkeypatch):
    tables(tmp_path, [("a", "north"), ("b", "north")])
    monkeypatch.setattr(join_files, "MAX_ROWS", 3)
    monkeypatch.setattr(join_files, "CHUNK", 4)
    monkeypatch.setattr(file_conflicts, "MAX_ROWS", 3)
    one = written(tmp_path / "one", vcf_text(["a"], [snp("chr1", i, ["0/1"]) for i in range(1, 21)]))
    two = written(tmp_path / "two", vcf_text(["a", "b"], [snp("chr1", i, ["0/0", "0/1"]) for i in range(1, 21)]))
    imported(tmp_path / "run", [one, two])
    found = read_table(tmp_path / "run" / "file_conflicts.csv")
    assert found["kind"].tolist() == ["animal_conflicts", *["genotype_conflict"] * 3, "not_listed"]
    assert found["n"].tolist() == [20, 1, 1, 1, 17]
    assert found["pos"].tolist()[1:4] == [1, 2, 3]


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32 - 1), cut=st.sampled_from([1, 2]))
def test_a_study_split_into_rewritten_files_joins_to_the_single_store_but_for_palindromes_listed(tmp_path, seed, cut):
    """Truth by construction: the store of the unsplit study, with the second file's calls missing where listed."""
    rng = np.random.default_rng(seed)
    n_markers, names = 160, np.array([f"s{i}" for i in range(30)])
    alleles = rng.choice([f"{a}{b}" for a in "ACGT" for b in "ACGT" if a != b], n_markers)
    dosages = rng.binomial(2, rng.uniform(0.05, 0.95, (n_markers, 1)), (n_markers, 30)).astype(np.int8)
    dosages[rng.random(dosages.shape) < 0.1] = -1
    second = rng.random(30) < 0.5
    first = ~second | (rng.random(30) < 0.3)
    turned, flipped = rng.random((2, n_markers)) < 0.5
    held = rng.random((n_markers, 2)) < 0.8
    held[:, 0] |= ~held[:, 1]  # every marker stands in a file
    complement = str.maketrans("ACGT", "TGCA")
    written_so = [
        (a[::-1] if t else a).translate(complement if f else {})
        for a, t, f in zip(alleles, turned, flipped, strict=True)
    ]
    where = np.array(["north"] * 30)

    def store(path, rows, columns, letters, values):
        made = VariantBlock(
            np.zeros(rows.size, np.int32), rows.astype(np.int32) + 1, np.array(["."] * rows.size, dtype=object),
            np.array([list(letters[i]) for i in rows], dtype=object).reshape(-1, 2), values[rows][:, columns],
        )  # fmt: skip
        write_genotypes(path, StoredAnimals(names[columns], where[columns]), np.array(["chr1"]), [made])
        return open_genotypes(path)

    again = np.where(turned[:, None] & (dosages >= 0), 2 - dosages, dosages).astype(np.int8)
    pieces = np.array_split(np.flatnonzero(held[:, 0]), cut)
    parts = [store(tmp_path / f"one{i}.zarr", rows, first, alleles, dosages) for i, rows in enumerate(pieces)]
    parts.append(store(tmp_path / "two.zarr", np.flatnonzero(held[:, 1]), second, written_so, again))
    joined = Joined(parts, ["chr1"], names.tolist(), [0] * cut + [1])
    found = np.concatenate([block.dosages for block in joined.blocks()])
    place = np.arange(n_markers)
    markers = pd.DataFrame({"marker": place.astype(str), "chrom": "chr1", "pos": place + 1})
    table, totals = joined.conflicts(["one", "two"], SimpleNamespace(markers=markers))
    left_out = np.isin(place + 1, table.loc[table["kind"] == "ambiguous_strand", "pos"])
    palindrome = np.array([a.translate(complement) == a[::-1] for a in alleles])
    assert not (left_out & ~palindrome).any()
    in_first, in_second = held[:, :1] & first, held[:, 1:] & second & ~left_out[:, None]
    expected = np.where(in_first | in_second, dosages, -1)
    only_second = ~held[:, 0]
    for i in np.flatnonzero(only_second):  # nothing to be reconciled with: written as the second file has it
        expected[i] = np.where(in_second[i], again[i], -1)
    assert np.array_equal(found, expected)
    assert not joined.differing.any()
    both = held.all(axis=1) & ~palindrome
    assert totals.get("allele_order_swapped", 0) >= (both & turned & ~flipped).sum()
    assert totals.get("strand_flipped", 0) == (both & ~turned & flipped).sum()
    assert totals.get("strand_flipped_and_swapped", 0) == (both & turned & flipped).sum()
