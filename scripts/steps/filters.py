"""Rule filters: which animals and markers stay, what is flagged, counts by site, and the genotyping error."""

from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from homewater.filters.animals import filter_animals, site_roles
from homewater.filters.batch_effects import between_batches
from homewater.filters.genotyping_error import discordance, error_by_batch, error_rate
from homewater.filters.group_differences import differing_markers, sexes
from homewater.filters.kin_thinning import counts_with_kin, kin_table
from homewater.filters.linkage_thinning import thinned_markers
from homewater.filters.markers import filter_markers
from homewater.genotypes.site_counts import SiteCounts, write_site_counts
from homewater.genotypes.store import open_genotypes
from homewater.inputs.polygons import read_polygons
from homewater.running.errors import InputError
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_table, write_table

BLOCK = 4096
MARKER_COLUMNS = ["marker", "chrom", "pos", "ref", "alt", "status", "reason", "call_rate", "minor_allele_frequency",
                  "thinned", "passes_technical", "hardy_weinberg_p", "hardy_weinberg_q", "value", "limit",
                  "excess_heterozygosity_q"]  # fmt: skip
TYPES = ("multiallelic", "no_alternate", "symbolic", "spanning_deletion", "not_one_base", "ambiguous_base")


def main(
    genotypes: str,
    sample_sheet: str,
    sites: str,
    native_range: list[str],
    samples: str,
    markers: str,
    summary: str,
    site_roles: str,
    site_counts: str,
    genotyping_error: str,
    kin_thinning: str,
    batch_effects: str,
    settings: dict,
    species: str,
) -> None:
    """Read, filter, write; arguments carry the names that the rule gives them."""
    store = open_genotypes(genotypes)
    site_list = read_table(sites, "input_sites")
    roles = _roles(site_list, native_range)
    sheet = read_table(sample_sheet, "input_samples")
    sheet = sheet[sheet["species"] == species].set_index("materialSampleID").loc[store.sample_ids].reset_index()

    batch = sheet["batch"].fillna("").to_numpy(dtype=str) if "batch" in sheet else np.full(len(sheet), "")
    animals = filter_animals(store, sheet, roles, settings)
    defines = animals.table["defines"].to_numpy()
    defining_sites = [name for name in site_list["locationID"] if (animals.table["locationID"][defines] == name).any()]
    place = animals.table["locationID"].map({name: i for i, name in enumerate(defining_sites)}).fillna(-1)
    place = place.to_numpy(dtype=np.int64)
    counts = store.genotype_counts(np.where(defines, place, -1), len(defining_sites))
    batches, batch_number = np.unique(batch, return_inverse=True)
    batch_number = np.where(batch == "", -1, batch_number)
    differing = differing_markers(store, animals.table, place, batch_number, sexes(sheet), len(defining_sites))
    table, taken = filter_markers(store.markers, counts, settings, differing)
    kept = np.flatnonzero(table["status"] == "kept")
    window, max_r2 = settings["thinning_window"], settings["thinning_r2"]
    table["thinned"] = thinned_markers(store, kept, table["chrom"].to_numpy()[kept], defines, window, max_r2)

    technical = table["passes_technical"].to_numpy(dtype=bool)
    with_kin, families = counts_with_kin(store, animals.table, place, len(defining_sites), counts)
    without = counts[technical]
    with_kin = without if with_kin is counts else with_kin[technical]

    first, second = ([pair[side] for pair in animals.replicates] for side in (0, 1))
    # the error of the markers that are used
    differing, compared = np.zeros(len(first), dtype=np.int64), np.zeros(len(first), dtype=np.int64)
    for start in range(0, kept.size if first else 0, BLOCK):
        some = kept[start : start + BLOCK]
        found = discordance(store.select(some, np.array(first)), store.select(some, np.array(second)))
        differing, compared = differing + found[0], compared + found[1]

    rows = pd.DataFrame([*_record_rows(store.attributes["records"], store.n_markers), *animals.summary, *taken])
    write_table(animals.table, samples, "samples")
    write_table(table[MARKER_COLUMNS], markers, "markers")
    write_table(rows, summary, "filter_summary")
    write_table(roles, site_roles, "site_roles")
    between = between_batches(store, table, place, batch_number, defines, defining_sites, batches.tolist())
    write_table(between, batch_effects)
    write_table(kin_table(defining_sites, with_kin, without, families), kin_thinning)
    write_site_counts(site_counts, SiteCounts(counts, np.array(defining_sites), store.markers))
    error = error_rate(differing, compared, settings["genotyping_error"])
    error["by_batch"] = error_by_batch(differing, compared, batch[first], batch[second])
    write_json(error, genotyping_error)
    print(rows.to_string(index=False))


def _roles(site_list: pd.DataFrame, native_range: list[str]) -> pd.DataFrame:
    inside = np.ones(len(site_list), dtype=bool)
    for path in [native_range] if isinstance(native_range, str) else native_range:
        polygons, problems = read_polygons(path, Path(path).name)
        if problems:
            raise InputError(problems)
        inside = shapely.intersects_xy(
            polygons, site_list["decimalLongitude"].to_numpy(float), site_list["decimalLatitude"].to_numpy(float)
        )
    return site_roles(site_list, inside)


def _record_rows(records: dict, n_markers: int) -> list[dict]:
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


if __name__ == "__main__":
    run_step(main, snakemake)
