"""Markers that differ between batches of the laboratory, or between the sexes, within sites."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.batch_effects import cells
from homewater.group_tests import ALLELES, HETEROZYGOTES, beyond_most, differences
from homewater.store import Genotypes

SEXES = {"female": 0, "f": 0, "male": 1, "m": 1}
# movers and crosses among the animals of one batch are no fault of a marker
APART = "fits_another_site|high_heterozygosity|unlike_any_site"


def sexes(sheet: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_animals,): 0 female, 1 male, -1 unknown, as the column `sex` says it in any case."""
    known = sheet["sex"].fillna("").str.strip().str.lower() if "sex" in sheet else pd.Series("", index=sheet.index)
    return known.map(SEXES).fillna(-1).to_numpy(dtype=np.int64)


def differing_markers(
    store: Genotypes, animals: pd.DataFrame, place: np.ndarray, batch: np.ndarray, sex: np.ndarray, n_sites: int
) -> dict[str, np.ndarray]:
    """Return the p values of the markers' differences between batches and between sexes, within sites.

    Args:
        store: the genotypes.
        animals: table with `defines` and `flags`, rows as the store's animals.
        place: int (n_animals,), site of each animal among those that define anything, -1 for none.
        batch: int (n_animals,), -1 where unknown.
        sex: int (n_animals,), as `sexes` gives it.
        n_sites: sites that define anything.

    Returns:
        float64 (n_markers,) by name, `batch` and `sex_linked`; a name is absent where no site has two groups.
    """
    defines = animals["defines"].to_numpy(dtype=bool)
    apart = animals["flags"].str.contains(APART).to_numpy(dtype=bool)
    found = {}
    for name, group, scores in (("batch", batch, (ALLELES,)), ("sex_linked", sex, (ALLELES, HETEROZYGOTES))):
        cell, cell_site, cell_group, _ = cells(place, group, defines & ~apart)
        if not cell_site.size:
            continue
        results = [[] for _ in scores]
        for _, counts in store.genotype_count_blocks(cell, cell_site.size):
            for result, score in zip(results, scores, strict=True):
                result.append(differences(counts, cell_site, cell_group, score))
        held = []
        for result in results:
            p_all, p_without, informative = (np.concatenate(part) for part in zip(*result, strict=True))
            if name == "batch" and n_sites > 1:
                # at one site of several a batch cannot be told from what was taken there
                p_without = np.where(informative > 1, p_without, np.where(np.isnan(p_without), np.nan, 1.0))
            held.append(beyond_most(p_all, p_without)[0])
        lowest = np.fmin.reduce(held)
        found[name] = np.minimum(len(held) * lowest, 1.0)
    return found
