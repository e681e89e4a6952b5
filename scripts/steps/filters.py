"""Rule filters: which animals and markers stay, what is flagged, counts by site, and the genotyping error."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from homewater.animal_filters import filter_animals, site_roles
from homewater.batch_effects import MIN_ANIMALS, add_components, batch_table, cells
from homewater.bit_planes import group_words
from homewater.errors import InputError
from homewater.genotyping_error import discordance, error_by_batch, error_rate
from homewater.group_tests import ALLELES, HETEROZYGOTES, beyond_most, differences
from homewater.input_files import read_polygons
from homewater.kin_thinning import kin_table
from homewater.marker_filters import filter_markers
from homewater.site_counts import SiteCounts, write_site_counts
from homewater.statistics import chromosome_blocks
from homewater.step import run_step
from homewater.store import Genotypes, open_genotypes
from homewater.tables import read_table, write_table
from homewater.thinning import thin_by_linkage
from homewater.writer import write_json

BLOCK = 4096
MARKER_COLUMNS = ["marker", "chrom", "pos", "ref", "alt", "status", "reason", "call_rate", "minor_allele_frequency",
                  "thinned", "passes_technical", "hardy_weinberg_p", "hardy_weinberg_q", "value", "limit",
                  "excess_heterozygosity_q"]  # fmt: skip
SEXES = {"female": 0, "f": 0, "male": 1, "m": 1}
TYPES = ("multiallelic", "no_alternate", "symbolic", "spanning_deletion", "not_one_base", "ambiguous_base")


def main(
    genotypes: str,
    samples: str,
    sites: str,
    native_range: list[str],
    kept_samples: str,
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
    sheet = read_table(samples, "input_samples")
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
    differing = _differing_markers(store, animals.table, place, batch_number, _sexes(sheet), len(defining_sites))
    table, taken = filter_markers(store.markers, counts, settings, differing)
    table["thinned"] = _thinned(store, table, defines, settings)

    technical = table["passes_technical"].to_numpy(dtype=bool)
    with_kin, families = _with_kin(store, animals.table, place, len(defining_sites), counts)
    without = counts[technical]
    with_kin = without if with_kin is counts else with_kin[technical]

    first, second = ([pair[side] for pair in animals.replicates] for side in (0, 1))
    kept = np.flatnonzero(table["status"] == "kept")  # the error of the markers that are used
    differing, compared = np.zeros(len(first), dtype=np.int64), np.zeros(len(first), dtype=np.int64)
    for start in range(0, kept.size if first else 0, BLOCK):
        some = kept[start : start + BLOCK]
        found = discordance(store.select(some, np.array(first)), store.select(some, np.array(second)))
        differing, compared = differing + found[0], compared + found[1]

    rows = pd.DataFrame([*_record_rows(store.attributes["records"], store.n_markers), *animals.summary, *taken])
    write_table(animals.table, kept_samples, "samples")
    write_table(table[MARKER_COLUMNS], markers, "markers")
    write_table(rows, summary, "filter_summary")
    write_table(roles, site_roles, "site_roles")
    between = _between_batches(store, table, place, batch_number, defines, defining_sites, batches.tolist())
    write_table(between, batch_effects)
    write_table(kin_table(defining_sites, with_kin, without, families), kin_thinning)
    write_site_counts(site_counts, SiteCounts(counts, np.array(defining_sites), store.markers))
    error = error_rate(differing, compared, settings["genotyping_error"])
    error["by_batch"] = error_by_batch(differing, compared, batch[first], batch[second])
    write_json(error, genotyping_error)
    print(rows.to_string(index=False))


def _sexes(sheet: pd.DataFrame) -> np.ndarray:
    known = sheet["sex"].fillna("").str.strip().str.lower() if "sex" in sheet else pd.Series("", index=sheet.index)
    return known.map(SEXES).fillna(-1).to_numpy(dtype=np.int64)


def _differing_markers(
    store: Genotypes, table: pd.DataFrame, place: np.ndarray, batch: np.ndarray, sex: np.ndarray, n_sites: int
) -> dict[str, np.ndarray]:
    """Return the p values of the markers' differences between batches and between sexes, within sites."""
    defines = table["defines"].to_numpy(dtype=bool)
    # movers and crosses among the animals of one batch are no fault of a marker
    apart = table["flags"].str.contains("fits_another_site|high_heterozygosity|unlike_any_site").to_numpy(dtype=bool)
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


def _between_batches(
    store: Genotypes,
    table: pd.DataFrame,
    place: np.ndarray,
    batch: np.ndarray,
    defines: np.ndarray,
    location_ids: list[str],
    batches: list[str],
) -> pd.DataFrame:
    """Return F_ST between the batches of each site."""
    cell, cell_site, cell_batch, size = cells(place, batch, defines, MIN_ANIMALS)
    technical = table["passes_technical"].to_numpy(dtype=bool)
    block = np.full(len(table), -1)
    block[technical] = chromosome_blocks(table["chrom"].to_numpy()[technical], table["pos"].to_numpy()[technical])
    weights = np.bincount(block[technical])
    pairs = {int(s): int((cell_site == s).sum()) for s in np.unique(cell_site)}
    sums = {s: [np.zeros((weights.size, n * (n - 1) // 2)) for _ in range(2)] for s, n in pairs.items()}
    for rows, counts in store.genotype_count_blocks(cell, cell_site.size) if sums else ():
        add_components(counts, block[rows], cell_site, sums)
    return batch_table(sums, weights, cell_site, cell_batch, size, location_ids, batches)


def _with_kin(store: Genotypes, table: pd.DataFrame, place: np.ndarray, n_sites: int, counts: np.ndarray):
    """Return the counts by site with close kin, and the number of families among those animals by site."""
    everybody = table["defines_with_kin"].to_numpy(dtype=bool)
    members = everybody & (table["family"] != "").to_numpy()
    pairs, sizes = np.unique(
        np.stack([place[members].astype(str), table["family"].to_numpy(dtype=str)[members]]), axis=1, return_counts=True
    )
    families = np.bincount(pairs[0, sizes > 1].astype(np.int64), minlength=n_sites)
    if (everybody == table["defines"].to_numpy(dtype=bool)).all():
        return counts, families
    return store.genotype_counts(np.where(everybody, place, -1), n_sites), families


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


def _thinned(store: Genotypes, table: pd.DataFrame, defines: np.ndarray, settings: dict) -> np.ndarray:
    kept = np.flatnonzero(table["status"] == "kept")
    _, word, bits, _ = group_words(store.layout, np.where(defines, 0, -1), 1)
    mask = np.zeros(store.layout.n_words, dtype=np.uint64)
    mask[word] = bits
    thinned = np.zeros(len(table), dtype=bool)

    def thin(rows: np.ndarray) -> None:
        blocks = (store.planes(rows[start : start + BLOCK]) for start in range(0, rows.size, BLOCK))
        alone = np.zeros(rows.size, dtype=np.int64)
        thinned[rows] = thin_by_linkage(blocks, mask, alone, settings["thinning_window"], settings["thinning_r2"])

    chrom = pd.factorize(table["chrom"].to_numpy()[kept])[0]
    with ThreadPoolExecutor(2) as pool:  # chromosomes have no part in each other
        list(pool.map(thin, np.split(kept, np.flatnonzero(np.diff(chrom)) + 1)))
    return thinned


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
