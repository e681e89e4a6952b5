"""Which markers a panel may take, and in which order it takes them once it is known what each is worth.

The panel and its proof choose by the same functions; the proof does so again inside each fold.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.allele_counts import n_called

LEAST_FREQUENCY = 0.01
AHEAD = 20  # markers put in order for each one wanted; more only where the spacing refuses so many


def candidates(counts: np.ndarray, kept: np.ndarray, min_call_rate: float) -> np.ndarray:
    """Return which markers may enter a panel: kept by the filters and called often enough in every unit.

    Args:
        counts: int (n_markers, n_units, 4), genotype counts of the animals that may choose: homozygous reference,
            heterozygous, homozygous alternate, missing.
        kept: bool (n_markers,).
        min_call_rate: least share of animals called, in each unit.

    Returns:
        bool (n_markers,).
    """
    called = n_called(counts)
    total = called + counts[..., 3]
    return kept & ((called >= min_call_rate * total) & (called > 0)).all(axis=1)


def for_prior(markers: pd.DataFrame, kept: np.ndarray) -> np.ndarray:
    """Return which markers the prior of frequencies is fitted on: those kept, and those with a rare allele.

    A filter of rare alleles looks at the counts themselves, and a prior fitted to what it left is too narrow; the
    stronger the filter, the more so. Alleles rarer than LEAST_FREQUENCY stay out: among them genotyping errors pass for
    alleles.

    Args:
        markers: table markers of the intake.
        kept: bool (n_markers,), markers that the filters kept.

    Returns:
        bool (n_markers,).
    """
    rare = markers["reason"].isin(["minor_allele_frequency", "minor_allele_count"])
    return kept | (rare & (markers["minor_allele_frequency"] >= LEAST_FREQUENCY)).to_numpy()


def clear_of_others(chrom: np.ndarray, pos: np.ndarray, min_clear_bases: int) -> np.ndarray:
    """Return which markers have no other known marker so near that a primer or probe would lie on it.

    Looks at places alone, at no genotype and no label, so that it is the same inside and outside a fold.

    Args:
        chrom: (n_markers,), chromosome names, each chromosome's markers together.
        pos: int (n_markers,), base pairs, ascending on each chromosome.
        min_clear_bases: bases on either side that must hold no other marker; 0 looks at none.

    Returns:
        bool (n_markers,).
    """
    chrom, pos = np.asarray(chrom), np.asarray(pos, dtype=np.int64)
    clear = np.ones(len(pos), dtype=bool)
    if min_clear_bases and len(pos) > 1:
        near = (chrom[1:] == chrom[:-1]) & (np.diff(pos) <= min_clear_bases)
        clear[1:] &= ~near
        clear[:-1] &= ~near
    return clear


@dataclass(frozen=True)
class EligibleMarkers:
    """What is known of all markers before any genotype is looked at.

    Attributes:
        kept: bool (n_markers,), kept by the filters, and with room for a primer: what a panel may take.
        varied: bool (n_markers,), markers that the prior of frequencies is fitted on, from `for_prior`.
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs.
        n_near_others: kept markers that stand too near another known marker.
        block: int64 (n_markers,), block of the genome in which each lies, -1 for none; None where there are no blocks.
    """

    kept: np.ndarray
    varied: np.ndarray
    chrom: np.ndarray
    pos: np.ndarray
    n_near_others: int = 0
    block: np.ndarray | None = None

    @classmethod
    def of_species(cls, species: OpenedSpecies, min_clear_bases: int, blocks: pd.DataFrame) -> EligibleMarkers:
        """Return what is known of a species' markers.

        Args:
            species: the opened species.
            min_clear_bases: bases on either side of a marker that may hold no other known marker.
            blocks: table genome_blocks.
        """
        kept, places = species.kept_markers, species.store.markers
        clear = clear_of_others(places["chrom"], places["pos"], min_clear_bases)
        varied = for_prior(species.markers, kept)
        chrom, pos = places["chrom"].to_numpy(), places["pos"].to_numpy()
        block = block_of_markers(chrom, pos, blocks) if len(blocks) else None
        return cls(kept & clear, varied, chrom, pos, int((kept & ~clear).sum()), block)

    def outside_blocks(self) -> np.ndarray:
        """Return bool (n_markers,): markers in no block of the genome."""
        return np.ones(len(self.kept), dtype=bool) if self.block is None else self.block < 0


def block_of_markers(chrom: np.ndarray, pos: np.ndarray, blocks: pd.DataFrame) -> np.ndarray:
    """Return the number of the block in which each marker lies, int64 (n_markers,); -1 for none.

    Args:
        chrom: (n_markers,).
        pos: int (n_markers,).
        blocks: table genome_blocks.
    """
    out = np.full(len(pos), -1, dtype=np.int64)
    for number, block in enumerate(blocks.to_dict("records")):
        out[(chrom == block["chrom"]) & (pos >= block["start"]) & (pos <= block["end"])] = number
    return out


@dataclass(frozen=True)
class BlockLimit:
    """How many markers of one block of the genome may be taken: all of them tell the same single story.

    Attributes:
        block: int64 (n_markers,), block of each marker, -1 for none; None without blocks.
        most: markers of one block, at most.
    """

    block: np.ndarray | None = None
    most: int = 0


class _Spacing:
    """Remembers where markers have been taken; refuses one too near on its chromosome, or one too many of a block."""

    def __init__(self, chrom: np.ndarray, pos: np.ndarray, min_spacing_bp: int, limit: BlockLimit):
        self._chrom, self._pos, self._least, self._limit = chrom, pos, min_spacing_bp, limit
        self._taken: dict = {}
        self._of_block: dict[int, int] = {}

    def take(self, marker: int) -> bool:
        block = -1 if self._limit.block is None else int(self._limit.block[marker])
        if block >= 0 and self._of_block.get(block, 0) >= self._limit.most:
            return False
        if not self._has_room(marker):
            return False
        self._of_block[block] = self._of_block.get(block, 0) + 1
        return True

    def _has_room(self, marker: int) -> bool:
        taken = self._taken.setdefault(self._chrom[marker], [])
        here = int(self._pos[marker])
        at = bisect_left(taken, here)
        near = (abs(here - taken[i]) for i in (at - 1, at) if 0 <= i < len(taken))
        if any(distance < self._least for distance in near):
            return False
        insort(taken, here)
        return True


def falling(worth: np.ndarray, n: int) -> np.ndarray:
    """Return the places of the `n` largest values and of ties with the last, by falling value, then place; int64.

    Args:
        worth: float64 (n_values,).
        n: values wanted; all where it is 0 or too large.
    """
    if not 0 < n < len(worth):
        return np.argsort(-worth, kind="stable")
    head = np.flatnonzero(worth >= np.partition(worth, len(worth) - n)[len(worth) - n])
    return head[np.argsort(-worth[head], kind="stable")]


def rank_markers(
    worth: np.ndarray,
    candidate: np.ndarray,
    chrom: np.ndarray,
    pos: np.ndarray,
    n: int,
    min_spacing_bp: int,
    limit: BlockLimit = BlockLimit(),
) -> np.ndarray:
    """Return the best markers in the order in which a panel takes them; every panel is the head of this list.

    With two units markers are taken by falling worth. With more, each next marker is the best one left for the pair of
    units that the markers taken so far serve worst (least sum of worth), so that no pair is sacrificed for an easier
    one. Ties fall to genome order.

    Args:
        worth: float64 (n_pairs, n_markers), what a marker tells of each pair of units.
        candidate: bool (n_markers,), which may be taken.
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs.
        n: markers wanted.
        min_spacing_bp: least distance between two markers taken on one chromosome.
        limit: of markers of one block of the genome.

    Returns:
        int64 (at most n,), indices of markers.
    """
    indices = np.flatnonzero(candidate)
    if not len(indices) or not len(worth):
        return np.empty(0, dtype=np.int64)
    here = worth[:, indices]
    order = [falling(row, AHEAD * n) for row in here]
    spacing = _Spacing(np.asarray(chrom), np.asarray(pos), min_spacing_bp, limit)
    served, next_place = np.zeros(len(here)), np.zeros(len(here), dtype=np.int64)
    tried = np.zeros(len(indices), dtype=bool)
    chosen: list[int] = []
    while len(chosen) < n:
        pair = int(np.argmin(served))
        while next_place[pair] < len(order[pair]) and tried[order[pair][next_place[pair]]]:
            next_place[pair] += 1
        if next_place[pair] == len(order[pair]):
            if len(order[pair]) == len(indices):
                break
            order[pair] = falling(here[pair], len(indices))  # begins with what has been gone through
            continue
        place = int(order[pair][next_place[pair]])
        tried[place] = True
        if spacing.take(int(indices[place])):
            chosen.append(int(indices[place]))
            served += here[:, place]
    return np.array(chosen, dtype=np.int64)


def random_markers(
    candidate: np.ndarray,
    chrom: np.ndarray,
    pos: np.ndarray,
    n: int,
    min_spacing_bp: int,
    rng: np.random.Generator,
    limit: BlockLimit = BlockLimit(),
) -> np.ndarray:
    """Return markers drawn without looking at units, with the same spacing: what a panel is compared with.

    Args:
        candidate: bool (n_markers,), which may be taken.
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs.
        n: markers wanted.
        min_spacing_bp: least distance between two markers taken on one chromosome.
        rng: source of randomness.
        limit: of markers of one block of the genome.

    Returns:
        int64 (at most n,), in the order drawn.
    """
    spacing = _Spacing(np.asarray(chrom), np.asarray(pos), min_spacing_bp, limit)
    chosen: list[int] = []
    for marker in rng.permutation(np.flatnonzero(candidate)):
        if len(chosen) == n:
            break
        if spacing.take(int(marker)):
            chosen.append(int(marker))
    return np.array(chosen, dtype=np.int64)
