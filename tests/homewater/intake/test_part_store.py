"""A part written as a store: animals in the order given, at their sites, and a count of what was left out."""

from tests.made_vcf import snp, vcf_text, written

from homewater.genotypes.store import open_genotypes
from homewater.intake.part_store import PartSource, write_part


def test_a_part_holds_the_listed_animals_and_counts_its_records(tmp_path):
    two_alternates = ("chr1", 3, ".", "A", "C,G", "PASS", ["0/1", "0/2", "0/0"])
    text = vcf_text(["x", "b", "a"], [snp("chr1", 1, ["0/0", "0/1", "1/1"]), two_alternates])
    source = PartSource(str(written(tmp_path / "x", text)), None, "", 0, 0)
    records = write_part(str(tmp_path / "0.zarr"), source, {"a": "north", "b": "south", "not there": "south"})
    assert (records["read"], records["kept"], records["alternates_dropped"]) == (2, 2, 1)
    store = open_genotypes(tmp_path / "0.zarr")
    assert store.sample_ids.tolist() == ["a", "b"]
    assert store.location_ids.tolist() == ["north", "south"]
    assert store.select([0, 1]).tolist() == [[2, 1], [0, 1]]
    assert store.attributes["records"] == records


def test_calls_of_a_genotype_table_are_read_by_its_marker_table(tmp_path):
    (tmp_path / "calls.csv").write_text("materialSampleID,m1\na,AC\nb,\n", encoding="utf-8")
    (tmp_path / "markers.csv").write_text("marker,chrom,pos,ref,alt\nm1,chr1,5,A,C\n", encoding="utf-8")
    source = PartSource(str(tmp_path / "calls.csv"), None, str(tmp_path / "markers.csv"), 0, 0)
    write_part(str(tmp_path / "0.zarr"), source, {"a": "north", "b": "north"})
    assert open_genotypes(tmp_path / "0.zarr").select([0]).tolist() == [[1, -1]]
