"""Headers of genotype files: what another library reads is what is read here, and broken files are told."""

import pytest
from cyvcf2 import VCF
from tests.made_inputs import IDS, packed, vcf_text

from homewater.inputs.genotype_headers import read_genotype_header

FORMS = ["plain", "gzip", "bgzip", "bcf"]


def header_of(folder, content, name="my/a.vcf.gz"):
    path = folder / "genotypes"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    header, problems = read_genotype_header(path, name)
    assert all(p.file == name and p.allowed for p in problems)
    return header, [(p.place, p.column, p.found) for p in problems]


@pytest.mark.parametrize("how", FORMS)
def test_headers_are_those_that_htslib_reads(tmp_path, how):
    """The outside source is htslib, by cyvcf2."""
    content = packed(vcf_text(["T1", "é 2", "S-05/a"]), how, tmp_path)
    header, problems = header_of(tmp_path, content)
    other = VCF(str(tmp_path / "genotypes"))
    assert problems == []
    assert list(header.sample_ids) == other.samples
    assert list(header.contigs) == other.seqnames
    assert list(header.contigs.values()) == other.seqlens
    if how != "bcf":  # a BCF's header has gained a line
        assert vcf_text().splitlines()[header.sample_line - 1].startswith("#CHROM")


def test_windows_line_ends_are_read_as_htslib_reads_them(tmp_path):
    header, problems = header_of(tmp_path, vcf_text().replace("\n", "\r\n"))
    assert problems == []
    assert list(header.sample_ids) == VCF(str(tmp_path / "genotypes")).samples


@pytest.mark.parametrize("how", FORMS)
def test_a_file_cut_anywhere_is_told_or_is_whole_in_its_header(tmp_path, how):
    """Cut inside the header nothing is made up; a bgzip file or BCF cut anywhere is told, whatever the place."""
    content = packed(vcf_text([f"T{i}" for i in range(40)]), how, tmp_path)
    whole, _ = header_of(tmp_path, content)
    for cut in range(0, len(content) - 1, 7):
        header, problems = header_of(tmp_path, content[:cut])
        assert header in (None, whole)
        assert header or problems
        if how in ("bgzip", "bcf"):
            assert problems


@pytest.mark.parametrize(("cut", "n_columns"), [(6, 13), (30, 7)])
def test_a_plain_file_cut_inside_a_record_is_told(tmp_path, cut, n_columns):
    text = vcf_text()[:-cut]
    assert len(text.splitlines()[-1].split("\t")) == n_columns
    assert header_of(tmp_path, text)[1] == [("last line", "", f"{n_columns} columns: the file breaks off")]


def test_a_plain_file_without_a_last_line_end_is_whole(tmp_path):
    assert header_of(tmp_path, vcf_text().rstrip("\n"))[1] == []


def test_a_long_last_line_is_measured_whole(tmp_path):
    """Longer than one step of reading back."""
    ids = [f"T{i}" for i in range(60_000)]
    assert header_of(tmp_path, vcf_text(ids))[1] == []
    found = header_of(tmp_path, vcf_text(ids)[:-8])[1]
    assert found == [("last line", "", f"{9 + len(ids) - 1} columns: the file breaks off")]


@pytest.mark.parametrize(
    ("old", "new", "place", "column", "found"),
    [
        ("##fileformat", "##format", "line 1", "", "a file that is neither VCF nor BCF"),
        ("T2\t", "T1\t", "line 5", "T1", "2 columns with this sample"),
        ("T2\t", "\t", "line 5", "", "a sample without a name"),
        ("ID=GT,", "ID=DP,", "header", "FORMAT", "no declaration of genotypes (##FORMAT=<ID=GT,...>)"),
        ("#CHROM\tPOS", "#CHROM POS", "line 5", "#CHROM", "#CHROM POS ID REF ALT QUAL FILTER INFO FORMAT T1"),
        ("\tFORMAT\t" + "\t".join(IDS), "", "line 5", "FORMAT", "a VCF without samples"),
        ("\t" + "\t".join(IDS), "", "line 5", "FORMAT", "a VCF without samples"),
        ("#CHROM", "CHROM", "line 5", "#CHROM", "a header without its #CHROM line (a file that breaks off?)"),
    ],
)
def test_a_wrong_header_is_told_with_its_place(tmp_path, old, new, place, column, found):
    text = vcf_text()
    assert old in text
    lines = text.replace(old, new).splitlines()[:5]  # records apart, whose number of columns no longer fits
    assert header_of(tmp_path, "\n".join(lines) + "\n")[1] == [(place, column, found)]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "an empty file"),
        (b"\x1f\x8b\x08\x00broken", "a file that breaks off or is damaged inside its header"),
        (b"materialSampleID,species\n", "a file that is neither VCF nor BCF"),
        (b"##fileformat=VCFv4.2\n##source=caf\xe9\n", "a header that is not UTF-8"),
        (b"BCF\x02\x02\xff\xff\xff\x00", "a file that breaks off or is damaged inside its header"),
    ],
)
def test_what_is_no_genotype_file_is_told(tmp_path, content, found):
    header, problems = header_of(tmp_path, content)
    assert header is None
    assert [p[2] for p in problems] == [found]


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    assert [p.found for p in read_genotype_header(tmp_path / "no.vcf", "no.vcf")[1]] == ["no such file"]
    assert [p.found for p in read_genotype_header(tmp_path, "folder")[1]] == ["a folder"]
