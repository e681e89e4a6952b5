"""What thinning close kin changes: animals, diversity and differentiation of each site, both ways."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.genotypes.store import Genotypes
from homewater.statistics.allele_counts import AlleleCounts, expected_heterozygosity, n_animals
from homewater.statistics.fst import group_pairs, pair_components
from homewater.statistics.intervals import divide_or_nan

BLOCK = 16384  # markers held as real numbers at once


def kin_thinning(
    store: Genotypes,
    animals: pd.DataFrame,
    place: np.ndarray,
    location_ids: list[str],
    counts: np.ndarray,
    technical: np.ndarray,
) -> pd.DataFrame:
    """Return table kin_thinning of a species.

    Args:
        store: the genotypes.
        animals: table samples, rows as the store's animals.
        place: int (n_animals,), site of each animal, index into `location_ids`, -1 for none.
        location_ids: str (n_sites,), sites that define anything.
        counts: int32 (n_markers, n_sites, 4), genotype counts of the defining animals, one a family.
        technical: bool (n_markers,), markers that pass the technical filters.
    """
    with_kin, families = counts_with_kin(store, animals, place, len(location_ids), counts)
    without = counts[technical]
    with_kin = without if with_kin is counts else with_kin[technical]
    return kin_table(location_ids, with_kin, without, families)


def kin_table(location_ids: list[str], with_kin: np.ndarray, without: np.ndarray, families: np.ndarray) -> pd.DataFrame:
    """Return table kin_thinning: one row a site that defines anything.

    Args:
        location_ids: str (n_sites,).
        with_kin: int32 (n_markers, n_sites, 4), genotype counts of all animals that may define: homozygous reference,
            heterozygous, homozygous alternate, missing; over the markers that pass the technical filters.
        without: the same of one animal a family.
        families: int (n_sites,), families of two and more among them.

    The mean F_ST of a site is over all other sites; NaN with one site or without markers.
    """
    table = {"locationID": list(location_ids)}
    table |= {"n_with_kin": n_animals(with_kin), "n": n_animals(without), "n_families": np.asarray(families, np.int64)}
    for name, value in (("expected_heterozygosity", mean_heterozygosity), ("mean_fst", mean_fst)):
        both_ways = value(with_kin), value(without) if without is not with_kin else None
        table[f"{name}_with_kin"] = both_ways[0]
        table[name] = both_ways[0] if without is with_kin else both_ways[1]
    return pd.DataFrame(table)


def mean_heterozygosity(counts: np.ndarray) -> np.ndarray:
    """Return float64 (n_sites,): expected heterozygosity, mean over the markers typed at the site; NaN without any.

    Args:
        counts: int32 (n_markers, n_sites, 4).
    """
    total, markers = np.zeros((2, counts.shape[1]))
    for start in range(0, len(counts), BLOCK):
        part = counts[start : start + BLOCK]
        values = expected_heterozygosity(AlleleCounts.of_genotypes(part))
        typed = np.isfinite(values)
        total += np.where(typed, values, 0.0).sum(axis=0)
        markers += typed.sum(axis=0)
    return divide_or_nan(total, markers)


def mean_fst(counts: np.ndarray) -> np.ndarray:
    """Return float64 (n_sites,): mean of a site's F_ST with every other site; NaN where none is defined.

    Args:
        counts: int32 (n_markers, n_sites, 4).
    """
    n_sites = counts.shape[1]
    if n_sites < 2 or not len(counts):
        return np.full(n_sites, np.nan)
    top, bottom = (part[0] for part in pair_components(counts, np.zeros(len(counts), dtype=np.int64), 1))
    fst, known = divide_or_nan(top, bottom), bottom != 0
    total, number = np.zeros(n_sites), np.zeros(n_sites)
    for side in group_pairs(n_sites):
        np.add.at(total, side[known], fst[known])
        np.add.at(number, side[known], 1)
    return divide_or_nan(total, number)


def counts_with_kin(
    store: Genotypes, animals: pd.DataFrame, place: np.ndarray, n_sites: int, counts: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the counts by site with close kin, and the number of families among those animals by site.

    Args:
        store: the genotypes.
        animals: table samples, rows as the store's animals.
        place: int (n_animals,), site of each animal.
        n_sites: number of sites.
        counts: int32 (n_markers, n_sites, 4) of one animal a family; returned itself where nobody was left out.
    """
    everybody = animals["defines_with_kin"].to_numpy(dtype=bool)
    members = everybody & (animals["family"] != "").to_numpy()
    pairs, sizes = np.unique(
        np.stack([place[members].astype(str), animals["family"].to_numpy(dtype=str)[members]]),
        axis=1,
        return_counts=True,
    )
    families = np.bincount(pairs[0, sizes > 1].astype(np.int64), minlength=n_sites)
    if (everybody == animals["defines"].to_numpy(dtype=bool)).all():
        return counts, families
    return store.genotype_counts(np.where(everybody, place, -1), n_sites), families
