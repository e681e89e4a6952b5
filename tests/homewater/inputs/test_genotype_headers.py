"""Headers, polygons and references: what other libraries read is what is read here, and broken files are told."""

import itertools
import json

import numpy as np
import pytest
import shapely
from cyvcf2 import VCF
from tests.made_inputs import IDS, packed, vcf_text

from homewater.inputs.genotype_headers import read_genotype_header
from homewater.inputs.polygons import read_polygons
from homewater.inputs.reference import reference_problem

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


# --- polygons ---

SQUARE = [[-8, 56], [-6, 56], [-6, 59], [-8, 59], [-8, 56]]


def polygon(*rings, kind="Polygon"):
    return {"type": kind, "coordinates": list(rings)}


def collection(*geometries):
    features = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    return {"type": "FeatureCollection", "features": features}


def polygons_of(folder, content):
    path = folder / "range.geojson"
    text = content if isinstance(content, (str, bytes)) else json.dumps(content)
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    shape, problems = read_polygons(path, "range.geojson")
    assert (shape is None) == bool(problems)
    return shape, [(p.place, p.column, p.found) for p in problems]


def test_polygons_of_every_kind_are_joined(tmp_path):
    """A point lies within exactly where winding round the rings says so (even-odd rule, written out here)."""
    hole = [[-7.5, 57], [-7, 57], [-7, 58], [-7.5, 58], [-7.5, 57]]
    other = [[-4, 50], [-3, 50], [-3.5, 51], [-4, 50]]
    shape, problems = polygons_of(
        tmp_path,
        collection(
            polygon(SQUARE, hole), {"type": "GeometryCollection", "geometries": [polygon([other], kind="MultiPolygon")]}
        ),
    )
    assert problems == []

    def inside(x, y):
        crossings = 0
        for ring in (SQUARE, hole, other):
            for (x1, y1), (x2, y2) in itertools.pairwise(ring):
                if (y1 > y) != (y2 > y) and x < (x2 - x1) * (y - y1) / (y2 - y1) + x1:
                    crossings += 1
        return crossings % 2 == 1

    rng = np.random.default_rng(11)
    x, y = rng.uniform(-9, -2, 500), rng.uniform(49, 60, 500)
    expected = [inside(a, b) for a, b in zip(x, y, strict=True)]
    assert 0 < sum(expected) < 500
    assert shapely.intersects_xy(shape, x, y).tolist() == expected
    for bare in (polygon(SQUARE), {"type": "Feature", "geometry": polygon(SQUARE)}):
        assert polygons_of(tmp_path, bare)[0].area == 6


@pytest.mark.parametrize(
    ("content", "place", "column", "found"),
    [
        ('{"type":\n nonsense}', "line 2", "", "text that is no JSON (Expecting value)"),
        ('{"type": NaN}', "", "", "numbers or nesting that JSON does not allow"),
        ("[" * 100_000, "", "", "numbers or nesting that JSON does not allow"),
        (b"\xff", "line 1", "", "byte 0xFF, which is not UTF-8"),
        ("[]", "", "type", "JSON that is no GeoJSON"),
        ({"type": "FeatureCollection", "features": []}, "", "features", "no polygon"),
        (collection(polygon(SQUARE), {"type": "Point", "coordinates": [1, 2]}), "feature 2", "type", "Point"),
        (collection(None), "feature 1", "type", "no geometry"),
        (collection(polygon()), "feature 1", "coordinates", "coordinates that make no polygon"),
        (collection(polygon(SQUARE[:-1])), "feature 1", "coordinates", "a ring of 4 positions that does not close"),
        (collection(polygon([[0, "1"]])), "feature 1", "coordinates", "[0, '1']"),
        (collection(polygon([[y * 1000, x] for x, y in SQUARE])), "feature 1", "coordinates", "[56000, -8]"),
        (collection({"type": "Polygon"}), "feature 1", "coordinates", "coordinates that make no polygon"),
        (
            collection(polygon([[0, 0], [2, 2], [2, 0], [0, 2], [0, 0]])),
            "feature 1",
            "coordinates",
            "a polygon that is not valid (Self-intersection[1 1])",
        ),
        (
            {**collection(polygon(SQUARE)), "crs": {"type": "name", "properties": {"name": "EPSG:27700"}}},
            "",
            "crs",
            '{"type": "name", "properties": {"name": "EPSG:27700"}}',
        ),
    ],
)
def test_what_is_no_polygon_is_told_with_its_feature(tmp_path, content, place, column, found):
    assert polygons_of(tmp_path, content)[1] == [(place, column, found)]


def test_the_usual_name_of_the_usual_system_is_allowed(tmp_path):
    """The name that older writers of GeoJSON give to degrees on WGS84."""
    system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert polygons_of(tmp_path, {**collection(polygon(SQUARE)), "crs": system})[1] == []


def test_references_are_told_by_their_first_character(tmp_path):
    path = tmp_path / "r.fa"
    for how in ("plain", "gzip"):
        path.write_bytes(packed(">chr1\nACGT\n", how, tmp_path))
        assert reference_problem(path, "r.fa") is None
    for content, found in (
        (b"ACGT", "a file that is no FASTA"),
        (b"", "an empty file"),
        (b"\x1f\x8bxx", "a file that breaks off or is damaged"),
    ):
        path.write_bytes(content)
        assert reference_problem(path, "r.fa").found == found
