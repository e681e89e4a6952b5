"""Records read from their text are those of the parser: same markers, calls, counts and refusals."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.made_vcf import vcf_text, written

from homewater.intake.text_reader import TextReader
from homewater.intake.vcf_reader import PartReader
from homewater.running.errors import InputError

SAMPLES = ["a", "b", "c", "d", "e"]
RANGES = [["chr1", 1, 40], ["chr1", 41, None], ["chr2", 1, None]]
CALLS = st.sampled_from(["0/0", "0/1", "1/1", "0|1", "1|0", "./.", ".|.", "0/.", "./1"])
RARE = st.sampled_from(["0/2", "2/2", "0", ".", "0/1/1", "0/1:9", "0/12", "", "x/y", "1 /1", "0/-1"])
LINE = st.tuples(
    st.integers(1, 80),
    st.sampled_from([".", "rs1", "a;b"]),
    st.sampled_from(["A", "c", "G", "AT", "N", "R"]),
    st.sampled_from(["C", "t", "A,C", "A,C,T", ".", "*", "<DEL>", "AA", "C,*"]),
    st.sampled_from([".", "9", "1.5", "1e3", "x"]),
    st.sampled_from(["PASS", ".", "low", "unknown", "low;unknown", "0"]),
    st.sampled_from([".", "DP=3", "AF=0.1;X"]),
    st.sampled_from(["GT", "GT", "GT", "GT", "GT", "GT", "GT:DP", "XX"]),
    st.lists(st.one_of(*[CALLS] * 20, RARE), min_size=5, max_size=5),
)


def outcome(path, wanted, text):
    """Return what reading gives: markers, counts and contigs, or the problems."""
    reader = PartReader(path, wanted, RANGES)
    if not text:
        reader._text = None
    try:
        blocks = list(reader.blocks())
    except InputError as error:
        return [str(problem) for problem in error.problems]
    columns = ("contig", "position", "identifier", "alleles", "dosages")
    rows = [np.concatenate([getattr(b, name) for b in blocks]).tolist() for name in columns] if blocks else []
    return rows, reader.records, reader.contigs


def file_of(folder, lines):
    """Write an indexed file; a line is (chrom, fields of LINE)."""
    text = vcf_text(SAMPLES, [], length=100)
    body = sorted(lines, key=lambda line: (line[0], line[1][0]))
    for chrom, (pos, name, ref, alt, quality, passed, info, fields, calls) in body:
        text += "\t".join([chrom, str(pos), name, ref, alt, quality, passed, info, fields, *calls]) + "\n"
    return written(folder / "x", text, "tbi")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(["chr1", "chr2"]), LINE), min_size=1, max_size=25), st.permutations(SAMPLES))
def test_text_and_parser_read_the_same(tmp_path, lines, wanted):
    path = file_of(tmp_path, lines)
    for animals in (wanted, wanted[:2]):
        assert outcome(path, animals, True) == outcome(path, animals, False)


def plain_lines(n, seed=0):
    rng = np.random.default_rng(seed)
    calls = np.array(["0/0", "0/1", "1|0", "1/1", "./."])
    chrom = np.where(np.arange(n) < n // 2, "chr1", "chr2")
    at = 1 + np.arange(n) % (n // 2) * 80 // (n // 2)
    return [
        (str(c), (int(p), ".", "A", "ACGT"[1 + i % 3], ".", "PASS", ".", "GT", list(rng.choice(calls, 5))))
        for i, (c, p) in enumerate(zip(chrom, at, strict=True))
    ]


def test_plain_records_are_read_from_their_text_to_the_end(tmp_path):
    """Several records at one position included, and one that the cut between two stretches divides."""
    lines = plain_lines(400)
    path = file_of(tmp_path, lines)
    reader = TextReader(path, np.arange(5), 5)
    assert sum(1 for region in RANGES for _ in reader.records(*region)) == 400
    found, records, _ = outcome(path, SAMPLES, True)
    assert records["read"] == 400
    assert (found, records) == outcome(path, SAMPLES, False)[:2]


def test_what_follows_a_record_that_is_not_plain_is_read_by_the_parser(tmp_path):
    lines = plain_lines(400)
    lines[57][1][8][3] = "."
    path = file_of(tmp_path, lines)
    assert sum(1 for _ in TextReader(path, np.arange(5), 5).records("chr1", 1, None)) == 57
    assert outcome(path, SAMPLES, True) == outcome(path, SAMPLES, False)
    lines[57][1][8][3] = "./."
    assert outcome(file_of(tmp_path, lines), SAMPLES, True) != outcome(path, SAMPLES[:4], True)


@pytest.mark.parametrize("place", [0.3, 0.6, 0.9])
def test_of_a_damaged_file_both_read_the_same_and_too_few(tmp_path, place):
    """A region ends there without a sign; that fewer records were read than the index counts is noticed on joining."""
    path = file_of(tmp_path, plain_lines(40000))
    content = bytearray(path.read_bytes())
    for byte in range(20):
        content[int(place * len(content)) + byte] ^= 0xFF
    path.write_bytes(content)
    found = outcome(path, SAMPLES, True)
    assert found == outcome(path, SAMPLES, False)
    assert found[1]["read"] < 40000


def test_other_kinds_of_file_have_no_text(tmp_path):
    path = written(tmp_path / "x", vcf_text(SAMPLES, [("chr1", 5, ".", "A", "C", "PASS", ["0/1"] * 5)]), "bcf")
    assert outcome(path, SAMPLES, True)[1]["kept"] == 1
    with pytest.raises((OSError, ValueError)):
        TextReader(path, np.arange(5), 5)
