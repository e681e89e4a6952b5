"""Which baseline animals lend their genotypes to a unit's frequencies, who is left out, and which are one family."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.statistics.linked_groups import linked_groups
from homewater.tables.unit_names import unit_indices, unit_names

FOREIGN = "recent_foreign_ancestry"


def frequency_sites(units: pd.DataFrame, n_units: int) -> tuple[dict[str, int], list[int]]:
    """Return the sites whose animals give a unit's frequencies: units by their own animals, outside contact zones.

    Args:
        units: table units (locationID, unit, contact_zone, basis).
        n_units: number of units.

    Returns:
        {locationID: unit number}, and the units that have none but contact-zone sites; for those, contact-zone sites
        are used, since there is nothing else.
    """
    own = units[(units["basis"] == "own_animals").to_numpy()]
    number, contact = unit_indices(own["unit"]), own["contact_zone"].fillna(False).to_numpy(dtype=bool)
    fallback = [u for u in range(n_units) if not ((number == u) & ~contact).any()]
    usable = (number >= 0) & (~contact | np.isin(number, fallback))
    return dict(zip(own["locationID"][usable], number[usable].tolist(), strict=True)), fallback


def reference_units(samples: pd.DataFrame, sites: dict[str, int]) -> np.ndarray:
    """Return the unit to which each animal lends its genotype, -1 for all that may not define frequencies.

    Args:
        samples: table of the intake (locationID, status, role, defines), any order.
        sites: {locationID: unit number}, from `frequency_sites`.

    Returns:
        int64 (n_samples,).
    """
    unit = np.array([sites.get(s, -1) for s in samples["locationID"]], dtype=np.int64)
    may = samples["defines"].fillna(False).to_numpy(dtype=bool)
    may &= (samples["status"] == "kept").to_numpy() & (samples["role"] == "baseline").to_numpy()
    return np.where(may, unit, -1)


def reference_table(samples: pd.DataFrame, unit: np.ndarray, foreign: np.ndarray) -> pd.DataFrame:
    """Return the table reference_animals: who lends genotypes to the frequencies, and who was left out and why.

    Args:
        samples: materialSampleID, locationID, in the order of `unit`.
        unit: int (n_samples,), unit of each animal; -1 is not listed.
        foreign: bool (n_samples,), left out for recent foreign ancestry.
    """
    listed = unit >= 0
    names = np.array([*unit_names(int(unit.max(initial=-1)) + 1), ""])
    return pd.DataFrame(
        {
            "materialSampleID": samples["materialSampleID"].to_numpy()[listed],
            "locationID": samples["locationID"].to_numpy()[listed],
            "unit": names[unit[listed]],
            "used": ~foreign[listed],
            "reason": np.where(foreign[listed], FOREIGN, ""),
        }
    )


def kin_groups(samples: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_samples,), one number a family: animals that share a flag of kinship or identity, however linked.

    Args:
        samples: table of the intake (materialSampleID, related_to: ids joined by commas).
    """
    row = {sample: i for i, sample in enumerate(samples["materialSampleID"])}
    related = samples["related_to"].astype(object).where(samples["related_to"].notna(), "").astype(str)
    links = [(i, row[other]) for i, others in enumerate(related) for other in others.split(",") if other in row]
    first, second = np.array(links, dtype=np.int64).reshape(-1, 2).T
    return linked_groups(first, second, len(row))
