"""Change between years at one site: how far its samples of different years differ, tested before they are pooled.

Everything else in the study takes the animals of a site as one sample, whenever they were taken. That is sound where
nothing changed; where something did, the site is a mean over its years. So each site with animals of several years is
asked, and what change could have been seen stands beside the answer.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.inputs.event_dates import sampling_years
from homewater.running.seeds import Draws
from homewater.statistics.fst import block_weights, pair_components
from homewater.statistics.intervals import blocks_among, holm, ratio_interval
from homewater.structure.pairwise_fst import MAX_TEST_MARKERS
from homewater.structure.temporal_size import drift_sums, temporal_size
from homewater.structure.year_change import change_test, permutations_needed
from homewater.tables.kept_animals import evenly_spaced, not_of_its_site
from homewater.tables.schema_tables import empty_table

LEVEL = 0.05  # chance of any false change in a study, after correction for all pairs of years tested
UNFLAGGED = "_unflagged"  # ends the names of columns that leave flagged animals out
NO_CHANGE, CHANGED, TOO_FEW = "no_change_found", "changed", "too_few"


@dataclass(frozen=True)
class YearSettings:
    """What the comparison of years depends on.

    Attributes:
        permutations: permutations of animals a pair of years; more where the correction needs them.
        min_individuals: years with fewer animals at a site are listed, and not tested.
        generation_years: mean age of parents, years.
    """

    permutations: int
    min_individuals: int
    generation_years: float


def compared_years(sizes: dict[int, int], least: int) -> list[tuple[int, int]]:
    """Return the pairs of years of one site that are listed, in order.

    These are years that follow one another, those that do once small years are passed over, and the first with the
    last.

    Args:
        sizes: {year: animals}.
        least: years with fewer animals are small.
    """
    years = sorted(sizes)
    enough = [year for year in years if sizes[year] >= least]
    pairs = set(itertools.pairwise(years)) | set(itertools.pairwise(enough))
    return sorted(pairs | {(enough[0], enough[-1])} if len(enough) > 1 else pairs)


def site_years(
    species: OpenedSpecies, sample_sheet: pd.DataFrame, species_id: str, settings: YearSettings, draws: Draws
) -> pd.DataFrame:
    """Return table site_years of a species: one row a site and pair of years; none where each site has one year.

    Animals that define units count, one a family of close kin. Those flagged as from elsewhere count too, since they
    are in all that is pooled; the same figures without them stand beside.

    Args:
        species: genotypes, animals and markers; F_ST uses the technically sound markers, the test the thinned ones.
        sample_sheet: the user's table of samples, checked.
        species_id: id of the species in it.
        settings: limits, and the length of a generation.
        draws: gives the generator of a pair of years by site and years.
    """
    animals = species.kept
    year = sampling_years(sample_sheet, species_id, animals["materialSampleID"])
    defines, flagged = animals["defines"].to_numpy(), not_of_its_site(animals)
    location = animals["locationID"].to_numpy()
    rows = []
    for site in dict.fromkeys(location[defines].tolist()):
        here = defines & (location == site)
        sizes = dict(zip(*(part.tolist() for part in np.unique(year[here], return_counts=True)), strict=True))
        for first, second in compared_years(sizes, settings.min_individuals):
            of_year = [here & (year == y) for y in (first, second)]
            rows.append(
                {
                    "locationID": site,
                    "year_a": first,
                    "year_b": second,
                    "n_a": sizes[first],
                    "n_b": sizes[second],
                    "n_flagged_a": int((of_year[0] & flagged).sum()),
                    "n_flagged_b": int((of_year[1] & flagged).sum()),
                    "generations": (second - first) / settings.generation_years,
                }
            )
    if not rows:
        return empty_table("site_years")
    table = pd.DataFrame(rows)
    table = _with_change(table, species, np.where(defines, year, -1), settings, draws, "")
    unflagged = np.where(defines & ~flagged, year, -1)
    some = (table["n_flagged_a"] + table["n_flagged_b"]).to_numpy() > 0
    without = _with_change(table[some].reset_index(drop=True), species, unflagged, settings, draws, UNFLAGGED)
    for name in ("fst", "ci_low", "ci_high", "p_value"):
        table[name + UNFLAGGED] = table[name]  # where nobody is flagged nothing changes
        table.loc[some, name + UNFLAGGED] = without[name + UNFLAGGED].to_numpy()
    tested = table["p_value"].notna()
    changed = table["p_adjusted"] <= LEVEL
    return table.assign(reading=np.where(~tested, TOO_FEW, np.where(changed, CHANGED, NO_CHANGE)))


def _with_change(
    table: pd.DataFrame, species: OpenedSpecies, year: np.ndarray, settings: YearSettings, draws: Draws, name: str
) -> pd.DataFrame:
    """Return the table with the change of each pair of years among some animals, and with its test.

    Args:
        table: locationID, year_a, year_b, generations.
        species: as in `site_years`.
        year: int64 (n_kept,), year of each animal that counts, -1 of the others.
        settings: as in `site_years`.
        draws: as in `site_years`.
        name: what the columns' names end in; empty for the full set of columns.
    """
    location = species.kept["locationID"].to_numpy()
    pairs = [
        tuple(np.flatnonzero((location == row.locationID) & (year == y)) for y in (row.year_a, row.year_b))
        for row in table.itertuples()
    ]
    enough = np.array([min(map(len, pair)) >= settings.min_individuals for pair in pairs], dtype=bool)
    fst, low, high, sizes = _change(species, pairs, table["generations"].to_numpy(), enough)
    p_value, detectable = np.full((2, len(pairs)), np.nan)
    n_tests = int(enough.sum())
    thinned = evenly_spaced(np.flatnonzero(species.thinned_markers), MAX_TEST_MARKERS)
    permutations = permutations_needed(settings.permutations, LEVEL, n_tests)
    compared = [animals for row in np.flatnonzero(enough) for animals in pairs[row]]
    everybody = np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *compared]))
    dosages = species.store.select(thinned, species.place[everybody])  # once: each call goes through the whole store
    for row in np.flatnonzero(enough):
        first, second = pairs[row]
        ours = dosages[:, np.searchsorted(everybody, np.concatenate([first, second]))]
        task = f"{table['locationID'][row]}\x1f{table['year_a'][row]}\x1f{table['year_b'][row]}{name}"
        p_value[row], detectable[row] = change_test(ours, len(first), permutations, LEVEL / n_tests, draws(task))
    found = {f"fst{name}": fst, f"ci_low{name}": low, f"ci_high{name}": high, f"p_value{name}": p_value}
    if name:
        return table.assign(**found)
    found |= {"p_adjusted": holm(p_value), "detectable_fst": detectable, "n_tests": int(np.isfinite(p_value).sum())}
    for end, attribute in (("", "estimate"), ("_ci_low", "low"), ("_ci_high", "high")):
        values = np.array([np.nan if size is None else getattr(size, attribute) for size in sizes], dtype=np.float64)
        found[f"temporal_size{end}"] = np.where(np.isfinite(values), values, np.nan)
    found["temporal_size_basis"] = ["" if size is None else size.basis for size in sizes]
    return table.assign(**found)


def _change(
    species: OpenedSpecies, pairs: list[tuple[np.ndarray, np.ndarray]], generations: np.ndarray, enough: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list]:
    """Return F_ST of each pair of samples with its interval, and the temporal effective size; NaN and None elsewhere.

    Genotypes are counted by block of markers, and of each block only sums are kept.

    Args:
        species: as in `site_years`.
        pairs: animals of both samples, as places among the kept ones.
        generations: float64 (n_pairs,).
        enough: bool (n_pairs,), pairs to compare.
    """
    store = species.store
    block = blocks_among(species.technical_markers, store.loci)
    n_blocks, chosen = int(block.max(initial=-1)) + 1, np.flatnonzero(enough)
    # a sample may stand in two pairs, so animals are grouped by sample and pairs name two groups
    samples = {tuple(sample.tolist()): sample for row in chosen for sample in pairs[row]}
    number = {key: k for k, key in enumerate(samples)}
    group = np.full(store.n_samples, -1, dtype=np.int64)
    for k, sample in enumerate(samples.values()):
        group[species.place[sample]] = k
    two = [[number[tuple(sample.tolist())] for sample in pairs[row]] for row in chosen]
    sums = np.zeros((4, n_blocks, chosen.size))
    for where, counts in store.genotype_count_blocks(group, len(samples)) if chosen.size else ():
        rows = np.flatnonzero(block[where] >= 0)
        here, at = block[where][rows], counts[rows]
        for k, groups in enumerate(two):
            both = np.ascontiguousarray(at[:, groups])
            top, bottom = pair_components(both, here, n_blocks)
            sums[0, :, k] += top[:, 0]
            sums[1, :, k] += bottom[:, 0]
            sums[2:, :, k] += drift_sums(both[:, 0], both[:, 1], here, n_blocks)
    weights = block_weights(block)
    figures = np.full((3, len(pairs)), np.nan)
    figures[:, chosen] = ratio_interval(sums[0], sums[1], weights)[:3]
    sizes: list = [None] * len(pairs)
    for k, row in enumerate(chosen):
        sizes[row] = temporal_size(sums[2, :, k], sums[3, :, k], weights, float(generations[row]), len(pairs[row][1]))
    return *figures, sizes
