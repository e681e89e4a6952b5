"""When stocks mixed at each site: a recent escape and an old contact leave tracts of different lengths."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.assignment.tract_lengths import OLDEST, MixingAge
from homewater.tables.kept_animals import evenly_spaced
from homewater.tables.unit_names import unit_index

MOST_ANIMALS = 200  # looked at in a group; more would hardly narrow the interval
COLUMNS = ["locationID", "role", "local_unit", "other_unit", "n", "n_mixed", "n_first_generation", "n_markers",
           "generations", "ci_low", "ci_high", "years", "years_ci_low", "years_ci_high", "reading"]  # fmt: skip


@dataclass(frozen=True)
class Group:
    """Animals of one site and role, and the unit from which they may have ancestry.

    Attributes:
        site: locationID.
        role: `baseline` or `query`.
        local: unit of the site.
        other: the other unit.
        rows: int64 (n,), rows of the table of animals; at most MOST_ANIMALS, evenly spread over those that there are.
    """

    site: str
    role: str
    local: str
    other: str
    rows: np.ndarray


def groups_to_date(
    animals: pd.DataFrame,
    calls: pd.DataFrame,
    classes: pd.DataFrame,
    clines: Iterable[tuple[str, str, str]],
    local_unit: pd.Series,
) -> list[Group]:
    """Return the groups that may hold mixed ancestry: at sites of clines, and where a verdict names another unit.

    Ancestry of a third unit, or of none that was sampled, looks like an endlessly old mixture of two: animals whose
    verdict names such an origin are left out.

    Args:
        animals: materialSampleID, locationID, role; those that the intake kept.
        calls: table calls.
        classes: table origin_classes.
        clines: (locationID, unit_a, unit_b) of the sites of fitted clines.
        local_unit: unit by locationID, empty where there is none.
    """
    named = classes[classes["unit_b"].fillna("") != ""]
    other_of = dict(zip(named["materialSampleID"], named["unit_b"], strict=True))
    other = np.array([other_of.get(animal, "") for animal in animals["materialSampleID"]], dtype=str)
    crossed = set(named.loc[~named["class"].isin(["pure_a", "pure_b"]), "materialSampleID"])
    mixed = animals["materialSampleID"].isin(crossed).to_numpy()
    wanted = set()
    for site, *pair in clines:
        if local_unit[site] in pair:
            wanted.add((site, pair[1 - pair.index(local_unit[site])]))
    at = animals["locationID"].to_numpy(dtype=str)
    wanted |= {(site, unit) for site, unit in zip(at[mixed], other[mixed], strict=True) if local_unit[site]}
    unsampled = calls.loc[calls["outcome"] == "unsampled_origin", "materialSampleID"]
    sampled = ~animals["materialSampleID"].isin(unsampled).to_numpy()
    groups = []
    for site, unit in sorted(wanted, key=lambda pair: (pair[0], unit_index(pair[1]))):
        for role in ("baseline", "query"):
            here = sampled & (at == site) & (animals["role"] == role).to_numpy() & np.isin(other, ["", unit])
            rows = evenly_spaced(np.flatnonzero(here), MOST_ANIMALS)
            if rows.size:
                groups.append(Group(site, role, str(local_unit[site]), unit, rows))
    return groups


def dates_row(group: Group, age: MixingAge, n_markers: int, generation_years: float, recent: float) -> dict:
    """Return one row of the table mixing_dates.

    Args:
        group: the animals.
        age: of the mixed ones among them.
        n_markers: markers looked at.
        generation_years: mean age of parents.
        recent: generations up to which a mixture counts as recent.
    """
    high = age.ci_high if np.isfinite(age.ci_high) else float("nan")
    reading = "recent" if age.ci_high <= recent else "old" if age.ci_low > recent else "open"
    if age.generations >= OLDEST:  # no stretches at all: what else such animals may be is not known
        reading = "open"
    return {
        "locationID": group.site,
        "role": group.role,
        "local_unit": group.local,
        "other_unit": group.other,
        "n": group.rows.size,
        "n_mixed": age.n_mixed,
        "n_first_generation": age.n_first_generation,
        "n_markers": n_markers,
        "generations": age.generations,
        "ci_low": age.ci_low,
        "ci_high": high,
        "years": age.generations * generation_years,
        "years_ci_low": age.ci_low * generation_years,
        "years_ci_high": high * generation_years,
        "reading": reading,
    }
