"""Which animals a stage leaves out for not being of their place, and how markers are thinned to a number."""

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
