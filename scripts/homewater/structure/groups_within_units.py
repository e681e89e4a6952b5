"""How many groups held-out genotypes support inside each unit: stock structure that the breaks did not find."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.running.seeds import Draws
from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.group_number import (
    HELD_OUT_MARKERS,
    MIN_ANIMALS,
    choose_number,
    held_out_losses,
    most_groups,
)
from homewater.tables.kept_animals import evenly_spaced, not_of_its_site
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import sorted_units


def groups_within_units(
    species: OpenedSpecies, units: pd.DataFrame, max_groups: int, draws_of: Callable[[str], Draws]
) -> pd.DataFrame:
    """Return table groups_within_units: for each unit one row a number of groups tried, the chosen one marked.

    Only sites count that belong to a unit by their own animals and lie outside contact zones, and only animals that
    seem to be of their place. The others would show the groups of other units again.

    Args:
        species: genotypes, animals and markers; thinned markers are used, HELD_OUT_MARKERS at most.
        units: table units.
        max_groups: largest number of groups tried.
        draws_of: gives the draws of a unit by its name.

    Returns:
        Units with fewer than MIN_ANIMALS such animals have no rows.
    """
    animals, store = species.kept, species.store
    sites = units[(units["basis"] == "own_animals") & ~units["contact_zone"].astype(bool)]
    unit = animals["locationID"].map(dict(zip(sites["locationID"], sites["unit"], strict=True)))
    usable = animals["defines"].to_numpy() & ~not_of_its_site(animals)
    some = evenly_spaced(np.flatnonzero(species.thinned_markers), HELD_OUT_MARKERS)
    block = chromosome_blocks(store.loci["chrom"].to_numpy()[some], store.loci["pos"].to_numpy()[some])
    found = [empty_table("groups_within_units")]
    for name in sorted_units(sites["unit"]):
        ours = usable & (unit == name).to_numpy()
        if ours.sum() < MIN_ANIMALS or not some.size:
            continue
        by_animal = np.ascontiguousarray(store.select(some, species.place[ours]).T)
        most = most_groups(max_groups, int(ours.sum()))
        numbers = choose_number(*held_out_losses(by_animal, block, most, draws_of(name)))
        size = {"n_animals": int(ours.sum()), "n_sites": animals.loc[ours, "locationID"].nunique()}
        found.append(numbers.assign(unit=name, **size, n_markers=int(some.size)))
    columns = found[0].columns
    return pd.concat([part[columns] for part in found[1:]], ignore_index=True) if len(found) > 1 else found[0]
