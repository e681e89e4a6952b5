"""Genotype files are read whole or refused with a place: every form of file, every fault, every kind of record."""

import gzip

import numpy as np
import pysam
import pytest
from tests.made_vcf import snp, vcf_text, written

from homewater.intake import genome_parts, vcf_files
from homewater.intake.genome_parts import genome_stretches, n_parts
from homewater.intake.vcf_reader import NOTED, SKIPPED, PartReader
from homewater.running.errors import InputError

SAMPLES = ["a", "b", "ö-1/x", "d"]


def read(path, wanted=tuple(SAMPLES), ranges=None):
    reader = PartReader(path, list(wanted), ranges)
    blocks = list(reader.blocks())
    rows = [
        (reader.contigs[c], int(p), i, *a, d.tolist())
        for b in blocks
        for c, p, i, a, d in zip(b.contig, b.position, b.identifier, b.alleles.tolist(), b.dosages, strict=True)
    ]
    return rows, reader


def problems_of(function, *arguments):
    with pytest.raises(InputError) as caught:
        function(*arguments)
    return caught.value.problems


def many(n=3000, seed=1):
    rng = np.random.default_rng(seed)
    calls = np.array(["0/0", "0/1", "1|0", "1/1", "./."])
    return [snp("chr1" if i < n // 2 else "chr2", 3 * (i % (n // 2)) + 1, list(rng.choice(calls, 4))) for i in range(n)]


@pytest.mark.parametrize("how", ["plain", "gzip", "bgzip", "tbi", "bcf"])
def test_every_form_of_file_gives_the_same_genotypes(tmp_path, how):
    records = many()
    path = written(tmp_path / "x", vcf_text(SAMPLES, records), how)
    value = {"0/0": 0, "0/1": 1, "1|0": 1, "1/1": 2, "./.": -1}
    assert vcf_files.plan([path])["parts"] == [{"file": 0, "ranges": None}]
    rows, reader = read(path)
    assert rows == [(r[0], r[1], ".", "A", "C", [value[c] for c in r[6]]) for r in records]
    assert reader.records["kept"] == reader.records["read"] == 3000


@pytest.mark.parametrize("how", ["plain", "gzip", "bgzip", "tbi"])
def test_chromosomes_need_not_be_declared(tmp_path, how):
    records = many()
    path = written(tmp_path / "x", vcf_text(SAMPLES, records, contigs=()), how)
    vcf_files.plan([path])
    rows, reader = read(path)
    assert [row[:2] for row in rows] == [record[:2] for record in records]
    assert reader.contigs == ["chr1", "chr2"]


def test_wanted_animals_come_in_the_order_wanted(tmp_path):
    path = written(tmp_path / "x", vcf_text(SAMPLES, [snp("chr1", 5, ["0/0", "0/1", "1/1", "./."])]))
    rows, reader = read(path, ["d", "ö-1/x", "not there", "a"])
    assert reader.sample_ids == ["d", "ö-1/x", "a"]
    assert rows[0][-1] == [-1, 2, 0]


def test_every_kind_of_record_that_is_no_marker_is_counted(tmp_path):
    calls = ["0/0", "0/1", "1/1", "./."]
    records = [
        ("chr1", 1, "m1", "A", "C", "PASS", calls),
        ("chr1", 1, "m2", "A", "C", "PASS", ["1/1"] * 4),  # the same again: the first stays
        ("chr1", 1, "m3", "A", "G", "PASS", calls),  # another alternate at the place is another marker
        ("chr1", 2, ".", "A", "C,G", "PASS", ["0/0", "0/1", "0/2", "./."]),
        ("chr1", 3, ".", "A", ".", "PASS", ["0/0"] * 4),
        ("chr1", 4, ".", "A", "<DEL>", "PASS", calls),
        ("chr1", 5, ".", "A", "*", "PASS", calls),
        ("chr1", 6, ".", "AT", "A", "PASS", calls),
        ("chr1", 7, ".", "AT", "GC", "PASS", calls),
        ("chr1", 8, ".", "N", "C", "PASS", calls),
        ("chr1", 9, ".", "A", "C", "low", calls),
        ("chr2", 1, ".", "a", "c", ".", ["0/.", "./1", "1|0", "."]),
    ]
    rows, reader = read(written(tmp_path / "x", vcf_text(SAMPLES, records)))
    assert [(r[0], r[1], r[2], r[4]) for r in rows] == [
        ("chr1", 1, "m1", "C"),
        ("chr1", 1, "m3", "G"),
        ("chr2", 1, ".", "C"),
    ]
    assert rows[2][-1] == [-1, -1, 1, -1]
    expected = dict.fromkeys(SKIPPED, 1) | {"not_one_base": 2, "read": 12, "kept": 3}
    expected |= dict.fromkeys(NOTED, 0) | {"half_calls": 2}
    assert reader.records == expected
    assert reader.records["read"] == reader.records["kept"] + sum(reader.records[reason] for reason in SKIPPED)


@pytest.mark.parametrize(
    ("alternates", "calls", "kept"),
    [
        ("C,G", ["0/0", "0/1", "1/1", "./."], ("C", [0, 1, 2, -1])),
        ("C,G", ["0/0", "0|2", "2/2", "0/."], ("G", [0, 1, 2, -1])),
        ("C,*", ["0/0", "0/1", "0/1", "./."], ("C", [0, 1, 1, -1])),
        ("CTT,g", ["0/0", "2/0", "0/0", "./."], ("G", [0, 1, 0, -1])),
        ("C,G", ["0/0", "0/1", "0/2", "./."], "multiallelic"),
        ("C,G", ["1/1", "1/2", "2/2", "./."], "multiallelic"),  # the reference is not carried: no marker of its own
        ("C,G", ["0/0", "0/0", "0/0", "./."], "multiallelic"),
        ("C,*", ["0/0", "0/2", "0/0", "./."], "spanning_deletion"),
        ("CTT,G", ["0/0", "1/0", "0/0", "./."], "not_one_base"),
    ],
)
def test_alternates_that_no_listed_animal_carries_are_dropped(tmp_path, alternates, calls, kept):
    """The listed animals decide: the fifth animal, not of the sheet, carries every allele."""
    text = vcf_text([*SAMPLES, "other"], [("chr1", 5, "m", "A", alternates, "PASS", [*calls, "1/2"])])
    rows, reader = read(written(tmp_path / "x", text))
    if isinstance(kept, str):
        assert not rows
        assert reader.records[kept] == 1
        assert reader.records["alternates_dropped"] == 0
    else:
        assert [row[4:] for row in rows] == [kept]
        assert reader.records["alternates_dropped"] == 1


def with_fields(samples, records, declared=("GQ", "DP", "AD")):
    """Return VCF text with fields beside the genotypes; a record is (pos, alt, format, cells)."""
    text = vcf_text(samples, [("chr1", pos, ".", "A", alt, "PASS", cells) for pos, alt, _, cells in records])
    kinds = {"GQ": "Number=1,Type=Float", "DP": "Number=1,Type=Integer", "AD": "Number=R,Type=Integer"}
    lines = "".join(f'##FORMAT=<ID={key},{kinds[key]},Description="x">\n' for key in declared)
    head, body = text.split("#CHROM")
    rows = body.split("\n")
    for i, (_, _, names, _) in enumerate(records, start=1):
        rows[i] = rows[i].replace("\tGT\t", f"\t{names}\t")
    return head + lines + "#CHROM" + "\n".join(rows)


@pytest.mark.parametrize("how", ["plain", "bcf"])
def test_calls_below_a_threshold_are_missing_and_counted(tmp_path, how):
    records = [
        (1, "C", "GT:GQ:DP", ["0/0:20:9", "0/1:19.5:9", "1/1:30:7", "./.:1:1"]),
        (2, "C", "GT:DP:GQ", ["0/1:8:20", "0/1:.:20", "1/1:100:.", "0/0"]),
        (3, "C", "GT", ["0/1", "0/1", "1/1", "0/0"]),
    ]
    path = written(tmp_path / "x", with_fields(SAMPLES, records), how)

    def found(**thresholds):
        reader = PartReader(path, SAMPLES, **thresholds)
        (block,) = reader.blocks()
        return block.dosages.tolist(), reader.records["low_quality"], reader.records["low_depth"]

    assert found() == ([[0, 1, 2, -1], [1, 1, 2, 0], [1, 1, 2, 0]], 0, 0)
    assert found(min_genotype_quality=20) == ([[0, -1, 2, -1], [1, 1, -1, -1], [-1] * 4], 7, 0)
    assert found(min_read_depth=8) == ([[0, 1, -1, -1], [1, -1, 2, -1], [-1] * 4], 0, 7)
    assert found(min_genotype_quality=20, min_read_depth=8)[0] == [[0, -1, -1, -1], [1, -1, -1, -1], [-1] * 4]


@pytest.mark.parametrize("declared", [(), ("GQ",)])
def test_a_threshold_on_a_field_that_the_file_lacks_is_refused(tmp_path, declared):
    path = written(tmp_path / "x", with_fields(SAMPLES, [(1, "C", "GT", ["0/1"] * 4)], declared))

    def function():
        list(PartReader(path, SAMPLES, min_genotype_quality=20).blocks())

    (problem,) = problems_of(function)
    assert (problem.file, problem.column) == ("x.vcf", "GQ")
    assert "markers.min_genotype_quality" in problem.found
    list(PartReader(path, SAMPLES).blocks())


def test_reads_are_counted_by_call_and_allele(tmp_path):
    """Expected counts by hand; of 10 reads 0, 1, 9 and 10 lie outside: 11/1024 a side; 2 would make 56."""
    records = [
        (1, "C", "GT:AD", ["0/0:9,1", "0/1:1,9", "1/1:2,18", "0/1:5,5"]),
        (2, "C", "GT:AD", ["0/0:7,.", "0/1:2,8", "1/1:.", "./.:3,3"]),  # reads not given: nothing to count
        (3, "C,G", "GT:AD", ["0/0:4,50,2", "0/2:9,50,1", "0/0:3,0,0", "0/1:0,3,0"]),  # both alternates: no marker
        (4, "C,G", "GT:AD", ["0/0:4,50,2", "0/2:9,50,1", "2/2:1,0,3", "0/2:0,3,7"]),  # 7 reads: too few to judge
        (5, "C", "GT", ["0/0", "0/1", "1/1", "0/1"]),
    ]
    rows, reader = read(written(tmp_path / "x", with_fields(SAMPLES, records)))
    assert [row[1] for row in rows] == [1, 2, 4, 5]
    assert reader.read_balance.tolist() == [
        [16, 3, 0, 0, 0, 0],
        [0, 0, 0, 0, 3, 2],
        [0, 0, 24, 3, 0, 0],
        [0, 0, 0, 0, 1, 0],
    ]


@pytest.mark.parametrize(("call", "allowed"), [("1", "diploid"), ("0/0/1", "diploid"), ("0/2", "alleles 0 and 1")])
def test_calls_that_are_not_diploid_are_named_with_animal_and_record(tmp_path, call, allowed):
    records = [
        snp("chr1", 5, ["0/0"] * 4),
        snp("chr1", 7, ["0/0", call, "1/1", "."]),
        snp("chr2", 9, ["0/0", "0/0", call, "."]),
    ]
    found = problems_of(read, written(tmp_path / "x", vcf_text(SAMPLES, records)))
    assert [(p.place, p.column, p.found) for p in found] == [
        ("record chr1:7", "b", call),
        ("record chr2:9", "ö-1/x", call),
    ]
    assert allowed in found[0].allowed


def test_a_file_of_haploid_calls_is_refused_with_at_most_twenty_places(tmp_path):
    records = [snp("chr1", i + 1, ["0"] * 4) for i in range(50)]
    assert len(problems_of(read, written(tmp_path / "x", vcf_text(SAMPLES, records)))) == 20


@pytest.mark.parametrize("how", ["gzip", "bgzip", "bcf"])
@pytest.mark.parametrize("keep", [0.5, 0.9])
def test_a_compressed_file_cut_short_is_refused_after_its_last_good_record(tmp_path, how, keep):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many(40000), length=100000), how)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * keep)])
    (problem,) = problems_of(read, path)
    assert problem.file == path.name
    assert problem.place.startswith("after record chr")
    if how != "gzip":
        (planned,) = problems_of(vcf_files.plan, [path])
        assert "end-of-file block" in planned.found


def test_a_missing_end_block_alone_is_noticed(tmp_path):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many()), "bgzip")
    path.write_bytes(path.read_bytes()[:-28])
    (problem,) = problems_of(vcf_files.plan, [path])
    assert "cut short" in problem.found


@pytest.mark.parametrize("how", ["bgzip", "gzip"])
def test_damage_in_the_middle_is_refused(tmp_path, how):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many(40000), length=100000), how)
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2 : len(whole) // 2 + 60] = bytes(60)
    path.write_bytes(whole)
    (problem,) = problems_of(read, path)
    assert problem.place.startswith("after record chr")


def edited(tmp_path, line, change):
    lines = vcf_text(SAMPLES, many()).split("\n")  # six lines of header: line 100 is record 94, at 3 * 94 + 1
    lines[line] = change(lines[line])
    return written(tmp_path / "x", "\n".join(lines))


def test_a_text_cut_in_the_middle_of_a_line_is_refused(tmp_path):
    text = vcf_text(SAMPLES, many())
    path = written(tmp_path / "x", text[: text.rindex("\n", 0, len(text) // 2) + 20])
    (problem,) = problems_of(read, path)
    assert problem.place.startswith("after record chr")


@pytest.mark.parametrize(
    "change",
    [
        lambda line: line.rsplit("\t", 1)[0],
        lambda line: "rubbish here",
        lambda line: line.replace("GT", "DP").replace("0/1", "3"),
        lambda line: line.replace("chr1\t", "chr1\tx"),
        lambda line: "\t".join(line.split("\t")[:8]),
    ],
)
def test_a_line_that_is_no_record_is_refused(tmp_path, change):
    found = problems_of(read, edited(tmp_path, 100, change))
    assert found[-1].place == f"after record chr1:{3 * 93 + 1}"


@pytest.mark.parametrize("change", [lambda line: line + "\t0/0", lambda line: line.rsplit("\t", 1)[0]])
def test_columns_that_do_not_fit_the_header_are_counted_before_reading(tmp_path, change):
    (problem,) = problems_of(vcf_files.plan, [edited(tmp_path, 100, change)])
    assert problem.place == f"record chr1:{3 * 94 + 1}"
    assert "13 columns" in problem.allowed


@pytest.mark.parametrize("name", ["", "a b", "<chr1>", "chr1,2"])
@pytest.mark.parametrize("line", [6, 100])
def test_what_is_no_name_of_a_chromosome_is_refused(tmp_path, name, line):
    (problem,) = problems_of(read, edited(tmp_path, line, lambda text: name + text.removeprefix("chr1")))
    after = "the header" if line == 6 else f"chr1:{3 * 93 + 1}"
    assert problem.place == f"after record {after}"


@pytest.mark.parametrize("how", ["plain", "bcf"])
def test_a_position_beyond_the_declared_length_is_refused(tmp_path, how):
    records = [snp("chr1", 500, ["0/1"] * 4), snp("chr2", 501, ["0/1"] * 4)]
    (problem,) = problems_of(read, written(tmp_path / "x", vcf_text(SAMPLES, records, length=500), how))
    assert (problem.place, problem.column, problem.found) == ("record chr2:501", "POS", "501")
    assert problem.allowed == "at most 500, the length of chr2 in the header"


def test_records_out_of_order_are_refused(tmp_path):
    call = ["0/0"] * 4
    for records, place in (
        ([snp("chr1", 9, call), snp("chr1", 8, call)], "record chr1:8"),
        ([snp("chr1", 9, call), snp("chr2", 8, call), snp("chr1", 10, call)], "record chr1:10"),
    ):
        (problem,) = problems_of(read, written(tmp_path / "x", vcf_text(SAMPLES, records)))
        assert problem.place == place


@pytest.mark.parametrize(("how", "column"), [("plain", 0), ("plain", 3), ("plain", 4), ("tbi", 3), ("tbi", 4)])
def test_bytes_that_are_not_utf_8_are_refused(tmp_path, how, column):
    """A fault that mutated studies found: chromosome, reference and alternate are read as text."""
    lines = vcf_text(SAMPLES, many(20)).encode().split(b"\n")
    fields = lines[-10].split(b"\t")
    before = lines[-11].split(b"\t")
    fields[column] = b"\xaf" + fields[column]
    lines[-10] = b"\t".join(fields)
    path = tmp_path / "x.vcf"
    path.write_bytes(b"\n".join(lines))
    if how == "tbi":
        pysam.tabix_compress(str(path), f"{path}.gz")
        pysam.tabix_index(f"{path}.gz", preset="vcf")
        path = tmp_path / "x.vcf.gz"
    (problem,) = problems_of(read, path, SAMPLES, [["chr1", 1, None], ["chr2", 1, None]] if how == "tbi" else None)
    assert problem.place == f"after record {before[0].decode()}:{before[1].decode()}"
    assert problem.found == "byte 0xAF, which is not UTF-8"


@pytest.mark.parametrize("text", ["", "hello\n", "##fileformat=VCFv4.2\n"])
def test_what_is_no_vcf_is_refused(tmp_path, text):
    (problem,) = problems_of(vcf_files.plan, [written(tmp_path / "x", text)])
    assert problem.file == "x.vcf"


def test_the_same_animal_twice_in_a_header_is_refused(tmp_path):
    path = written(tmp_path / "x", vcf_text(["a", "b", "a", "d"], [snp("chr1", 1, ["0/0"] * 4)]))
    (problem,) = problems_of(vcf_files.plan, [path])
    assert "uplicate" in problem.found


def test_a_file_with_none_of_the_animals_is_refused(tmp_path):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many(4)))
    (problem,) = problems_of(read, path, ["elsewhere"])
    assert "none of the animals" in problem.found


@pytest.mark.parametrize("how", ["tbi", "csi", "bcf"])
@pytest.mark.parametrize("k", [1, 2, 5, 32])
def test_parts_of_an_indexed_file_hold_every_record_once(tmp_path, how, k, monkeypatch):
    # a deletion that reaches over a cut is met by the region behind the cut too
    records = [*many(), ("chr2", 4600, ".", "A" * 3000, "A", "PASS", ["0/0"] * 4)]
    path = written(tmp_path / "x", vcf_text(SAMPLES, records), how)
    monkeypatch.setattr(genome_parts, "PART_BYTES", path.stat().st_size / k + 1e-6)
    planned = vcf_files.plan([path])
    assert len(planned["parts"]) == k == n_parts([path.stat().st_size], [True])
    read_parts = [read(path, ranges=part["ranges"]) for part in planned["parts"]]
    assert [row for rows, _ in read_parts for row in rows] == read(path)[0]
    assert sum(reader.records["read"] for _, reader in read_parts) == 3001
    assert planned["files"][0]["n_records"] == (3001 if k > 1 else None)


def test_contigs_that_the_header_does_not_name_are_read_through_the_index(tmp_path, monkeypatch):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many(), contigs=("chr1",)), "tbi")
    monkeypatch.setattr(genome_parts, "PART_BYTES", path.stat().st_size / 3)
    planned = vcf_files.plan([path])
    assert planned["files"][0]["contigs"] == ["chr1", "chr2"]
    assert [row for part in planned["parts"] for row in read(path, ranges=part["ranges"])[0]] == read(path)[0]


def test_an_index_that_cannot_be_read_is_named(tmp_path, monkeypatch):
    path = written(tmp_path / "x", vcf_text(SAMPLES, many()), "tbi")
    (tmp_path / "x.vcf.gz.tbi").write_bytes(gzip.compress(b"nothing"))
    monkeypatch.setattr(genome_parts, "PART_BYTES", path.stat().st_size / 3)
    (problem,) = problems_of(vcf_files.plan, [path])
    assert "index" in problem.found


def test_number_of_parts_depends_on_size_and_index_alone():
    unit = genome_parts.PART_BYTES
    assert genome_parts.parts_of_files([0, 1, unit, unit + 1, 10**12], [True] * 5) == [1, 1, 1, 2, 32]
    assert n_parts([unit * 5, unit * 5], [True, False]) == 6


@pytest.mark.parametrize("k", [1, 2, 3, 7])
def test_stretches_cover_the_genome_once(k):
    contigs, lengths = ["a", "b", "c"], [10, 1, 25]
    covered = [
        (contig, position)
        for ranges in genome_stretches(contigs, lengths, k)
        for contig, first, last in ranges
        for position in range(first, (lengths[contigs.index(contig)] if last is None else last) + 1)
    ]
    assert covered == [(c, p) for c, n in zip(contigs, lengths, strict=True) for p in range(1, n + 1)]


def test_without_lengths_whole_contigs_are_dealt_out():
    stretches = genome_stretches(["a", "b", "c"], [0, 0, 0], 2)
    assert stretches == [[["a", 1, None], ["b", 1, None]], [["c", 1, None]]]
    assert genome_stretches(["a"], [0], 3) == [[["a", 1, None]], [], []]


def test_pysam_reads_the_same_calls(tmp_path):
    """A second parser (pysam) as an independent reading."""
    path = written(tmp_path / "x", vcf_text(SAMPLES, many(200)), "bgzip")
    with pysam.VariantFile(str(path)) as handle:
        naive = [
            (r.contig, r.pos, [-1 if None in r.samples[s]["GT"] else sum(r.samples[s]["GT"]) for s in SAMPLES])
            for r in handle
        ]
    assert [(row[0], row[1], row[-1]) for row in read(path)[0]] == naive
