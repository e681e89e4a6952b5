"""The panel as the rules before wrote it, opened once for all that judge animals by it.

A panel is more than a list of markers: animals are judged by the genotypes of the reference animals at them, by the
prior of frequencies and by the chance of a genotyping error. All of it is read here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from homewater.crosses.drift import drift_by_unit
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import MISSING, ClassList, KnownUnits, class_list
from homewater.crosses.odds import counts_by_unit
from homewater.crosses.simulated import PanelModel
from homewater.genotypes.genetic_map import GeneticMap
from homewater.genotypes.store import Genotypes
from homewater.tables.schema_tables import read_json, read_table
from homewater.tables.unit_names import unit_indices, unit_names


@dataclass(frozen=True)
class ReferenceAnimals:
    """The animals that were asked to lend their genotypes to the units' frequencies, along the store.

    Attributes:
        unit: int64 (n_samples,), unit of each reference animal; -1 for all others.
        used: bool (n_samples,), counted in the frequencies; the others were left out as of recent foreign ancestry.
    """

    unit: np.ndarray
    used: np.ndarray

    @classmethod
    def along(cls, sample_ids: np.ndarray, table: pd.DataFrame) -> ReferenceAnimals:
        """Return the reference animals in the order of a store.

        Args:
            sample_ids: str (n_samples,), the store's animals.
            table: table reference_animals.
        """
        unit = dict(zip(table["materialSampleID"], unit_indices(table["unit"]).tolist(), strict=True))
        used = dict(zip(table["materialSampleID"], table["used"].astype(bool), strict=True))
        return cls(
            np.array([unit.get(s, -1) for s in sample_ids], dtype=np.int64),
            np.array([used.get(s, False) for s in sample_ids], dtype=bool),
        )

    @property
    def listed(self) -> np.ndarray:
        """Bool (n_samples,): reference animals, used or not."""
        return self.unit >= 0

    @property
    def counted_in(self) -> np.ndarray:
        """Int64 (n_samples,): unit in whose counts each animal is; -1 if in none."""
        return np.where(self.used, self.unit, -1)


@dataclass(frozen=True)
class OpenedPanel:
    """A panel that tells two units or more apart.

    Attributes:
        store: the genotypes of all animals.
        rows: int64 (n_panel,), where the panel's markers stand in the store, in rank order.
        ranked: int64 (n_ranked,), the same with the reserve markers after them.
        reference: the animals that the frequencies come from.
        n_units: number of units, at least 2.
        n_wanted: markers that the panel should have; fewer where too few could be chosen.
        error: chance that a called genotype is wrong.
        prior: of the frequencies, as fitted when the panel was chosen.
    """

    store: Genotypes
    rows: np.ndarray
    ranked: np.ndarray
    reference: ReferenceAnimals
    n_units: int
    n_wanted: int
    error: float
    prior: FrequencyPrior

    @cached_property
    def classes(self) -> ClassList:
        """Classes of ancestry that animals are judged for."""
        return class_list(self.n_units)

    @property
    def names(self) -> list[str]:
        """Names of the units."""
        return unit_names(self.n_units)

    def dosages(self, markers: np.ndarray, animals: np.ndarray | None = None) -> np.ndarray:
        """Return genotypes, int8 (n_animals, n_markers), MISSING = -1.

        Args:
            markers: int (n_markers,), places in the store.
            animals: bool (n_samples,); all by default.
        """
        return np.ascontiguousarray(self.store.select(markers, animals).T)

    def known(self, dosages: np.ndarray, counted_in: np.ndarray) -> KnownUnits:
        """Return what some animals tell of the units.

        Args:
            dosages: int8 (n_animals, n_loci), MISSING = -1.
            counted_in: int (n_animals,), unit in whose counts each is; -1 if in none.
        """
        return KnownUnits(counts_by_unit(dosages, counted_in, self.n_units), self.error, self.prior)

    def model(self, genetic_map: GeneticMap, min_markers_share: float) -> PanelModel:
        """Return the panel as animals are simulated on it.

        Counts and drift come from the animals used, patterns of missing genotypes from all that are listed.

        Args:
            genetic_map: of the species.
            min_markers_share: animals with a smaller share of the markers are never judged, and lend no pattern.
        """
        listed = self.reference.listed
        dosages, counted = self.dosages(self.rows, listed), self.reference.counted_in[listed]
        _, site = np.unique(self.store.location_ids[listed], return_inverse=True)
        missing = dosages == MISSING
        missing = missing[(~missing).mean(axis=1) >= min_markers_share]
        drift = drift_by_unit(dosages, site, counted, self.n_units)
        recombination = genetic_map.of(self.store.markers).take(self.rows)
        return PanelModel(self.known(dosages, counted), drift, recombination, missing)


def panel_rows(markers: pd.DataFrame, table: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_panel,): where the panel's markers stand in the store, in rank order, reserves left out.

    Args:
        markers: table of the store's markers.
        table: table panel.
    """
    return _rows_of(markers, table.loc[table["use"] == "panel", "marker"])


def _rows_of(markers: pd.DataFrame, names: pd.Series) -> np.ndarray:
    row = pd.Series(np.arange(len(markers)), index=markers["marker"].to_numpy())
    return row.loc[names.to_numpy()].to_numpy(dtype=np.int64)


def open_panel(
    store: Genotypes,
    panel: str | Path,
    reference_animals: str | Path,
    panel_summary: str | Path,
    units_summary: str | Path,
    genotyping_error: str | Path,
) -> OpenedPanel | None:
    """Open a panel; None where there is nothing to tell apart: fewer than two units, or no marker that does.

    Args:
        store: the opened genotypes.
        panel: panel/panel.csv.
        reference_animals: panel/reference_animals.csv.
        panel_summary: panel/summary.json, which holds the prior of frequencies.
        units_summary: units/summary.json.
        genotyping_error: intake/genotyping_error.json.
    """
    n_units, chosen = read_json(units_summary)["n_units"], read_table(panel, "panel")
    if n_units < 2 or chosen.empty:
        return None
    summary = read_json(panel_summary)
    return OpenedPanel(
        store=store,
        rows=panel_rows(store.markers, chosen),
        ranked=_rows_of(store.markers, chosen["marker"]),
        reference=open_reference_animals(store, reference_animals),
        n_units=n_units,
        n_wanted=summary["n_wanted"],
        error=read_json(genotyping_error)["estimate"],
        prior=FrequencyPrior.from_record(summary["frequency_prior"]),
    )


def open_reference_animals(store: Genotypes, reference_animals: str | Path) -> ReferenceAnimals:
    """Open the animals that speak for the units, where the panel itself is not wanted.

    Args:
        store: the opened genotypes.
        reference_animals: panel/reference_animals.csv.
    """
    return ReferenceAnimals.along(store.sample_ids, read_table(reference_animals, "reference_animals"))
