"""One species as the intake left it: its genotypes, and the tables of its animals and markers in the store's order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import without_blocks
from homewater.genotypes.store import Genotypes, open_genotypes
from homewater.tables.schema_tables import read_table


@dataclass(frozen=True)
class OpenedSpecies:
    """The genotypes of a species and what is known of its animals and markers.

    Attributes:
        store: the genotypes.
        animals: table samples of the intake, one row an animal of the store, in its order.
        markers: table markers of the intake, one row a marker of the store, in its order.
    """

    store: Genotypes
    animals: pd.DataFrame
    markers: pd.DataFrame

    @cached_property
    def place(self) -> np.ndarray:
        """Where the animals that the intake kept stand in the store, int64 (n_kept,), ascending."""
        return np.flatnonzero((self.animals["status"] == "kept").to_numpy())

    @cached_property
    def kept(self) -> pd.DataFrame:
        """The animals that the intake kept, rows as `place`; `defines` and `defines_with_kin` are bool."""
        kept = self.animals.iloc[self.place].reset_index(drop=True)
        for column in ("defines", "defines_with_kin"):
            kept[column] = kept[column].fillna(False).astype(bool)
        return kept

    @property
    def kept_markers(self) -> np.ndarray:
        """Markers that all filters kept, bool (n_markers,)."""
        return (self.markers["status"] == "kept").to_numpy()

    @property
    def technical_markers(self) -> np.ndarray:
        """Markers that the technical filters passed, rare ones among them, bool (n_markers,)."""
        return self.markers["passes_technical"].to_numpy(dtype=bool)

    @property
    def thinned_markers(self) -> np.ndarray:
        """Kept markers that linkage thinning left, bool (n_markers,)."""
        return self.markers["thinned"].to_numpy(dtype=bool)

    def outside_blocks(self, blocks: pd.DataFrame) -> OpenedSpecies:
        """Return the species with the markers inside left-out blocks of the genome neither sound nor thinned.

        Args:
            blocks: table genome_blocks.
        """
        return replace(self, markers=without_blocks(self.markers, blocks))

    def site_numbers(self, location_ids: np.ndarray) -> np.ndarray:
        """Return int64 (n_kept,): the site of each kept animal as a place in `location_ids`, -1 for other sites."""
        number = {name: i for i, name in enumerate(np.asarray(location_ids).tolist())}
        return self.kept["locationID"].map(number).fillna(-1).to_numpy(dtype=np.int64)


def open_species(genotypes: str | Path, samples: str | Path, markers: str | Path) -> OpenedSpecies:
    """Open what the intake wrote of one species.

    Args:
        genotypes: folder of the store.
        samples: intake/samples.csv; it holds every animal of the store.
        markers: intake/markers.parquet; it holds every marker of the store, in its order.
    """
    store = open_genotypes(genotypes)
    animals = read_table(samples, "samples").set_index("materialSampleID").loc[store.sample_ids].reset_index()
    return OpenedSpecies(store, animals, read_table(markers, "markers"))
