"""The sites on which structure is tested: those with animals enough, with their counts, blocks and distances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts
from homewater.statistics.intervals import chromosome_blocks
from homewater.water.site_tree import bridged, distance_matrix


@dataclass(frozen=True)
class TestedSites:
    """What the tests of structure work on.

    Attributes:
        ids: locationIDs, in site order.
        counts: int32 (n_markers, n_sites, 4), genotype counts.
        block: int64 (n_markers,), jackknife blocks.
        km: float64 (n_sites, n_sites), distances by water, NaN where not joined.
        bridged_km: the same with a long distance in place of NaN.
    """

    ids: list[str]
    counts: np.ndarray
    block: np.ndarray
    km: np.ndarray
    bridged_km: np.ndarray


def tested_sites(
    counts: np.ndarray, location_ids: np.ndarray, markers: pd.DataFrame, sea_distance: pd.DataFrame, chosen: np.ndarray
) -> TestedSites:
    """Return the chosen sites with what is computed on them.

    Args:
        counts: int32 (n_markers, n_sites, 4), over the markers that pass the technical filters; frequency filters are
            not applied, since leaving rare alleles out would raise F_ST.
        location_ids: str (n_sites,).
        markers: table with chrom and pos.
        sea_distance: table sea_distance.
        chosen: bool (n_sites,).
    """
    ids = [str(name) for name in np.asarray(location_ids)[chosen]]
    km = distance_matrix(ids, sea_distance)
    block = chromosome_blocks(markers["chrom"].to_numpy(), markers["pos"].to_numpy())
    return TestedSites(ids, np.ascontiguousarray(counts[:, chosen]), block, km, bridged(km))


def sites_with_units(
    counts: SiteCounts, units: pd.DataFrame, sea_distance: pd.DataFrame
) -> tuple[TestedSites, pd.DataFrame]:
    """Return the sites that have a unit by their own animals, and their rows of table units.

    Args:
        counts: counts by site, over the markers that pass the technical filters.
        units: table units.
        sea_distance: table sea_distance.
    """
    placed = units.set_index("locationID")
    own = placed.loc[list(counts.location_ids), "basis"].to_numpy() == "own_animals"
    found = tested_sites(counts.counts, counts.location_ids, counts.markers, sea_distance, own)
    return found, placed.loc[found.ids]


def animals_by_site(counts: np.ndarray) -> np.ndarray:
    """Return int64 (n_sites,): animals of each site, typed or not; the four counts of a marker add up to them.

    Args:
        counts: int32 (n_markers, n_sites, 4).
    """
    return counts[0].sum(axis=1).astype(np.int64) if len(counts) else np.zeros(counts.shape[1], dtype=np.int64)
