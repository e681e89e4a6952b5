"""Names of management units: unit_1, unit_2 .. in site order."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd


def unit_names(n_units: int) -> list[str]:
    """Return the names of so many units, in their order."""
    return [f"unit_{u + 1}" for u in range(n_units)]


def unit_number(name: str) -> int:
    """Return the number in a unit's name."""
    return int(name.rsplit("_", 1)[1])


def sorted_units(names: Iterable[str]) -> list[str]:
    """Return the different names in the order of their numbers; empty ones (sites without a unit) are left out."""
    return sorted({name for name in names if name}, key=unit_number)


def unit_numbers(names: pd.Series) -> np.ndarray:
    """Return int64 (n,), units numbered from 0; -1 where there is none.

    Args:
        names: `unit_1` ..., empty or missing where there is none.
    """
    text = names.astype(object).where(names.notna(), "").astype(str)
    return np.array([int(t.removeprefix("unit_")) - 1 if t.startswith("unit_") else -1 for t in text], dtype=np.int64)
