"""Bad genotypes, through checks and intake: the file, the record, the animal, what was found and what is allowed."""

import faulthandler
import os
import signal

import pytest
from tests.hostile.fuzz_intake import outcome_of
from tests.hostile.fuzz_study import ANIMALS, packed, study_files, tables_of_genotypes, vcf_text

from homewater.intake import vcf_reader
from homewater.running.errors import InputError, describe

FIRST = next(n for n, line in enumerate(vcf_text().split("\n")) if not line.startswith("#"))  # line of chr1:1000
LAST = FIRST + 45  # of chr2:34000


def edited(line: int, column: int, value: str | None) -> bytes:
    """Return the VCF with one cell changed, or with a column more or fewer (None) in one line."""
    lines = vcf_text().split("\n")
    cells = lines[line].split("\t")
    if value is None:
        cells.pop(column)
    elif column == len(cells):
        cells.append(value)
    else:
        cells[column] = value
    lines[line] = "\t".join(cells)
    return "\n".join(lines).encode()


def without_calls(line: int) -> bytes:
    """Return the VCF with reads alone in one record."""
    lines = vcf_text().split("\n")
    lines[line] = "\t".join([*lines[line].split("\t")[:8], "AD", *["5,4"] * len(ANIMALS)])
    return "\n".join(lines).encode()


def told(**changed: bytes) -> list[tuple[str, str, str, str]]:
    form = "calls.csv" if "calls__csv" in changed or "markers__csv" in changed else "topshell.vcf"
    found = outcome_of(study_files(form) | {name.replace("__", "."): content for name, content in changed.items()})
    assert found.kind == "refused", found.text
    return [(p["file"], p["place"], p["column"], p["found"]) for p in found.problems]


N = len(ANIMALS) + 9
CASES = {
    "a column fewer in a record": (edited(FIRST + 1, 9, None), "record chr1:2500", "", f"{N - 1} columns"),
    "a column more in a record": (edited(FIRST + 1, N, "0/0"), "record chr1:2500", "", f"{N + 1} columns"),
    "a column fewer in the last record": (
        edited(LAST, 9, None),
        "last line",
        "",
        f"{N - 1} columns: the file breaks off",
    ),
    "a position beyond the header's length": (edited(LAST, 1, "60001"), "record chr2:60001", "POS", "60001"),
    "no chromosome": (edited(FIRST + 1, 0, ""), "after record chr1:1000", "CHROM", "nothing"),
    "no genotypes in a record": (
        without_calls(FIRST + 1),
        "after record chr1:1000",
        "",
        "a record without genotypes at chr1:2500",
    ),
    "a position that is none": (
        edited(FIRST + 1, 1, "x"),
        "after record chr1:1000",
        "",
        "a record that cannot be read, or an end in the middle of a block",
    ),
    "a haploid call": (edited(FIRST + 1, 10, "1:0,9"), "record chr1:2500", "N2", "1"),
    "a tetraploid call": (edited(FIRST + 1, 10, "0/0/1/1:0,9"), "record chr1:2500", "N2", "0/0/1/1"),
    "an allele that the record lacks": (edited(FIRST + 1, 10, "0/7:9,0"), "record chr1:2500", "N2", "0/7"),
    "a record out of order": (
        edited(FIRST + 2, 1, "900"),
        "record chr1:900",
        "",
        "a record that comes after chr1:2500",
    ),
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.replace(" ", "_"))
def test_a_body_that_disagrees_with_its_header_or_itself_is_told_with_its_record(case):
    content, *expected = CASES[case]
    assert told(topshell__vcf=content) == [("topshell.vcf", *expected)]


def test_all_wrong_calls_are_told_together_up_to_twenty():
    lines = vcf_text().split("\n")
    for number in range(FIRST, FIRST + 3):
        cells = lines[number].split("\t")
        lines[number] = "\t".join([*cells[:9], "0", *cells[10:]])
    assert [p[1:] for p in told(topshell__vcf="\n".join(lines).encode())] == [
        (f"record chr1:{pos}", "N1", "0") for pos in (1000, 2500, 4000)
    ]
    haploid = vcf_text().replace("\t0/0", "\t0").replace("\t0|0", "\t0")
    assert len(told(topshell__vcf=haploid.encode())) == 20


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ("0/0", "no marker left: monomorphic removed"),
        ("./.", "no marker called in at least 50% of the baseline animals"),
    ],
)
def test_no_marker_left_is_told_with_the_filter_that_took_them(call, said):
    lines = vcf_text().split("\n")
    for number in range(FIRST, LAST + 1):
        lines[number] = "\t".join([*lines[number].split("\t")[:9], *[call] * len(ANIMALS)])
    ((file, _, _, found),) = told(topshell__vcf="\n".join(lines).encode())
    assert file == "genotypes"  # scripts/run says which (tests/pipeline/test_launcher.py)
    assert found.startswith(said)


def test_no_marker_of_the_right_kind_is_told_with_the_kinds():
    head = vcf_text().split("\n")[:FIRST]
    records = [
        "\t".join(["chr1", str(pos), ".", "A", alt, ".", "PASS", ".", "GT", *["0/1"] * len(ANIMALS)])
        for pos, alt in ((5, "AC"), (9, "<DEL>"))
    ]
    text = "\n".join([*head, *records, ""]).encode()
    assert told(topshell__vcf=text) == [
        ("topshell.vcf", "", "", "no marker left of 2 records (1 symbolic, 1 not_one_base)")
    ]


def test_bgzip_cut_short_is_told_wherever_it_is_cut():
    whole = packed(vcf_text().encode(), "topshell.vcf.gz")
    for keep in (20, 200, len(whole) // 2, len(whole) - 28, len(whole) - 1):
        found = outcome_of(study_files("topshell.vcf.gz") | {"topshell.vcf.gz": whole[:keep]})
        assert found.kind == "refused", found.text
        assert {p["file"] for p in found.problems} == {"topshell.vcf.gz"}


@pytest.mark.parametrize(
    "name", ["1-Mar", "01-Mar-20", "Sep-02", "2/3/2020", "02.03.20", "2020-03-01", "2020-03-01 00:00:00"]
)
def test_dates_that_a_spreadsheet_made_of_marker_names_are_told(name):
    """Common practice, no source: MAR1, SEP2, 2-3-20 and the like do not survive a spreadsheet."""
    tables = {
        key.replace(".", "__"): text.replace(b"k3,", name.encode() + b",")
        for key, text in tables_of_genotypes().items()
    }
    assert told(**tables) == [
        ("calls.csv", "line 1", name, "a date"),
        ("markers.csv", "line 5", "marker", f"{name}, a date"),
    ]


@pytest.mark.parametrize("name", ["MAR1", "1-3", "mar-x", "chr1-2020", "SEPT2", "20200301", "1.5"])
def test_names_that_are_no_dates_pass(name):
    tables = {key: text.replace(b"k3,", name.encode() + b",") for key, text in tables_of_genotypes().items()}
    found = outcome_of(study_files("calls.csv") | tables)
    assert found.kind == "done", found.text
    assert name in found.results["topshell"]["identifiers"].values()


def test_a_crash_of_the_reading_library_is_told_with_the_file(monkeypatch):
    """The step forks, so the child dies of what is put in place of the reading here, and the step says so."""

    def crash(self):
        faulthandler.disable()  # pytest's own report of crashes
        os.kill(os.getpid(), signal.SIGSEGV)

    monkeypatch.setattr(vcf_reader.PartReader, "blocks", crash)
    assert told() == [
        ("topshell.vcf", "", "", "content on which the reading of genotypes breaks down (SIGSEGV): the file is damaged")
    ]


def test_sites_with_one_animal_or_none_are_allowed_and_define_nothing_they_cannot():
    found = outcome_of(study_files())
    assert found.kind == "done"
    animals = found.results["topshell"]["animals"]
    assert [name for name, row in animals.items() if row["locationID"] == "west"] == ["W/1"]
    assert animals["W/1"]["status"] == "kept"
    assert set(found.results["topshell"]["site_counts"]) == {"north", "south", "west"}
    assert "empty" in {row["locationID"] for row in found.results["sites"]}


def test_faults_of_several_files_have_a_list_each():
    """Twenty of each and then a count, though one file has far more than the other."""
    samples = study_files()["samples.csv"].replace(b",topshell,", b",topshel,")
    sites = study_files()["sites.csv"].replace(b"Vessland,farm", b"Vessland,fram")
    sites += b"".join(b"more%d,Bay,x,y,Vessland,wild\n" % number for number in range(30))
    found = outcome_of(study_files() | {"samples.csv": samples, "sites.csv": sites})
    lines = found.text.splitlines()
    assert lines[20].startswith("... and ")
    assert lines[20].endswith(" more problems in sites.csv")
    assert sum(line.startswith("sites.csv, line") for line in lines) == 20
    assert sum(line.startswith("samples.csv, line") for line in lines) == len(ANIMALS)
    assert describe(InputError([]).problems) == ""


@pytest.mark.parametrize(
    ("declared", "place", "found"),
    [
        ("##FORMAT=<ID=AD,Number=1,Type=String,", "header", "AD declared as text"),
        (
            "##FORMAT=<ID=AD,Nutype=R,",
            "after record the header",
            "AD that cannot be read at chr1:1000, or its declaration",
        ),
    ],
)
def test_reads_whose_declaration_is_damaged_are_told(declared, place, found):
    text = vcf_text().replace("##FORMAT=<ID=AD,Number=R,Type=Integer,", declared)
    ((file, where, _, said),) = told(topshell__vcf=text.encode())
    assert (file, where) == ("topshell.vcf", place)
    assert said.startswith(found)
