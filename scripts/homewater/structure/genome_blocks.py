"""Blocks of the genome that tell another story than the rest: inversions, and stretches under selection."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.crosses.opened_panel import GeneticMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.genotypes.site_counts import SiteCounts
from homewater.tables.schema_tables import empty_table


@dataclass(frozen=True)
class BlockRules:
    """What the search for blocks is set to.

    Attributes:
        block_fdr: false-discovery rate of the windows.
        window_markers: markers of a window, at least.
        window_cm: length of a window, centimorgans, at least.
        min_rest_share: least share of the markers that must remain when blocks are left out of the search for units.
    """

    block_fdr: float = 0.05
    window_markers: int = 25
    window_cm: float = 1.0
    min_rest_share: float = 0.5

    @classmethod
    def of_study(cls, settings: dict) -> BlockRules:
        """Return the rules of a study.

        Args:
            settings: section `structure` of the settings.
        """
        return cls(*(settings[name] for name in ("block_fdr", "window_markers", "window_cm", "min_rest_share")))


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


def find_blocks(counts: SiteCounts, position_cm: np.ndarray, animals: BlockAnimals, rules: BlockRules) -> FoundBlocks:
    """Return the windows of the genome and the blocks among them.

    Args:
        counts: genotype counts by site of the technically sound markers, in genome order.
        position_cm: float64 (n_markers,), place of each marker on its chromosome, centimorgans.
        animals: the animals, those that define nothing among them.
        rules: the settings.
    """
    names = ("genome_windows", "genome_blocks", "block_animals", "block_sites")
    return FoundBlocks(*(empty_table(name) for name in names))


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
