"""How far batches of the laboratory differ within sites, over all markers."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from homewater.genotypes.store import Genotypes
from homewater.statistics.fst import pair_components
from homewater.statistics.intervals import blocks_among, false_discovery, ratio_interval

MIN_ANIMALS = 2  # of each batch at a site
COLUMNS = ("locationID", "batch_a", "batch_b", "n_a", "n_b", "fst", "ci_low", "ci_high", "p_value", "q_value")


def batch_names(sheet: pd.DataFrame) -> np.ndarray:
    """Return str (n_animals,): the batch of each animal by the column `batch` of the sample sheet, empty if unknown."""
    return sheet["batch"].fillna("").to_numpy(dtype=str) if "batch" in sheet else np.full(len(sheet), "")


def cells(site: np.ndarray, group: np.ndarray, used: np.ndarray, least: int = 1):
    """Return the cells of sites by groups, at sites with animals of two groups and more.

    Args:
        site: int (n_animals,).
        group: int (n_animals,), -1 where unknown.
        used: bool (n_animals,).
        least: animals of a cell; smaller ones are left out.

    Returns:
        cell of each animal int64 (n_animals,), -1 for none; site and group of each cell int64 (n_cells,), by site and
        group; animals of each cell int64 (n_cells,).
    """
    rows = np.flatnonzero(used & (group >= 0))
    pairs, inverse, size = np.unique(
        np.stack([site[rows], group[rows]]), axis=1, return_inverse=True, return_counts=True
    )
    enough = size >= least
    kept = enough & (np.bincount(pairs[0, enough], minlength=int(pairs[0].max(initial=0)) + 1)[pairs[0]] > 1)
    number = np.where(kept, np.cumsum(kept) - 1, -1)
    cell = np.full(site.size, -1, dtype=np.int64)
    cell[rows] = number[inverse.ravel()]
    return cell, pairs[0, kept].astype(np.int64), pairs[1, kept].astype(np.int64), size[kept].astype(np.int64)


def add_components(counts: np.ndarray, block: np.ndarray, cell_site: np.ndarray, sums: dict) -> None:
    """Add a block of markers to the sums from which F_ST between the batches of each site follows.

    Args:
        counts: int32 (n_block, n_cells, 4), genotype counts of the cells.
        block: int (n_block,), jackknife block of each marker, -1 where it is left out.
        cell_site: int (n_cells,), site of each cell, rising.
        sums: {site: [numerator, denominator]}, float64 (n_blocks, n_pairs) each, changed in place.
    """
    for site, parts in sums.items():
        found = pair_components(counts[:, cell_site == site], block, parts[0].shape[0])
        for held, more in zip(parts, found, strict=True):
            held += more


def batch_table(
    sums: dict, weights: np.ndarray, cell_site: np.ndarray, cell_batch: np.ndarray, size: np.ndarray,
    location_ids: list[str], batches: list[str],
) -> pd.DataFrame:  # fmt: skip
    """Return table batch_effects: one row a pair of batches at a site.

    Args:
        sums: as `add_components` leaves them.
        weights: int64 (n_blocks,), markers by jackknife block.
        cell_site: int (n_cells,), as there.
        cell_batch: int (n_cells,).
        size: int (n_cells,), animals.
        location_ids: names of the sites.
        batches: names of the batches.

    The p value is one-sided, by Student's t of the jackknife over blocks: F_ST above 0.
    """
    rows = []
    for site, (top, bottom) in sums.items():
        own = np.flatnonzero(cell_site == site)
        fst, low, high, error = ratio_interval(top, bottom, weights)
        degrees = max(1, int((weights > 0).sum()) - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = special.stdtr(degrees, -fst / error)
        first, second = np.triu_indices(own.size, 1)
        for i, (a, b) in enumerate(zip(own[first], own[second], strict=True)):
            names = (location_ids[site], batches[cell_batch[a]], batches[cell_batch[b]])
            rows.append((*names, size[a], size[b], fst[i], low[i], high[i], p[i]))
    table = pd.DataFrame(rows, columns=list(COLUMNS[:-1]))
    return table.assign(q_value=false_discovery(table["p_value"].to_numpy(dtype=np.float64)))


def between_batches(
    store: Genotypes,
    markers: pd.DataFrame,
    place: np.ndarray,
    batch: np.ndarray,
    defines: np.ndarray,
    location_ids: list[str],
    batches: list[str],
) -> pd.DataFrame:
    """Return table batch_effects over the markers that pass the technical filters.

    Args:
        store: the genotypes.
        markers: table markers, rows as the store's.
        place: int (n_animals,), site of each animal, index into location_ids.
        batch: int (n_animals,), index into batches, -1 where unknown.
        defines: bool (n_animals,).
        location_ids: names of the sites.
        batches: names of the batches.
    """
    cell, cell_site, cell_batch, size = cells(place, batch, defines, MIN_ANIMALS)
    technical = markers["passes_technical"].to_numpy(dtype=bool)
    block = blocks_among(technical, markers)
    weights = np.bincount(block[technical])
    pairs = {int(s): int((cell_site == s).sum()) for s in np.unique(cell_site)}
    sums = {s: [np.zeros((weights.size, n * (n - 1) // 2)) for _ in range(2)] for s, n in pairs.items()}
    for rows, counts in store.genotype_count_blocks(cell, cell_site.size) if sums else ():
        add_components(counts, block[rows], cell_site, sums)
    return batch_table(sums, weights, cell_site, cell_batch, size, location_ids, batches)
