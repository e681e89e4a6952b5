"""The panel as a laboratory orders it: its markers as VCF, and each with the bases around it.

Ambiguity codes: Nomenclature Committee of the IUB (1984), in Cornish-Bowden (1985) Nucleic Acids Res 13:3021-3030.
VCF: version 4.3 of its specification (samtools/hts-specs).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.store import Genotypes
from homewater.running.errors import InputError, Problem

#: The bases that each letter of a sequence can stand for.
BASES = {
    "A": "A", "C": "C", "G": "G", "T": "T", "M": "AC", "R": "AG", "W": "AT", "S": "CG", "Y": "CT", "K": "GT",
    "V": "ACG", "H": "ACT", "D": "AGT", "B": "CGT", "N": "ACGT",
}  # fmt: skip
_LETTER = {frozenset(bases): letter for letter, bases in BASES.items()}


def ambiguity_code(bases: str) -> str:
    """Return the one letter that stands for all these bases.

    Args:
        bases: one or more of A, C, G, T, in any order.
    """
    return _LETTER[frozenset(bases)]


def panel_vcf(panel: pd.DataFrame, contigs: Sequence[str], lengths: Mapping[str, int]) -> str:
    """Return the panel and its reserves as VCF 4.3 without samples, one record a marker, in genome order.

    Args:
        panel: table panel (rank, marker, chrom, pos, ref, alt, allele_frequency_difference, use).
        contigs: names of all chromosomes, in genome order.
        lengths: {chromosome: length in bp}, where known.
    """
    lines = ["##fileformat=VCFv4.3", "##source=homewater"]
    for contig in contigs:
        length = f",length={lengths[contig]}" if contig in lengths else ""
        lines.append(f"##contig=<ID={_word(contig)}{length}>")
    lines += [
        '##INFO=<ID=RANK,Number=1,Type=Integer,Description="Rank; reserves follow the markers on the panel">',
        '##INFO=<ID=USE,Number=1,Type=String,Description="panel or reserve">',
        '##INFO=<ID=DIFFERENCE,Number=1,Type=Float,Description="Largest difference in allele frequency between units">',
        "#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO",
    ]
    place = {contig: number for number, contig in enumerate(contigs)}
    rows = sorted(panel.to_dict("records"), key=lambda r: (place[r["chrom"]], r["pos"], r["rank"]))
    for row in rows:
        number = repr(float(row["allele_frequency_difference"])).removesuffix(".0")
        info = f"RANK={row['rank']};USE={row['use']};DIFFERENCE={number}"
        cells = [_word(row["chrom"]), row["pos"], _word(row["marker"]), row["ref"], row["alt"], ".", ".", info]
        lines.append("\t".join(map(str, cells)))
    return "\n".join(lines) + "\n"


def _word(text: str) -> str:
    """Return a name without what neither VCF nor FASTA allows inside a name, each such sign as its code."""
    return "".join(f"%{ord(c):02X}" if c.isspace() or c in "<>," else c for c in str(text))


def flank_windows(panel: pd.DataFrame, flank_bases: int) -> dict[str, list[tuple[int, int]]]:
    """Return {chromosome: [(first, last)]} around each marker, in the panel's order on each chromosome.

    Args:
        panel: table panel.
        flank_bases: bases on either side.
    """
    windows: dict[str, list[tuple[int, int]]] = {}
    for chrom, pos in zip(panel["chrom"], panel["pos"].astype(int), strict=True):
        windows.setdefault(chrom, []).append((pos - flank_bases, pos + flank_bases))
    return windows


def flanks_fasta(
    panel: pd.DataFrame,
    markers: pd.DataFrame,
    lengths: Mapping[str, int],
    sequences: Mapping[str, Sequence[str]],
    flank_bases: int,
    reference: str,
) -> tuple[str, int]:
    """Return the flanks of every marker as FASTA in rank order, variants as ambiguity codes, and how many are clear.

    Args:
        panel: table panel.
        markers: chrom, pos, ref, alt of all markers known, in genome order.
        lengths: {chromosome: length in bp} of the reference.
        sequences: {chromosome: [bases]}, from `flank_windows` in its order.
        flank_bases: bases on either side.
        reference: the reference file as the user wrote it.

    Returns:
        FASTA text, one line of bases a marker; number of markers without another known variant in their flanks.

    Raises:
        InputError: where the reference lacks a chromosome or a position, has another base than the genotypes' REF at a
            marker or at a variant beside it, or holds what is no base; all such places together.
    """
    problems: list[Problem] = []
    known = {chrom: rows for chrom, rows in markers.groupby("chrom", sort=False)}
    taken: dict[str, int] = {}
    text, clear = [], 0
    for row in panel.to_dict("records"):
        chrom, pos = row["chrom"], int(row["pos"])
        if chrom not in lengths:
            _once(problems, Problem(reference, f"sequence {chrom}", "", "no sequence of this name",
                                    "the chromosome names of the genotypes"))  # fmt: skip
            continue
        number = taken[chrom] = taken.get(chrom, -1) + 1
        if pos > lengths[chrom]:
            found = f"a sequence of {lengths[chrom]} bases"
            problems.append(Problem(reference, f"record {chrom}:{pos}", row["marker"], found, f"a base at {pos}"))
            continue
        first = max(1, pos - flank_bases)
        bases = list(sequences[chrom][number])
        for place, base in enumerate(bases):
            if base not in BASES:
                where = f"record {chrom}:{first + place}"
                _once(problems, Problem(reference, where, "", repr(base), "letters of bases (" + "".join(BASES) + ")"))
        own = known[chrom]
        position = own["pos"].to_numpy()
        near = own.iloc[np.searchsorted(position, first) : np.searchsorted(position, pos + flank_bases, side="right")]
        here: dict[int, str] = {}
        for at, ref, alt in zip(near["pos"].tolist(), near["ref"], near["alt"], strict=True):
            if at - first >= len(bases):
                found = f"a sequence of {lengths[chrom]} bases"
                _once(problems, Problem(reference, f"record {chrom}:{at}", "", found, f"a base at {at}"))
                continue
            there = bases[at - first]
            if ref not in BASES.get(there, ref):
                _once(
                    problems, Problem(reference, f"record {chrom}:{at}", "", there, f"{ref}, the REF of the genotypes")
                )
            here[at] = here.get(at, "") + ref + alt
        for at, alleles in here.items():
            bases[at - first] = ambiguity_code(alleles)
        clear += len(here) == 1
        title = f"{_word(row['marker'])} {_word(chrom)}:{first}-{first + len(bases) - 1} rank={row['rank']}"
        text.append(f">{title} use={row['use']} alleles={row['ref']}/{row['alt']}\n{''.join(bases)}\n")
    if problems:
        raise InputError(problems)
    return "".join(text), clear


def _once(problems: list[Problem], problem: Problem) -> None:
    if problem not in problems:
        problems.append(problem)


@dataclass(frozen=True)
class ReferenceBases:
    """Bases of a reference genome around the markers of a panel.

    Attributes:
        name: the reference file as the user wrote it.
        lengths: {chromosome: length in bp}.
        sequences: {chromosome: [bases]}, windows as `flank_windows` gives them.
    """

    name: str
    lengths: Mapping[str, int]
    sequences: Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class LaboratoryOrder:
    """What a laboratory needs to make the panel.

    Attributes:
        vcf: the markers as VCF.
        flanks: the markers with the bases around them as FASTA; empty without a reference.
        summary: how many markers, and why there are no flanks.
    """

    vcf: str
    flanks: str
    summary: dict


def windows_wanted(panel: pd.DataFrame, store: Genotypes, flank_bases: int) -> dict[str, Sequence[tuple[int, int]]]:
    """Return {chromosome: [(first, last)]} to be read of a reference: every chromosome, since the VCF tells its length.

    Args:
        panel: table panel.
        store: the genotypes, which name the chromosomes.
        flank_bases: bases on either side of a marker.
    """
    return dict.fromkeys(map(str, store.contig_ids), ()) | flank_windows(panel, flank_bases)


def laboratory_order(
    panel: pd.DataFrame,
    store: Genotypes,
    reference: ReferenceBases | None,
    panel_summary: dict,
    flank_bases: int,
    min_clear_bases: int,
) -> LaboratoryOrder:
    """Return the panel as a laboratory orders it.

    Args:
        panel: table panel.
        store: the genotypes, which know all markers.
        reference: bases around the markers; None without a reference, and then there are no flanks.
        panel_summary: how many markers were wanted and chosen.
        flank_bases: bases on either side of a marker.
        min_clear_bases: bases on either side of a marker that hold no other known marker, for the summary.
    """
    why = "no_panel" if panel.empty else "no_reference" if reference is None else ""
    text, n_clear, lengths = "", 0, {}
    if not why:
        lengths = reference.lengths
        text, n_clear = flanks_fasta(panel, store.loci, lengths, reference.sequences, flank_bases, reference.name)
    n_flanks = 0 if why else len(panel)
    print(f"flanks of {n_flanks} markers" + (f": none written, {why}" if why else ""))
    names = ("n_wanted", "n_markers", "n_reserve", "n_near_others")
    summary = {name: panel_summary.get(name, 0) for name in names}
    summary |= {"flanks": n_flanks, "why_no_flanks": why, "n_without_other_variant": n_clear}
    summary |= {"flank_bases": flank_bases, "min_clear_bases": min_clear_bases}
    return LaboratoryOrder(panel_vcf(panel, list(map(str, store.contig_ids)), lengths), text, summary)
