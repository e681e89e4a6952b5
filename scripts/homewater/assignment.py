"""The verdict on every kept animal: the table of calls."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.verdict import Verdicts


def local_units(location_ids: pd.Series, units: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_animals,): the unit of each animal's site, -1 where there is no local stock.

    Args:
        location_ids: (n_animals,), sites.
        units: table units (locationID, unit).
    """
    text = units["unit"].astype(object).where(units["unit"].notna(), "").astype(str)
    number = {
        site: int(name.removeprefix("unit_")) - 1 if name.startswith("unit_") else -1
        for site, name in zip(units["locationID"], text, strict=True)
    }
    return np.array([number.get(site, -1) for site in location_ids], dtype=np.int64)


def calls_table(
    animals: pd.DataFrame, local: np.ndarray, found: Verdicts, exclusion: np.ndarray, names: list[str]
) -> pd.DataFrame:
    """Return the table calls.

    Args:
        animals: materialSampleID, locationID, role.
        local: int (n_animals,), local unit or -1.
        found: the verdicts.
        exclusion: float64 (n_animals,), p of the test for an unsampled origin, NaN where not made.
        names: unit names.
    """
    name = np.array([*names, ""], dtype=object)
    return pd.DataFrame(
        {
            "materialSampleID": animals["materialSampleID"].to_numpy(),
            "locationID": animals["locationID"].to_numpy(),
            "role": animals["role"].to_numpy(),
            "local_unit": name[local],
            "best_unit": name[found.best_unit],
            "posterior": found.posterior,
            "log_likelihood_ratio": found.ratio,
            "outcome": found.outcome,
            "reason": found.reason,
            "n_typed": found.n_typed,
            "exclusion_p": exclusion,
        }
    )
