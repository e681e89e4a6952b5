"""The way of one species through all filters: first its animals, then its markers, then what both leave is counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from homewater.filters.animals import filter_animals
from homewater.filters.batch_effects import batch_names, between_batches
from homewater.filters.genotyping_error import replicate_error
from homewater.filters.group_differences import differing_markers, sexes
from homewater.filters.kin_thinning import kin_thinning
from homewater.filters.linkage_thinning import thinned_markers, window_places
from homewater.filters.markers import filter_markers
from homewater.filters.settings import FilterSettings
from homewater.filters.site_roles import in_native_range, site_roles
from homewater.genotypes.site_counts import SiteCounts
from homewater.genotypes.store import Genotypes

MARKER_COLUMNS = ["marker", "chrom", "pos", "ref", "alt", "status", "reason", "call_rate", "minor_allele_frequency",
                  "thinned", "passes_technical", "hardy_weinberg_p", "hardy_weinberg_q", "value", "limit",
                  "excess_heterozygosity_q"]  # fmt: skip
# kinds of records that intake left out because they are no variant of two known bases
TYPES = ("multiallelic", "no_alternate", "symbolic", "spanning_deletion", "not_one_base", "ambiguous_base")


@dataclass(frozen=True)
class FilteredSpecies:
    """What the filters leave of a species, and what they say of it.

    Attributes:
        animals: table samples, one row an animal of the store.
        markers: table markers, one row a marker of the store.
        summary: table filter_summary, one row a filter.
        site_roles: table site_roles, one row a site of the site list.
        site_counts: genotype counts of the defining animals at every marker.
        kin_thinning: table kin_thinning, one row a site that defines anything.
        batch_effects: table batch_effects, one row a pair of batches at a site.
        genotyping_error: the error of called genotypes, as `replicate_error` gives it.
    """

    animals: pd.DataFrame
    markers: pd.DataFrame
    summary: pd.DataFrame
    site_roles: pd.DataFrame
    site_counts: SiteCounts
    kin_thinning: pd.DataFrame
    batch_effects: pd.DataFrame
    genotyping_error: dict


def filter_species(
    store: Genotypes,
    species: str,
    samples: pd.DataFrame,
    sites: pd.DataFrame,
    native_range: BaseGeometry | None,
    settings: FilterSettings,
    genetic_map: pd.DataFrame | None = None,
) -> FilteredSpecies:
    """Go through all filters of a species.

    Args:
        store: its genotypes.
        species: species id, as the sample sheet has it.
        samples: the sample sheet (table input_samples), which may hold other species too.
        sites: the site list (table input_sites).
        native_range: polygons of the native range in degrees; None where none is given.
        settings: limits of the filters.
        genetic_map: chrom, pos, cm; None where the species has no map.

    Raises:
        InputError: where no animal or no marker is left.
    """
    sheet = samples[samples["species"] == species].set_index("materialSampleID").loc[store.sample_ids].reset_index()
    roles = site_roles(sites, in_native_range(sites, native_range))
    animals = filter_animals(store, sheet, roles, settings)
    defines = animals.table["defines"].to_numpy()
    location_ids, place = _defining_sites(animals.table, roles)
    counts = store.genotype_counts(np.where(defines, place, -1), len(location_ids))
    batch = batch_names(sheet)
    batches, batch_number = np.unique(batch, return_inverse=True)
    batch_number = np.where(batch == "", -1, batch_number)
    differing = differing_markers(store, animals.table, place, batch_number, sexes(sheet), len(location_ids))
    markers, taken = filter_markers(store.markers, counts, settings, differing)
    kept = np.flatnonzero(markers["status"] == "kept")
    chrom, pos = (markers[name].to_numpy()[kept] for name in ("chrom", "pos"))
    along = window_places(chrom, pos, genetic_map, settings)
    markers["thinned"] = thinned_markers(store, kept, chrom, along, defines, settings.thinning_r2)
    technical = markers["passes_technical"].to_numpy(dtype=bool)
    records = _record_rows(store.attributes["records"], store.n_markers)
    return FilteredSpecies(
        animals=animals.table,
        markers=markers[MARKER_COLUMNS],
        summary=pd.DataFrame([*records, *animals.summary, *taken]),
        site_roles=roles,
        site_counts=SiteCounts(counts, np.array(location_ids), store.markers),
        kin_thinning=kin_thinning(store, animals.table, place, location_ids, counts, technical),
        batch_effects=between_batches(store, markers, place, batch_number, defines, location_ids, batches.tolist()),
        genotyping_error=replicate_error(store, kept, animals.replicates, batch, settings.genotyping_error),
    )


def _defining_sites(animals: pd.DataFrame, roles: pd.DataFrame) -> tuple[list[str], np.ndarray]:
    """Return the sites with defining animals, in the order of the site list, and the site of each animal among them.

    The latter int64 (n_animals,), -1 for animals of other sites.
    """
    own = set(animals.loc[animals["defines"].to_numpy(), "locationID"])
    location_ids = [name for name in roles["locationID"] if name in own]
    place = animals["locationID"].map({name: i for i, name in enumerate(location_ids)}).fillna(-1)
    return location_ids, place.to_numpy(dtype=np.int64)


def _record_rows(records: dict, n_markers: int) -> list[dict]:
    """Return the rows of table filter_summary that tell which records of the files became no marker."""
    steps = [
        ("record_filter", records["failed_filter"]),
        ("record_type", sum(records[reason] for reason in TYPES)),
        ("duplicate_record", records["duplicate_record"]),
        ("same_marker_in_files", records["kept"] - n_markers),
    ]
    rows, before = [], records["read"]
    for step, gone in steps:
        rows.append({"step": step, "before": before, "removed": gone, "after": before - gone, "what": "markers"})
        before -= gone
    return rows
