"""The sites on which structure is tested: those with animals enough, with all that the tests compute from them.

The markers are those that pass the technical filters. Frequency filters are not applied: leaving rare alleles out would
raise F_ST.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts, open_site_counts, read_markers_outside_blocks
from homewater.statistics.allele_counts import n_animals
from homewater.statistics.intervals import chromosome_blocks
from homewater.tables.schema_tables import read_table
from homewater.units.replicates import Replicates, pair_replicates
from homewater.water.site_tree import bridged, distance_matrix, spanning_tree


@dataclass(frozen=True)
class TestedSites:
    """What the tests of structure work on.

    Attributes:
        ids: locationIDs, in site order.
        counts: int32 (n_markers, n_sites, 4), genotype counts.
        animals: int64 (n_sites,), animals of each site, typed or not.
        block: int64 (n_markers,), jackknife blocks.
        km: float64 (n_sites, n_sites), distances by water, NaN where not joined.
    """

    ids: list[str]
    counts: np.ndarray
    animals: np.ndarray
    block: np.ndarray
    km: np.ndarray

    @cached_property
    def bridged_km(self) -> np.ndarray:
        """Distances by water with a long distance where no water joins two sites, float64 (n_sites, n_sites), km."""
        return bridged(self.km)

    @cached_property
    def edges(self) -> np.ndarray:
        """The tree that joins the sites by water, int64 (n_sites - 1, 2)."""
        return spanning_tree(self.bridged_km)

    @cached_property
    def replicates(self) -> Replicates:
        """Pairwise figures of the sites, from all blocks of the genome and without each."""
        return pair_replicates(self.counts, self.block)


@dataclass(frozen=True)
class PlacedSites(TestedSites):
    """Tested sites that have a unit by their own animals.

    Attributes:
        unit: unit of each site.
        jurisdiction: jurisdiction of each site.
        contact_zone: bool (n_sites,), whether the site lies where two units meet.
    """

    unit: list[str]
    jurisdiction: list[str]
    contact_zone: np.ndarray

    @property
    def unit_alone(self) -> list[str]:
        """Unit of each site, empty where two units meet: what is said of a unit's sites is not of such mixtures."""
        return ["" if mixed else unit for unit, mixed in zip(self.unit, self.contact_zone.tolist(), strict=True)]


def tested_sites(
    counts: SiteCounts, markers: pd.DataFrame, sea_distance: pd.DataFrame, min_individuals: int
) -> TestedSites:
    """Return the sites with animals enough, and what is tested on them.

    Args:
        counts: counts by site, over all markers.
        markers: table markers of the intake, one row a marker of the counts, in their order.
        sea_distance: table sea_distance.
        min_individuals: least number of animals, typed or not.
    """
    enough = n_animals(counts.counts) >= min_individuals
    return TestedSites(**_attributes(counts, markers, sea_distance, enough))


def sites_with_units(
    counts: SiteCounts, markers: pd.DataFrame, sea_distance: pd.DataFrame, units: pd.DataFrame
) -> PlacedSites:
    """Return the sites that have a unit by their own animals, and what is tested on them.

    Args:
        counts: counts by site, over all markers.
        markers: table markers of the intake, one row a marker of the counts, in their order.
        sea_distance: table sea_distance.
        units: table units.
    """
    placed = units_of_sites(counts.location_ids, units)
    own = has_own_animals(placed)
    here = placed[own]
    return PlacedSites(
        **_attributes(counts, markers, sea_distance, own),
        unit=here["unit"].tolist(),
        jurisdiction=here["jurisdiction"].tolist(),
        contact_zone=here["contact_zone"].to_numpy(dtype=bool),
    )


def open_tested_sites(
    site_counts: str, markers: str, blocks: str, sea_distance: str, min_individuals: int
) -> TestedSites:
    """Read the sites with animals enough, outside blocks of the genome, and what is tested on them.

    Args:
        site_counts: intake/site_counts.zarr.
        markers: intake/markers.parquet.
        blocks: structure/genome_blocks.csv.
        sea_distance: inputs/sea_distance.csv.
        min_individuals: least number of animals, typed or not.
    """
    outside = read_markers_outside_blocks(markers, blocks)
    return tested_sites(open_site_counts(site_counts), outside, read_table(sea_distance), min_individuals)


def open_placed_sites(site_counts: str, markers: str, blocks: str, sea_distance: str, units: str) -> PlacedSites:
    """Read the sites that have a unit by their own animals, outside blocks of the genome, and what is tested on them.

    Args:
        site_counts: intake/site_counts.zarr.
        markers: intake/markers.parquet.
        blocks: structure/genome_blocks.csv.
        sea_distance: inputs/sea_distance.csv.
        units: units/units.csv.
    """
    outside = read_markers_outside_blocks(markers, blocks)
    return sites_with_units(open_site_counts(site_counts), outside, read_table(sea_distance), read_table(units))


def units_of_sites(location_ids: np.ndarray, units: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of table units of some sites, in the order of the sites.

    Args:
        location_ids: str (n_sites,).
        units: table units.
    """
    return units.set_index("locationID").loc[list(location_ids)]


def has_own_animals(placed: pd.DataFrame) -> np.ndarray:
    """Return bool (n_sites,): sites whose unit rests on their own animals and not on those of a neighbour.

    Args:
        placed: rows of table units.
    """
    return (placed["basis"] == "own_animals").to_numpy()


def _attributes(counts: SiteCounts, markers: pd.DataFrame, sea_distance: pd.DataFrame, chosen: np.ndarray) -> dict:
    """Return the attributes of TestedSites for the chosen sites, bool (n_sites,)."""
    # animals are counted before markers are dropped: where no marker is sound, the sites still have their animals
    animals = n_animals(counts.counts)
    sound = counts.sound(markers)
    ids = [str(name) for name in np.asarray(counts.location_ids)[chosen]]
    return {
        "ids": ids,
        "counts": np.ascontiguousarray(sound.counts[:, chosen]),
        "animals": animals[chosen],
        "block": chromosome_blocks(sound.chrom, sound.pos),
        "km": distance_matrix(ids, sea_distance),
    }
