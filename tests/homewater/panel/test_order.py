"""The panel as an order: VCF that another library reads, flanks against hand-worked bases, a reference that differs."""

import gzip

import numpy as np
import pandas as pd
import pysam
import pytest

from homewater.inputs.reference import read_windows
from homewater.panel.candidates import clear_of_others
from homewater.panel.order import ambiguity_code, flank_windows, flanks_fasta, panel_vcf
from homewater.running.errors import MAX_LISTED, InputError

GENOME = {"chr2": "ACGTTGCAacgtNACG", "chr10/ä": "GGGGCCCCAT", "unused": "TTTT"}
MARKERS = pd.DataFrame(
    [("a", "chr2", 5, "T", "G"), ("x", "chr2", 7, "C", "T"), ("y", "chr2", 7, "C", "A"), ("b", "chr2", 13, "A", "C"),
     ("c", "chr10/ä", 1, "G", "A"), ("d", "chr10/ä", 8, "C", "G")],
    columns=["marker", "chrom", "pos", "ref", "alt"],
)  # fmt: skip


def panel(markers=MARKERS, names=("b", "a", "c")):
    chosen = markers.set_index("marker").loc[list(names)].reset_index()
    use = ["panel"] * (len(chosen) - 1) + ["reserve"]
    return chosen.assign(rank=np.arange(1, len(chosen) + 1), allele_frequency_difference=0.1 + 0.2, use=use)


def written(path, how="plain", genome=GENOME, end="\n"):
    text = "".join(f">{name} invented{end}{s[:7]}{end}{s[7:]}{end}" for name, s in genome.items()).encode()
    if how == "bgzip":
        with pysam.BGZFile(str(path), "wb") as handle:
            handle.write(text)
    else:
        path.write_bytes(gzip.compress(text, mtime=0) if how == "gzip" else text)
    return path


def flanks(path, chosen, bases=3, markers=MARKERS):
    lengths, sequences = read_windows(path, "r.fa", flank_windows(chosen, bases))
    return flanks_fasta(chosen, markers, lengths, sequences, bases, "r.fa")


def test_codes_are_those_of_the_nomenclature():
    """Source: the mnemonics of Cornish-Bowden (1985), from memory: puRine, pYrimidine, aMino, Keto, Strong, Weak."""
    named = {"AG": "R", "CT": "Y", "AC": "M", "GT": "K", "CG": "S", "AT": "W", "ACGT": "N"}
    assert {bases: ambiguity_code(bases) for bases in named} == named
    after = {"A": "B", "C": "D", "G": "H", "T": "V"}  # not A is B, and so on; U is taken, so not T is V
    for base, letter in after.items():
        assert ambiguity_code("ACGT".replace(base, "")[::-1]) == letter


@pytest.mark.parametrize("how", ["plain", "gzip", "bgzip"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_flanks_worked_by_hand(tmp_path, how, end):
    path = written(tmp_path / "r.fa", how, end=end)
    text, clear = flanks(path, panel())
    # chr2 is A C G T T G C A A C G T N A C G; the reference has N at 13, where the genotypes say A
    assert text.split("\n") == [
        ">b chr2:10-16 rank=1 use=panel alleles=A/C", "CGTMACG",
        ">a chr2:2-8 rank=2 use=panel alleles=T/G", "CGTKGHA",
        ">c chr10/ä:1-4 rank=3 use=reserve alleles=G/A", "RGGG", "",
    ]  # fmt: skip
    assert clear == 2
    assert [p.name for p in tmp_path.iterdir()] == ["r.fa"]  # no index beside the user's file


@pytest.mark.parametrize("seed", range(3))
def test_windows_equal_those_of_an_indexed_reader(tmp_path, seed):
    """Second reader: pysam's FastaFile, which fetches by an index."""
    rng = np.random.default_rng(seed)
    genome = {f"c{i}": "".join(rng.choice(list("ACGTacgtN"), int(rng.integers(1, 300)))) for i in range(4)}
    path = tmp_path / "g.fa"
    path.write_text(
        "".join(f">{n} x y\n" + "".join(s[i : i + 60] + "\n" for i in range(0, len(s), 60)) for n, s in genome.items())
    )
    windows = {n: [(int(m) - 30, int(m) + 30) for m in rng.integers(1, len(s) + 1, size=5)] for n, s in genome.items()}
    lengths, found = read_windows(path, "g.fa", windows)
    with pysam.FastaFile(str(path)) as other:
        assert lengths == dict(zip(other.references, other.lengths, strict=True))
        for name, own in windows.items():
            assert found[name] == [other.fetch(name, max(0, a - 1), b).upper() for a, b in own]


def test_a_reference_that_differs_is_told_with_all_its_places(tmp_path):
    path = written(tmp_path / "r.fa")
    wrong = MARKERS.assign(ref=["A", "G", "C", "A", "G", "C"], pos=[5, 7, 7, 13, 1, 80])
    with pytest.raises(InputError) as caught:
        flanks(path, panel(wrong, ("a", "d", "c")), markers=wrong)
    assert [(p.file, p.place, p.found, p.allowed) for p in caught.value.problems] == [
        ("r.fa", "record chr2:5", "T", "A, the REF of the genotypes"),
        ("r.fa", "record chr2:7", "C", "G, the REF of the genotypes"),
        ("r.fa", "record chr10/ä:80", "a sequence of 10 bases", "a base at 80"),
    ]
    other = written(tmp_path / "o.fa", genome={"2": GENOME["chr2"], "chr10/ä": "G-GGGGGG"})
    with pytest.raises(InputError) as caught:
        flanks(other, panel())
    assert [(p.place, p.found) for p in caught.value.problems] == [
        ("sequence chr2", "no sequence of this name"), ("record chr10/ä:2", "'-'"),
    ]  # fmt: skip
    many = pd.DataFrame(
        {"marker": [f"m{i}" for i in range(30)], "chrom": "c", "pos": range(1, 31), "ref": "A", "alt": "C"}
    )
    with pytest.raises(InputError) as caught:
        flanks(written(tmp_path / "m.fa", genome={"c": "G" * 40}), panel(many, many["marker"]), 1, many)
    lines = str(caught.value).splitlines()
    assert len(lines) == MAX_LISTED + 1
    assert lines[-1] == "... and 10 more problems"


def test_damaged_and_repeated_references_are_told(tmp_path):
    path = tmp_path / "r.fa"
    path.write_bytes(gzip.compress(b">chr2\n" + b"ACGT" * 500)[:-9])
    with pytest.raises(InputError, match="breaks off"):
        flanks(path, panel())
    path.write_text(">chr2\nACGT\n>chr2\nACGT\n")
    with pytest.raises(InputError, match="line 3: found a second sequence chr2"):
        flanks(path, panel())


def test_vcf_is_read_back_by_another_library(tmp_path):
    path = tmp_path / "p.vcf"
    odd = MARKERS.assign(marker=["a b", "x", "y", "b", "c", "d"])
    path.write_text(
        panel_vcf(panel(odd, ("b", "a b", "c")), ["chr2", "chr10/ä", "empty"], {"chr2": 16}), encoding="utf-8"
    )
    with pysam.VariantFile(str(path)) as source:
        assert next((c.name, c.length) for c in source.header.contigs.values()) == ("chr2", 16)
        assert list(source.header.contigs) == ["chr2", "chr10/ä", "empty"]
        records = [(r.chrom, r.pos, r.id, r.ref, *r.alts, r.info["RANK"], r.info["USE"]) for r in source]
    assert records == [
        ("chr2", 5, "a%20b", "T", "G", 2, "panel"), ("chr2", 13, "b", "A", "C", 1, "panel"),
        ("chr10/ä", 1, "c", "G", "A", 3, "reserve"),
    ]  # fmt: skip
    assert "DIFFERENCE=0.30000000000000004\n" in path.read_text(encoding="utf-8")
    none = panel_vcf(panel().iloc[:0], [], {})
    assert none.splitlines()[-1].startswith("#CHROM")


@pytest.mark.parametrize("bases", [0, 1, 20, 400])
def test_markers_near_others_equal_looking_at_every_pair(bases):
    rng = np.random.default_rng(bases)
    chrom = np.repeat(["b", "a"], 60)
    pos = np.concatenate([np.sort(rng.integers(1, 9000, 60)) for _ in range(2)])
    clear = clear_of_others(chrom, pos, bases)
    for i in range(120):
        near = [j for j in range(120) if j != i and chrom[i] == chrom[j] and abs(pos[i] - pos[j]) <= bases]
        assert clear[i] == (not near or not bases)
    assert clear_of_others(chrom[:1], pos[:1], 5).tolist() == [True]
    assert clear_of_others(chrom[:0], pos[:0], 5).tolist() == []
