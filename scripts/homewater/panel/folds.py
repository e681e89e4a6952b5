"""Baseline animals dealt into folds, and the panel that is chosen without some of the folds.

Every site is spread evenly over the folds, and kin stay together. All that depends on which unit an animal belongs to
is done again without the folds left out: call rates by unit, the search for animals of recent foreign ancestry,
frequencies, the choice of markers. The units themselves are not found again, so every figure holds for these units.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from homewater.crosses.drift import drift_by_unit
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import MISSING, ClassList, KnownUnits, class_list
from homewater.crosses.odds import counts_by_unit, recently_foreign
from homewater.crosses.simulated import PanelModel
from homewater.genotypes.genetic_map import RecombinationMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.panel.candidates import BlockLimit, EligibleMarkers, random_markers
from homewater.panel.ranking import Ranking, ranked
from homewater.panel.reference_animals import kin_groups
from homewater.panel.settings import PanelSettings


def deal_folds(site: np.ndarray, kin: np.ndarray, n_folds: int, rng: np.random.Generator) -> np.ndarray:
    """Return the fold of each animal: every site spread evenly over the folds, families undivided.

    Args:
        site: int (n_animals,), site of each animal; -1 takes no part.
        kin: int (n_animals,), family of each animal; animals without kin have a number of their own.
        n_folds: number of folds.
        rng: source of randomness.

    Returns:
        int64 (n_animals,), -1 for animals that take no part.
    """
    fold = np.full(len(site), -1, dtype=np.int64)
    total = np.zeros(n_folds)
    for place in np.unique(site[site >= 0]):
        here = np.zeros(n_folds)
        members = np.flatnonzero((site == place) & (fold < 0))
        families = rng.permutation(np.unique(kin[members]))
        for family in families:
            whole = np.flatnonzero((kin == family) & (site >= 0))  # kin at other sites come along
            emptiest = int(np.lexsort((np.arange(n_folds), total, here))[0])
            fold[whole] = emptiest
            here[emptiest] += (site[whole] == place).sum()
            total[emptiest] += len(whole)
    return fold


class _Held:
    """Genotypes of the animals that take part, on the markers asked for."""

    def __init__(self, genotypes, animals: np.ndarray):
        self._genotypes, self._mask = genotypes, np.zeros(genotypes.n_samples, dtype=bool)
        self._mask[animals] = True

    def __call__(self, markers: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(self._genotypes.select(markers, self._mask).T)


@dataclass(frozen=True)
class DealtAnimals:
    """Baseline animals dealt into folds, and how a panel is made without some of them.

    Attributes:
        genotypes: an opened store (`genotype_counts`, `select`, `n_samples`).
        unit: int (n_samples,), unit of each reference animal; -1 for all others.
        site: int (n_samples,), site of each animal.
        fold: int (n_samples,), from `deal_folds`; -1 takes no part.
        n_units: number of units.
        markers: which markers a panel may take.
        recombination: map of all markers.
        settings: sizes and limits.
        ratio_level: share of locals that may exceed a cut-off.
    """

    genotypes: Any
    unit: np.ndarray
    site: np.ndarray
    fold: np.ndarray
    n_units: int
    markers: EligibleMarkers
    recombination: RecombinationMap
    settings: PanelSettings
    ratio_level: float

    @cached_property
    def animals(self) -> np.ndarray:
        """Int64, the animals that take part; what is "by animal" below is along these."""
        return np.flatnonzero(self.fold >= 0)

    @cached_property
    def n_folds(self) -> int:
        """Number of folds."""
        return int(self.fold.max(initial=-1)) + 1

    @cached_property
    def classes(self) -> ClassList:
        """Classes of ancestry that animals are judged for."""
        return class_list(self.n_units)

    def of(self, values: np.ndarray) -> np.ndarray:
        """Return the values of the animals that take part.

        Args:
            values: (n_samples, ...), along the store.
        """
        return values[self.animals]

    @cached_property
    def take(self) -> _Held:
        """Genotypes by animal of the markers asked for, int8 (n_animals, n_asked)."""
        return _Held(self.genotypes, self.animals)

    @cached_property
    def _counts(self) -> np.ndarray:
        """Genotype counts, int64 (n_markers, n_folds, n_units, 4)."""
        group = np.where(self.fold >= 0, self.fold * self.n_units + self.unit, -1)
        counts = self.genotypes.genotype_counts(group, self.n_folds * self.n_units)
        return counts.reshape(len(counts), self.n_folds, self.n_units, 4)

    @cached_property
    def _total(self) -> np.ndarray:
        return self._counts.sum(axis=1)

    def _ranked(self, counts: np.ndarray, n: int, start: FrequencyPrior | None = None) -> Ranking:
        return ranked(counts, self.markers, self.settings.rules, n, start)

    def drawn_markers(self, usable: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
        """Return `random_markers` under the rules of the panel.

        Args:
            usable: bool (n_markers,), which may be taken.
            n: markers wanted.
            rng: source of randomness.
        """
        rules, markers = self.settings.rules, self.markers
        limit = BlockLimit(markers.block, rules.max_block_markers)
        return random_markers(usable, markers.chrom, markers.pos, n, rules.min_spacing_bp, rng, limit)

    def trained(self, *without: int) -> Training | None:
        """Return what is learnt without some folds; None where a unit has no animals, or no marker can be chosen."""
        counts = self._total - self._counts[:, list(without)].sum(axis=1)
        if (counts[..., :3].sum(axis=(0, 2)) == 0).any():
            return None
        first = self._ranked(counts, self.settings.n_markers)
        if not len(first.markers):
            return None
        local = np.where(np.isin(self.of(self.fold), without), -1, self.of(self.unit))
        foreign = recently_foreign(
            self.take(first.markers),
            local,
            self.n_units,
            self.settings.rules.error,
            self.settings.foreign_rate,
            first.prior,
        )
        if foreign.any():
            gone = np.full(self.genotypes.n_samples, -1)
            gone[self.animals[foreign]] = self.of(self.unit)[foreign]
            counts = counts - self.genotypes.genotype_counts(gone, self.n_units)
        local[foreign] = -1
        found = self._ranked(counts, max(self.settings.sizes), first.prior)
        return Training(local, found.markers, found.usable, found.prior, self.take(found.markers),
                        self.recombination.take(found.markers))  # fmt: skip


@dataclass(frozen=True)
class Training:
    """What is learnt without some folds.

    Attributes:
        local: int (n_animals,), unit of the animals learnt from; -1 for the others.
        chosen: int64, markers in rank order, as many as the largest size.
        usable: bool (n_markers,), candidates.
        prior: of the frequencies.
        dosages: int8 (n_animals, n_chosen).
        recombination: map of the chosen markers.
    """

    local: np.ndarray
    chosen: np.ndarray
    usable: np.ndarray
    prior: FrequencyPrior
    dosages: np.ndarray
    recombination: RecombinationMap

    def known(self, dosages: np.ndarray, dealt: DealtAnimals) -> KnownUnits:
        """Return what the animals learnt from tell of the units at some markers.

        Args:
            dosages: int8 (n_animals, n_loci), genotypes of all that take part, at these markers.
            dealt: the animals that this was learnt from.
        """
        counts = counts_by_unit(dosages, self.local, dealt.n_units)
        return KnownUnits(counts, dealt.settings.rules.error, self.prior)

    def panel(self, dealt: DealtAnimals) -> PanelModel:
        """Return the panel that animals are judged with.

        Args:
            dealt: the animals that this was learnt from.
        """
        drift = drift_by_unit(self.dosages, dealt.of(dealt.site), self.local, dealt.n_units)
        patterns = self.dosages[self.local >= 0] == MISSING
        return PanelModel(self.known(self.dosages, dealt), drift, self.recombination, patterns)


def deal_species(
    species: OpenedSpecies, unit: np.ndarray, n_folds: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return the site of each animal of a species, and its fold.

    Args:
        species: the opened species.
        unit: int (n_samples,), unit of each reference animal; -1 for all others, who take no part.
        n_folds: number of folds.
        rng: source of randomness.

    Returns:
        Two int64 (n_samples,): sites numbered in the order of their names; folds, -1 for who takes no part.
    """
    _, site = np.unique(species.store.location_ids, return_inverse=True)
    return site, deal_folds(np.where(unit >= 0, site, -1), kin_groups(species.animals), n_folds, rng)
