"""A reference is told from other files by its first character."""

from tests.made_inputs import packed

from homewater.inputs.reference import reference_problem


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
