"""Calls handed over as a table: read as a VCF of the same calls is, and every fault told with its row and column."""

import copy

import numpy as np
import pytest
from tests.intake_steps import imported, tables
from tests.made_inputs import STUDY, run, write_study
from tests.made_vcf import vcf_text as small_vcf
from tests.made_vcf import written

from homewater.inputs.settings import check_settings
from homewater.intake.table_reader import TableReader
from homewater.running.errors import InputError

MARKERS = "marker,chrom,pos,ref,alt\nm2,chr2,7,C,G\nm1,chr1,5,A,G\nm0,chr1,3,T,A\nm4,chr2,7,C,T\n"
CALLS = """materialSampleID,m0,m1,m2,m4
a,T/T,A/G,C/G,CC
ö-1/x,A|T,GG,NA,c/t
d,./.,-/-,?/?,
b,AA,A/.,G|G,T/C
"""


def files(folder, calls=CALLS, markers=MARKERS):
    table, marker_table = folder / "calls.csv", folder / "markers.csv"
    table.write_bytes(calls if isinstance(calls, bytes) else calls.encode())
    marker_table.write_text(markers, encoding="utf-8")
    return table, marker_table


def read(folder, wanted=("a", "b", "d", "ö-1/x"), **changed):
    reader = TableReader(*files(folder, **changed), list(wanted))
    (block,) = reader.blocks()
    place = [
        f"{reader.contigs[c]}:{p}:{m}:{r}{a}"
        for c, p, m, (r, a) in zip(block.contig, block.position, block.identifier, block.alleles, strict=True)
    ]
    return dict(zip(place, block.dosages.tolist(), strict=True)), reader


def told(function, *arguments, **named):
    with pytest.raises(InputError) as caught:
        function(*arguments, **named)
    return [(p.file, p.place, p.column, p.found, p.allowed) for p in caught.value.problems]


@pytest.mark.parametrize(
    "dress",
    [
        lambda t: t,
        lambda t: "\ufeff" + t,
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.rstrip("\n"),
        lambda t: t.replace(",", ", ").replace("\n", "\n\n"),
        lambda t: t.replace("\n", ",\n"),  # a spreadsheet's empty column
        lambda t: "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in t.splitlines()),
    ],
    ids=["plain", "bom", "crlf", "no last line end", "blanks", "empty column", "quotes"],
)
def test_calls_are_read_by_animal_and_marker(tmp_path, dress):
    """By hand; chromosomes as the marker table meets them, then positions."""
    found, reader = read(tmp_path, calls=dress(CALLS))
    assert list(found) == ["chr2:7:m2:CG", "chr2:7:m4:CT", "chr1:3:m0:TA", "chr1:5:m1:AG"]
    assert list(found.values()) == [[1, 2, -1, -1], [0, 1, -1, 1], [0, 2, -1, 1], [1, -1, -1, 2]]
    assert reader.sample_ids == ["a", "b", "d", "ö-1/x"]
    assert (reader.records["read"], reader.records["kept"], reader.records["half_calls"]) == (4, 4, 1)


def test_animals_come_in_the_order_wanted_and_others_are_left_out(tmp_path):
    found, reader = read(tmp_path, wanted=["d", "nobody", "a"])
    assert reader.sample_ids == ["d", "a"]
    assert found["chr1:5:m1:AG"] == [-1, 1]
    assert "none of the animals" in told(TableReader, *files(tmp_path), ["nobody"])[0][3]


@pytest.mark.parametrize(
    ("cell", "found", "allowed"),
    [
        ("A/C", "A/C", "alleles A and G, as in the marker table"),
        ("T/C", "T/C", "alleles A and G, as in the marker table (this call looks written on the other strand"),
        ("CC", "CC", "on the other strand"),
        ("0/1", "0/1", "two alleles as A/G"),
        ("A", "A", "two alleles as A/G"),
        ("A/G/G", "A/G/G", "two alleles as A/G"),
        ("N/N", "N/N", "./., -/- or ?/?"),
        ("./-", "./-", "two alleles"),
        ("AT/G", "AT/G", "two alleles"),
        ("/", "/", "two alleles"),
    ],
)
def test_a_call_that_is_none_of_the_marker_is_named_with_row_and_column(tmp_path, cell, found, allowed):
    problems = told(lambda: read(tmp_path, calls=CALLS.replace("T/T,A/G,", f"T/T,{cell},")))
    assert [p[:4] for p in problems] == [("calls.csv", "line 2", "m1", found)]
    assert allowed in problems[0][4]
    assert ("strand" in problems[0][4]) == (cell in ("T/C", "CC"))


def test_a_call_is_never_taken_for_the_other_strand_of_a_palindrome(tmp_path):
    (problem,) = told(lambda: read(tmp_path, calls=CALLS.replace("a,T/T", "a,C/G")))
    assert "strand" not in problem[4]


def test_at_most_twenty_bad_calls_are_listed(tmp_path):
    rows = "".join(f"s{i},X/X,X/X,C/G,C/C\n" for i in range(30))
    problems = told(lambda: read(tmp_path, ["a", *(f"s{i}" for i in range(30))], calls=CALLS + rows))
    assert len(problems) == 20
    assert problems[0][1:3] == ("line 6", "m0")


@pytest.mark.parametrize("threshold", ["min_genotype_quality", "min_read_depth"])
def test_a_threshold_that_a_table_cannot_meet_is_refused(tmp_path, threshold):
    (problem,) = told(TableReader, *files(tmp_path), ["a"], **{threshold: 3})
    assert problem[0] == "calls.csv"
    assert f"markers.{threshold}" in problem[4]


def test_a_table_joins_with_a_vcf_as_another_file_does(tmp_path):
    """Against the store of one VCF that holds the calls of both."""
    tables(tmp_path, [("d", "south"), ("a", "north"), ("b", "north"), ("ö-1/x", "north")])
    table, marker_table = files(tmp_path, CALLS.replace("A|T", "T|T"))
    records = [
        ("chr1", 5, "m1", "G", "A", "PASS", ["0/1", "0/1"]),  # order swapped; a as in the table
        ("chr2", 7, "other", "C", "T", "PASS", ["0/1", "0/0"]),  # a differs from the table
    ]
    vcf = written(tmp_path / "one", small_vcf(["a", "d"], records))
    both = imported(tmp_path / "run", [table, vcf], marker_table=[str(marker_table)])
    assert both.sample_ids.tolist() == ["a", "b", "ö-1/x", "d"]
    assert both.markers["marker"].tolist() == ["m0", "m1", "m2", "m4"]
    assert both.markers["chrom"].tolist() == ["chr1", "chr1", "chr2", "chr2"]
    assert both.select(np.arange(4)).tolist() == [[0, 2, 0, -1], [1, -1, 2, 1], [1, 2, -1, -1], [-1, 1, 1, 0]]
    assert both.file_concordance.tolist() == [[2, 1], [0, 0], [0, 0], [0, 0]]
    alone = imported(tmp_path / "alone", [table], marker_table=[str(marker_table)])
    assert alone.markers["chrom"].tolist() == ["chr2", "chr2", "chr1", "chr1"]


def test_many_markers_and_animals_equal_a_cell_by_cell_reading(tmp_path):
    """A plain second reading of each cell; more markers than a block holds."""
    rng = np.random.default_rng(5)
    n, m = 7, 9001
    dosages = rng.integers(-1, 3, (n, m))
    order = rng.permutation(m)
    letters = [rng.permutation(list("ACGT"))[:2] for _ in range(m)]
    text = {-1: lambda r, a: "NA", 0: lambda r, a: f"{r}/{r}", 1: lambda r, a: f"{a}|{r}", 2: lambda r, a: a + a}
    cells = [[text[d](*letters[i]) for i, d in enumerate(row)] for row in dosages.tolist()]
    head = ",".join(["materialSampleID", *(f"k{i}" for i in range(m))])
    calls = "\n".join([head, *(",".join([f"s{i}", *row]) for i, row in enumerate(cells))])
    markers = "\n".join(["marker,chrom,pos,ref,alt", *(f"k{i},c,{i + 1},{','.join(letters[i])}" for i in order)])
    reader = TableReader(*files(tmp_path, calls, markers), [f"s{i}" for i in range(n)])
    blocks = list(reader.blocks())
    assert [b.position.size for b in blocks] == [4096, 4096, 809]
    assert np.array_equal(np.concatenate([b.dosages for b in blocks]), dosages.T)


# --- told before anything is computed ---

STUDY_CALLS = "materialSampleID,m0,m1\nT1,T/T,A/G\nT2,T/A,A/G\nT3,T/A,A/G\nT4,T/A,A/G\nS-05/a,T/A,A/G\n"
STUDY_MARKERS = "marker,chrom,pos,ref,alt\nm0,chr1,3,T,A\nm1,chr1,5,A,G\n"


def study_of(genotypes, marker_table="markers.csv"):
    study = copy.deepcopy(STUDY)
    study["species"][0]["genotypes"] = genotypes
    if marker_table:
        study["species"][0]["marker_table"] = marker_table
    return study


def checked(folder, genotypes=("calls.csv",), calls=STUDY_CALLS, markers=STUDY_MARKERS, **changed):
    write_study(folder, calls__csv=calls, markers__csv=markers, **changed)
    return run(folder, study_of(list(genotypes)))


def test_a_study_of_a_table_passes_and_so_does_one_of_a_table_beside_a_vcf(tmp_path):
    assert checked(tmp_path)["check"].exists()
    checked(tmp_path, ["calls.csv", "topshell.vcf.gz"], calls=STUDY_CALLS.replace("T4,T/A,A/G\n", ""))


@pytest.mark.parametrize(
    ("old", "new", "file", "place", "column", "found"),
    [
        ("materialSampleID,m0", "sample,m0", "calls.csv", "line 1", "materialSampleID", "sample as the first column"),
        ("ID,m0,m1", "ID,m0,m0", "calls.csv", "line 1", "m0", "2 columns of this name"),
        ("ID,m0,m1", "ID,m0,mm1", "calls.csv", "line 1", "mm1", "an unknown marker"),
        ("ID,m0,m1", "ID,m0,", "calls.csv", "line 2", "", "calls in a column without a name"),
        ("T2,T/A", "T1,T/A", "calls.csv", "line 3", "materialSampleID", "T1 again (first in line 2)"),
        ("T2,T/A", ",T/A", "calls.csv", "line 3", "materialSampleID", "nothing"),
        ("T2,T/A", "T9,T/A", "calls.csv", "line 3", "T9", "a sample without a row of topshell in samples.csv"),
        ("T2,T/A", "T2,T/A,T/A", "calls.csv", "line 3", "", "4 fields"),
        (",", ";", "calls.csv", "line 1", "", "semicolons between the columns"),
        (",", "\t", "calls.csv", "line 1", "", "tabs between the columns"),
        ("T2,T/A", 'T2,"T/A', "calls.csv", "line 3", "", "quotes that do not pair up"),
    ],
)
def test_faults_of_a_table_are_told_with_their_place(tmp_path, old, new, file, place, column, found):
    problems = told(checked, tmp_path, calls=STUDY_CALLS.replace(old, new))
    assert any(p[:3] == (file, place, column) and p[3].startswith(found) for p in problems), problems


@pytest.mark.parametrize(
    ("old", "new", "place", "column", "found"),
    [
        ("m1,chr1,5,A,G\n", "", "", "", None),
        ("m1,chr1,5", "m1,chr1,5.5", "line 3", "pos", "5.5"),
        ("5,A,G", "5,A,A", "line 3", "alt", "A, as the reference allele"),
        ("5,A,G", "5,A,AT", "line 3", "alt", "AT"),
        ("5,A,G\n", "5,A,G\nm1,chr2,5,A,G\n", "line 4", "marker", "m1 again (first in line 3)"),
        ("5,A,G\n", "5,A,G\nm2,chr1,5,G,A\n", "line 4", "marker", "the place and alleles of m1 (line 3)"),
        ("5,A,G\n", "5,A,G\nm7,chr1,9,G,A\n", "line 4", "marker", "m7, which no genotype table has"),
        ("marker,", "locus,", "line 1", "marker", "no such column"),
    ],
)
def test_faults_of_the_marker_table_are_told_with_their_place(tmp_path, old, new, place, column, found):
    problems = told(checked, tmp_path, markers=STUDY_MARKERS.replace(old, new))
    if found is None:
        assert [p[:4] for p in problems] == [("calls.csv", "line 1", "m1", "an unknown marker")]
    else:
        assert any(p[:3] == ("markers.csv", place, column) and p[3].startswith(found) for p in problems), problems


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("materialSampleID,m0,m1\nT1,Å/T\n".encode("latin-1"), "not UTF-8"),
        (STUDY_CALLS.encode("utf-16"), "UTF-16"),
        (b"PK\x03\x04rubbish", "a spreadsheet"),
        (b"", "an empty file"),
        (b"materialSampleID,m0,m1\n", "a header and no rows"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, content, found):
    problems = told(checked, tmp_path, calls=content)
    assert any(p[0] == "calls.csv" and found in p[3] for p in problems), problems


def test_a_table_of_other_chromosome_names_than_the_vcf_is_refused(tmp_path):
    problems = told(checked, tmp_path, ["topshell.vcf.gz", "calls.csv"], markers=STUDY_MARKERS.replace("chr1", "1"))
    assert [p[0] for p in problems] == ["calls.csv"]
    assert "is 1 its chr1?" in problems[0][4]


def test_several_tables_share_one_marker_table(tmp_path):
    second = "materialSampleID,m1\nT4,A/A\n"
    write_study(tmp_path, calls__csv=STUDY_CALLS.replace(",m1", "").replace(",A/G", ""), second__csv=second,
                markers__csv=STUDY_MARKERS)  # fmt: skip
    assert run(tmp_path, study_of(["calls.csv", "second.csv"]))["check"].exists()


@pytest.mark.parametrize(
    ("genotypes", "marker_table", "found"),
    [
        (["calls.csv"], None, "no such key beside the genotype table calls.csv"),
        (["x.vcf.gz"], "markers.csv", "a marker table without a genotype table"),
    ],
)
def test_a_table_needs_a_marker_table_and_a_marker_table_needs_a_table(genotypes, marker_table, found):
    (problem,) = told(check_settings, study_of(genotypes, marker_table), "study.yaml")
    assert problem[1] == "species[1].marker_table"
    assert problem[3] == found
