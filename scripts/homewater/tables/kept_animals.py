"""Which animals and markers a stage works on, taken from the tables of the intake in one way."""

from __future__ import annotations

import numpy as np
import pandas as pd

# flags of the intake that speak against an animal being a child of the place where it was taken
NOT_OF_THE_PLACE = frozenset({"fits_another_site", "unlike_any_site", "high_heterozygosity", "label_swap"})


def not_of_its_site(animals: pd.DataFrame) -> np.ndarray:
    """Return bool (n_animals,): animals with a flag that they, or a parent, came from elsewhere, or were mislabelled.

    Args:
        animals: table with flags, joined by `;`.
    """
    flags = animals["flags"].fillna("").astype(str)
    return np.array([not NOT_OF_THE_PLACE.isdisjoint(text.split(";")) for text in flags], dtype=bool)


def kept_animals(samples: pd.DataFrame, sample_ids: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the animals that the intake kept, in the store's order, and where they stand in the store.

    Args:
        samples: intake/samples.csv: materialSampleID, locationID, role, status, defines,
            defines_with_kin.
        sample_ids: str (n_samples,), the store's animals.

    Returns:
        The rows of `samples` with status `kept`, index reset, `defines` and `defines_with_kin` as bool; and int64
        (n_kept,) positions.
    """
    position = {name: i for i, name in enumerate(sample_ids.tolist())}
    place = samples["materialSampleID"].map(position)
    kept = samples[(samples["status"] == "kept").to_numpy() & place.notna().to_numpy()]
    place = place.loc[kept.index].to_numpy(dtype=np.int64)
    order = np.argsort(place, kind="stable")
    kept = kept.iloc[order].reset_index(drop=True)
    for column in ("defines", "defines_with_kin"):
        kept[column] = kept[column].fillna(False).astype(bool)
    return kept, place[order]


def evenly_spaced(indices: np.ndarray, at_most: int) -> np.ndarray:
    """Return at most `at_most` of the indices, spread evenly over them in their order; no draw, so no seed.

    Args:
        indices: int (n,).
        at_most: number wanted.
    """
    indices = np.asarray(indices)
    if indices.size <= at_most:
        return indices
    return indices[np.arange(at_most) * indices.size // at_most]
