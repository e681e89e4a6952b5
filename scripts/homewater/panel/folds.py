"""Baseline animals dealt into parts, and what is learnt of a panel without some of the parts.

Every site is spread evenly over the parts, kin together. Whatever looks at labels is done again without the parts left
out: call rates by unit, animals of recent foreign ancestry, frequencies, markers. Units stay fixed, so that every
figure is conditional on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.gene_drop import RecombinationMap
from homewater.crosses.likelihood import MISSING, ClassList, class_list
from homewater.crosses.odds import counts_by_unit, recently_foreign
from homewater.crosses.simulated import PanelModel
from homewater.panel.candidates import drift_by_unit
from homewater.panel.ranking import Ranking, ranked
from homewater.panel.reference_animals import kin_groups


@dataclass(frozen=True)
class Settings:
    """Settings of the proof; names and units as in the study file.

    Attributes:
        sizes: numbers of markers, ascending; the panel's own among them.
        n_markers: the panel's size, for the confusion table and for the first judgement of foreign ancestry.
        min_call_rate: least call rate of a marker in each unit.
        min_spacing_bp: least distance between markers.
        error: chance that a called genotype is wrong.
        ratio_level: share of locals that may exceed a cut-off.
        foreign_rate: share of locals that may leave the frequencies as foreign.
        size_from_curve: whether each part is judged at the size that the others choose, not at `n_markers`.
    """

    sizes: tuple[int, ...]
    n_markers: int
    min_call_rate: float
    min_spacing_bp: int
    error: float
    ratio_level: float
    foreign_rate: float
    size_from_curve: bool = False

    @classmethod
    def of_study(cls, panel: dict, error: float, ratio_level: float, foreign_rate: float) -> Settings:
        """Return the settings from those of the study file's `panel`."""
        sizes = tuple(sorted({*panel["sizes"], panel["n_markers"]}))
        return cls(sizes, panel["n_markers"], panel["min_call_rate"], panel["min_spacing_bp"], error, ratio_level,
                   foreign_rate, panel["size_from"] == "curve")  # fmt: skip


def deal_folds(site: np.ndarray, kin: np.ndarray, n_folds: int, rng: np.random.Generator) -> np.ndarray:
    """Return the part of each animal: every site spread evenly over the parts, families undivided.

    Args:
        site: int (n_animals,), site of each animal; -1 takes no part.
        kin: int (n_animals,), family of each animal; animals without kin have a number of their own.
        n_folds: number of parts.
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
            part = int(np.lexsort((np.arange(n_folds), total, here))[0])
            fold[whole] = part
            here[part] += (site[whole] == place).sum()
            total[part] += len(whole)
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
    """Baseline animals dealt into parts, and how a panel is made without some of them.

    Attributes:
        genotypes: an opened store (`genotype_counts`, `select`, `markers`, `n_samples`).
        unit: int (n_samples,), unit of each reference animal; -1 for all others.
        site: int (n_samples,), site of each animal.
        fold: int (n_samples,), from `deal_folds`; -1 takes no part.
        n_units: number of units.
        kept: bool (n_markers,), markers that the filters kept.
        varied: bool (n_markers,), markers that the prior is fitted on, from `for_prior`.
        recombination: map of all markers.
        settings: sizes and limits.
    """

    genotypes: Any
    unit: np.ndarray
    site: np.ndarray
    fold: np.ndarray
    n_units: int
    kept: np.ndarray
    varied: np.ndarray
    recombination: RecombinationMap
    settings: Settings

    @cached_property
    def animals(self) -> np.ndarray:
        """Int64, the animals that take part; what is "by animal" below is along these."""
        return np.flatnonzero(self.fold >= 0)

    @cached_property
    def parts(self) -> int:
        """Number of parts."""
        return int(self.fold.max(initial=-1)) + 1

    @cached_property
    def classes(self) -> ClassList:
        """Classes of ancestry that animals are judged for."""
        return class_list(self.n_units)

    def of(self, values: np.ndarray) -> np.ndarray:
        """Return the values of the animals that take part."""
        return values[self.animals]

    @cached_property
    def take(self) -> _Held:
        """Genotypes by animal of the markers asked for, int8 (n_animals, n_asked)."""
        return _Held(self.genotypes, self.animals)

    @cached_property
    def _counts(self) -> np.ndarray:
        """Genotype counts, int64 (n_markers, parts, n_units, 4)."""
        group = np.where(self.fold >= 0, self.fold * self.n_units + self.unit, -1)
        counts = self.genotypes.genotype_counts(group, self.parts * self.n_units)
        return counts.reshape(len(counts), self.parts, self.n_units, 4)

    @cached_property
    def _total(self) -> np.ndarray:
        return self._counts.sum(axis=1)

    def _ranked(self, counts: np.ndarray, n: int, start: FrequencyPrior | None = None) -> Ranking:
        limits = self.settings
        return ranked(counts, self.kept, self.varied, self.places, n, limits.min_call_rate, limits.min_spacing_bp,
                      limits.error, start)  # fmt: skip

    @cached_property
    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Chromosome and position of each marker."""
        return self.genotypes.markers["chrom"].to_numpy(), self.genotypes.markers["pos"].to_numpy()

    def trained(self, *without: int) -> Training | None:
        """Return what is learnt without some parts; None where a unit has no animals, or no marker can be chosen."""
        counts = self._total - self._counts[:, list(without)].sum(axis=1)
        if (counts[..., :3].sum(axis=(0, 2)) == 0).any():
            return None
        first = self._ranked(counts, self.settings.n_markers)
        if not len(first.markers):
            return None
        local = np.where(np.isin(self.of(self.fold), without), -1, self.of(self.unit))
        foreign = recently_foreign(
            self.take(first.markers), local, self.n_units, self.settings.error, self.settings.foreign_rate, first.prior
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
    """What is learnt without some parts.

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

    def panel(self, dealt: DealtAnimals) -> PanelModel:
        """Return the panel that animals are judged with."""
        counted = counts_by_unit(self.dosages, self.local, dealt.n_units)
        drift = drift_by_unit(self.dosages, dealt.of(dealt.site), self.local, dealt.n_units)
        patterns = self.dosages[self.local >= 0] == MISSING
        return PanelModel(*counted, drift, dealt.settings.error, self.recombination, patterns, self.prior)


def deal(
    genotypes,
    animals: pd.DataFrame,
    unit: np.ndarray,
    n_units: int,
    kept: np.ndarray,
    varied: np.ndarray,
    recombination: RecombinationMap,
    settings: Settings,
    folds: int,
    rng: np.random.Generator,
) -> DealtAnimals:
    """Return the reference animals dealt into parts.

    Args:
        genotypes: an opened store.
        animals: table samples of the intake, in the store's order.
        unit: int (n_samples,), unit of each reference animal; -1 for all others.
        n_units: number of units.
        kept: bool (n_markers,), markers that the filters kept.
        varied: bool (n_markers,), markers that the prior is fitted on, from `for_prior`.
        recombination: map of all markers.
        settings: sizes and limits.
        folds: parts wanted.
        rng: source of randomness.
    """
    _, site = np.unique(genotypes.location_ids, return_inverse=True)
    fold = deal_folds(np.where(unit >= 0, site, -1), kin_groups(animals), folds, rng)
    return DealtAnimals(genotypes, unit, site, fold, n_units, kept, varied, recombination, settings)
