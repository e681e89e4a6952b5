"""Blocks of the genome that tell another story than the rest: inversions, and stretches under selection.

Two kinds of evidence. Windows along the genome whose sites differ otherwise than on the other chromosomes
(`genome_windows`), and chromosomes on which distant markers are linked within sites (`linked_markers`). Windows that
stand out are joined to stretches, and a stretch is read by its animals (`block_axis`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.genetic_map import GeneticMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.genotypes.site_counts import SiteCounts
from homewater.statistics.allele_counts import AlleleCounts, n_animals
from homewater.statistics.intervals import false_discovery
from homewater.structure.block_axis import BlockAxis, arrangement_axis, difference_axis
from homewater.structure.block_stretches import best_stretch, joined_windows
from homewater.structure.block_tables import animal_rows, blocks_table, site_rows, windows_table
from homewater.structure.genome_windows import WindowScan, chromosome_rows, common_contrasts, scan_windows, windows_of
from homewater.structure.linked_markers import (
    MIN_MARKERS,
    ChromosomeLinkage,
    piece_linkages,
    pieces_of,
    spread_markers,
    stands_out,
    strongest_pieces,
    within_sites,
)

MIN_ANIMALS = 30  # beyond the number of sites: fewer tell nothing of linkage
SAME_PATTERN = 0.25  # squared correlation within sites from which two stretches of a chromosome are one block


@dataclass(frozen=True)
class BlockRules:
    """What the search for blocks is set to.

    Attributes:
        block_fdr: false-discovery rate of the windows.
        window_markers: markers of a window, at least.
        window_cm: length of a window, centimorgans, at least.
        min_rest_share: least share of the markers that must remain when blocks are left out of the search for units.
        min_individuals: sites with fewer animals have no part in the scan.
    """

    block_fdr: float = 0.05
    window_markers: int = 25
    window_cm: float = 1.0
    min_rest_share: float = 0.5
    min_individuals: int = 5

    @classmethod
    def of_study(cls, settings: dict) -> BlockRules:
        """Return the rules of a study.

        Args:
            settings: section `structure` of the settings.
        """
        names = ("block_fdr", "window_markers", "window_cm", "min_rest_share", "min_individuals")
        return cls(*(settings[name] for name in names))


@dataclass(frozen=True)
class BlockAnimals:
    """The animals whose genotypes show what a block is.

    Attributes:
        table: materialSampleID, locationID, role; one row an animal.
        site: int (n_animals,), place of the animal's site among the sites of the counts; -1 where it defines nothing.
        dosages: gives the genotypes of some markers, int8 (n_rows, n_animals) with -1 for missing, from their rows
            among the markers of the counts.
    """

    table: pd.DataFrame
    site: np.ndarray
    dosages: Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class FoundBlocks:
    """The windows and the blocks of a genome.

    Attributes:
        windows: table genome_windows.
        blocks: table genome_blocks.
        animals: table block_animals.
        sites: table block_sites.
    """

    windows: pd.DataFrame
    blocks: pd.DataFrame
    animals: pd.DataFrame
    sites: pd.DataFrame


@dataclass(frozen=True)
class Stretch:
    """A stretch that stands out.

    Attributes:
        first: its first marker.
        last: its last marker.
        q_value: smallest of its evidence.
        window: the window in it that stands out most.
        by_windows: whether windows stand out, and not linkage alone.
        lower: whether its sites differ too little.
    """

    first: int
    last: int
    q_value: float
    window: int
    by_windows: bool
    lower: bool


def find_blocks(
    counts: SiteCounts, position_cm: np.ndarray, animals: BlockAnimals | None, rules: BlockRules
) -> FoundBlocks:
    """Return the windows of the genome and the blocks among them.

    Args:
        counts: genotype counts by site of the technically sound markers, in genome order.
        position_cm: float64 (n_markers,), place of each marker on its chromosome, centimorgans.
        animals: the animals, those that define nothing among them; None leaves linkage and arrangements aside, and then
            the tables of animals and of sites are empty.
        rules: the settings.
    """
    tested_sites = n_animals(counts.counts) >= rules.min_individuals
    used = np.ascontiguousarray(counts.counts[:, tested_sites])
    common = common_contrasts(used)[1]
    window = windows_of(counts.chrom, position_cm, common, rules.window_markers, rules.window_cm)
    scan = scan_windows(used, counts.chrom, window, rules.block_fdr)
    linked, linked_q, ratio = _linkage(counts, position_cm, animals)
    held_together = stands_out(linked, linked_q, ratio, rules.block_fdr)
    read = []
    for stretch in _stretches(scan, counts.chrom, (linked, linked_q, held_together), rules.block_fdr):
        rows = np.arange(stretch.first, stretch.last + 1)
        axis, reading = _read(stretch, rows, used, scan, position_cm, animals)
        if stretch.by_windows or reading == "arrangement":  # linkage alone may be a stretch that hardly recombines
            read.append((stretch, reading, axis))
    blocks = blocks_table(
        counts.subset(np.arange(len(counts.markers))),
        used,
        [(s.first, s.last, s.q_value, reading) for s, reading, _ in read],
        rules.min_rest_share,
    )
    names = blocks["block"].tolist()
    strength = np.full(len(linked), np.nan)
    for number, one in enumerate(linked):
        strength[number] = np.nan if one is None else one.strength
    windows = windows_table(counts, used, scan, (strength, linked_q), blocks)
    axes = [(name, axis) for name, (_, _, axis) in zip(names, read, strict=True) if axis is not None]
    if animals is None:
        return FoundBlocks(windows, blocks, animal_rows([], None), site_rows([], None, counts.location_ids))
    return FoundBlocks(
        windows,
        blocks,
        animal_rows(axes, animals.table),
        site_rows(axes, animals.site, counts.location_ids),
    )


def _linkage(
    counts: SiteCounts, position_cm: np.ndarray, animals: BlockAnimals | None
) -> tuple[list[ChromosomeLinkage | None], np.ndarray, np.ndarray]:
    """Return the strongest linkage of each chromosome, None where it cannot be told, its q value and its ratio."""
    chromosomes = chromosome_rows(counts.chrom)
    pieces: list[list[ChromosomeLinkage]] = [[] for _ in chromosomes]
    if animals is not None:
        ours = np.flatnonzero(animals.site >= 0)
        site = animals.site[ours]
        degrees = ours.size - np.unique(site).size
        if degrees >= MIN_ANIMALS:
            alleles = AlleleCounts.of_genotypes(counts.counts.sum(axis=1))
            frequency = np.nan_to_num(alleles.frequency)
            for number, rows in enumerate(chromosomes):
                chosen = spread_markers(rows, frequency)
                if chosen.size >= MIN_MARKERS:
                    x = within_sites(animals.dosages(chosen)[:, ours], site)
                    own = pieces_of(chosen.size)
                    pieces[number] = piece_linkages(x, chosen, position_cm[chosen], degrees, own)
    found, p_value, ratio = strongest_pieces(pieces)
    return found, false_discovery(p_value), ratio


def _stretches(scan: WindowScan, chrom: np.ndarray, linkage: tuple, fdr: float) -> list[Stretch]:
    """Return the stretches that stand out, along the genome; those of one chromosome that overlap are one.

    Args:
        scan: of the windows.
        chrom: (n_markers,).
        linkage: linkage of each chromosome, its q value, and whether it is a sign of a block.
        fdr: false-discovery rate.
    """
    linked, linked_q, held_together = linkage
    chromosomes = chromosome_rows(chrom)
    n_windows = len(scan.q_value)
    chromosome = np.zeros(n_windows, dtype=np.int64)
    for number, rows in enumerate(chromosomes):
        chromosome[scan.window[rows]] = number
    likely = scan.stands_out | (np.nan_to_num(scan.q_value, nan=1.0) < fdr)
    groups = [group for group in joined_windows(likely, chromosome) if scan.stands_out[group].any()]
    by_window = [_by_windows(scan, group, chromosome) for group in groups]
    found = []
    for number, rows in enumerate(chromosomes):
        own = [s for s in by_window if rows[0] <= s.first <= rows[-1]]
        if held_together[number]:
            own = _with_linkage(own, linked[number], float(linked_q[number]), scan)
        found += sorted(own, key=lambda s: s.first)
    return found


def _by_windows(scan: WindowScan, group: np.ndarray, chromosome: np.ndarray) -> Stretch:
    """Return the stretch of some windows, its edges where the markers cease to differ in the windows' way."""
    best = int(group[np.nan_to_num(scan.p_value[group], nan=1.0).argmin()])
    inside = np.isin(scan.window, group)
    first, last = int(np.flatnonzero(inside)[0]), int(np.flatnonzero(inside)[-1])
    lower = bool(scan.lower[best])
    if not lower:
        around = [w for w in range(group[0] - 1, group[-1] + 2) if 0 <= w < len(chromosome)]
        around = [w for w in around if chromosome[w] == chromosome[best]]
        rows = np.flatnonzero(np.isin(scan.window, around) & np.isfinite(scan.along))
        start, end = best_stretch(scan.along[rows], max(float(np.nanmedian(scan.departure)), 1.0))
        first, last = int(rows[start]), int(rows[end])
    return Stretch(first, last, float(np.nanmin(scan.q_value[group])), best, True, lower)


def _with_linkage(own: list[Stretch], linkage: ChromosomeLinkage, q_value: float, scan: WindowScan) -> list[Stretch]:
    """Return a chromosome's stretches, those that belong to its linked one joined with it."""
    start, end = best_stretch(linkage.squared, linkage.noise)
    first, last = int(linkage.rows[start]), int(linkage.rows[end])
    apart, members = [], []
    for stretch in own:
        here = (linkage.rows >= stretch.first) & (linkage.rows <= stretch.last)
        alike = here.any() and linkage.squared[here].mean() >= SAME_PATTERN * linkage.squared[start : end + 1].mean()
        overlaps = stretch.first <= last and stretch.last >= first
        (members if overlaps or alike else apart).append(stretch)
        if alike and not overlaps:
            first, last = min(first, stretch.first), max(last, stretch.last)
    windows = np.unique(scan.window[first : last + 1])
    best = int(windows[np.nan_to_num(scan.p_value[windows], nan=1.0).argmin()])
    q_value = min([q_value, *(s.q_value for s in members)])
    lower = bool(members) and all(s.lower for s in members)
    return [*apart, Stretch(first, last, q_value, best, bool(members), lower)]


def _read(
    stretch: Stretch,
    rows: np.ndarray,
    used: np.ndarray,
    scan: WindowScan,
    position_cm: np.ndarray,
    animals: BlockAnimals | None,
) -> tuple[BlockAxis | None, str]:
    """Return the animals along a stretch, and what the stretch is."""
    plain = "uniform" if stretch.lower else "differentiation"
    if animals is None:
        return None, plain
    alleles = AlleleCounts.of_genotypes(used.sum(axis=1))
    chosen = spread_markers(rows, np.nan_to_num(alleles.frequency))
    dosages = animals.dosages(chosen)
    contrasts, common = common_contrasts(used[chosen])
    weight = np.where(common, contrasts @ scan.direction[stretch.window], 0.0)
    beyond = None if stretch.lower else weight
    axis = arrangement_axis(dosages, animals.site, position_cm[chosen], beyond)
    if axis is not None:
        return axis, "arrangement"
    return difference_axis(dosages, animals.site, weight), plain


def species_blocks(
    species: OpenedSpecies, counts: SiteCounts, genetic_map: GeneticMap, rules: BlockRules
) -> FoundBlocks:
    """Return the windows and blocks of a species.

    Args:
        species: genotypes, animals and markers.
        counts: counts by site over all markers of the store.
        genetic_map: of the species.
        rules: the settings.
    """
    rows = np.flatnonzero(species.technical_markers)
    position_cm = genetic_map.of(species.store.markers).position_cm if len(species.markers) else np.zeros(0)
    kept = species.kept
    site = np.where(kept["defines"], species.site_numbers(counts.location_ids), -1)
    animals = BlockAnimals(
        kept[["materialSampleID", "locationID", "role"]],
        site,
        lambda chosen: species.store.select(rows[chosen], species.place),
    )
    return find_blocks(counts.subset(rows), position_cm[rows], animals, rules)
