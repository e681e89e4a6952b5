"""Management units by name and by index, and the unit of each site.

Tables name units `unit_1`, `unit_2` .. in site order, and readers see these numbers. Arrays of the library number the
same units from 0, with -1 where there is none. Both directions are here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

_PREFIX = "unit_"


def unit_names(n_units: int) -> list[str]:
    """Return the names of so many units, in their order."""
    return [f"{_PREFIX}{u + 1}" for u in range(n_units)]


def unit_index(name: str) -> int:
    """Return the index of a unit by its name: 0 for `unit_1`, -1 for an empty name."""
    return int(name.removeprefix(_PREFIX)) - 1 if name else -1


def unit_indices(names: pd.Series) -> np.ndarray:
    """Return int64 (n,), the index of each unit; -1 where there is none.

    Args:
        names: (n,), `unit_1` .., empty or missing where there is none.
    """
    return np.array([unit_index(name) for name in _texts(names)], dtype=np.int64)


def sorted_units(names: Iterable[str]) -> list[str]:
    """Return the different names in the order of their numbers; empty ones (sites without a unit) are left out."""
    return sorted({name for name in names if name}, key=unit_index)


def unit_by_site(units: pd.DataFrame) -> dict[str, str]:
    """Return {locationID: unit}, "" for a site without local stock.

    Args:
        units: table units (locationID, unit, ...), one row a site.
    """
    return dict(zip(units["locationID"], _texts(units["unit"]), strict=True))


def local_unit_indices(location_ids: Iterable[str], units: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_animals,): the unit of the site where each animal was taken, -1 where there is no local stock.

    Args:
        location_ids: (n_animals,), site of each animal; a site that the table does not list has no unit.
        units: table units (locationID, unit, ...), one row a site.
    """
    index = {site: unit_index(name) for site, name in unit_by_site(units).items()}
    return np.array([index.get(site, -1) for site in location_ids], dtype=np.int64)


def _texts(names: pd.Series) -> list[str]:
    return names.astype(object).where(names.notna(), "").astype(str).tolist()
