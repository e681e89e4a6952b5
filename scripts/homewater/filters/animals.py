"""Which animals stay, and what is flagged about those that do.

Call rate alone removes a query animal. A baseline animal is removed for a declared replicate or an undeclared duplicate
at its own site, for more heterozygosity than any first cross shows, or for reads of a second genome. Everything else is
a flag. Of close kin within a site one animal a family defines frequencies; the others stay, and count for effective
size.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from homewater.filters.batch_effects import batch_names
from homewater.filters.contamination import contamination, second_genome
from homewater.filters.heterozygosity import SPREADS, first_cross_sums, limits
from homewater.filters.identity import (
    CLOSE_KIN,
    MIN_MARKERS,
    Pairs,
    compare_pairs,
    expected_above,
    informative_markers,
)
from homewater.filters.kinship import gross_excess, kin_markers, kinship_within_sites, thin_families
from homewater.filters.ledger import Animals
from homewater.filters.settings import FilterSettings
from homewater.filters.site_fit import fit_to_sites, fits_another_site, swapped_labels, unlike_any_site
from homewater.genotypes.store import Genotypes
from homewater.running.errors import InputError, Problem
from homewater.statistics.allele_counts import AlleleCounts, n_called
from homewater.statistics.intervals import binomial_upper_tail, divide_or_nan
from homewater.statistics.linked_groups import linked_groups

WIDELY_CALLED = 0.5  # markers called in fewer of the defining animals say nothing of an animal's quality


def filter_animals(
    genotypes: Genotypes, samples: pd.DataFrame, roles: pd.DataFrame, settings: FilterSettings
) -> Animals:
    """Go through all filters of animals.

    Args:
        genotypes: the genotype store.
        samples: rows of the sample sheet for the store's animals, in its order: materialSampleID, locationID, role and
            optional replicateOf and batch.
        roles: table site_roles; every locationID of `samples` is in it.
        settings: limits of the filters.

    Raises:
        InputError: where no animal, or no marker that tells animals' quality, is left.
    """
    animals = Animals.of_sheet(samples)
    table = animals.table
    site = table["locationID"].map({name: i for i, name in enumerate(roles["locationID"])}).to_numpy(dtype=np.int64)
    baseline = (table["role"] == "baseline").to_numpy()
    may_define = baseline & roles["defines"].to_numpy(dtype=bool)[site]
    if not may_define.any():
        found, allowed = "no baseline animal at a wild site within the native range", "at least one"
        raise InputError(Problem("samples", "", "role", found, allowed))

    pooled = _pooled_counts(genotypes, may_define)
    wide = n_called(pooled) >= max(1.0, WIDELY_CALLED * may_define.sum())
    if not wide.any():
        found = f"no marker called in at least {WIDELY_CALLED:.0%} of the baseline animals"
        raise InputError(Problem("genotypes", "", "", found, "genotypes with fewer missing calls"))
    table["call_rate"] = genotypes.animal_counts(wide)[0] / wide.sum()
    minimum = settings.min_sample_call_rate
    animals.remove(
        "sample_call_rate",
        "call_rate",
        (table["call_rate"] < minimum).to_numpy(),
        table["call_rate"].to_numpy(),
        minimum,
    )
    if not (animals.kept & may_define).any():
        found = f"no baseline animal left: all are called at fewer than {minimum:.0%} of the markers"
        raise InputError(
            Problem("genotypes", "", "markers.min_sample_call_rate", found, "a lower limit, or better genotypes")
        )

    _files_disagree(animals, genotypes.file_concordance, settings.duplicate_identity)
    _declared_replicates(animals, samples)
    pooled = _pooled_counts(genotypes, animals.kept & may_define)
    frequency = _minor_frequency(pooled)
    who = np.flatnonzero(animals.kept)
    pairs = compare_pairs(genotypes.select(informative_markers(frequency, wide), who))
    pairs = replace(pairs, first=who[pairs.first], second=who[pairs.second])
    _same(animals, pairs, site, baseline, settings.duplicate_identity)
    _heterozygosity(animals, genotypes, wide & (np.nan_to_num(frequency) > 0), site, baseline, may_define, len(roles))
    _contamination(animals, genotypes, pooled, baseline, may_define, settings.max_contamination)
    table["defines_with_kin"] = table["defines"] = animals.kept & may_define
    if not table["defines"].any():
        found = "no baseline animal left: all are mixtures, or more heterozygous than any first cross"
        raise InputError(Problem("genotypes", "", "", found, "genotypes of single animals"))
    markers = _kin(animals, genotypes, pairs, site, wide & (np.nan_to_num(frequency) > 0), settings)
    _origins(animals, genotypes, markers, site, roles["locationID"].to_numpy(), batch_names(samples))
    return animals


def _files_disagree(animals: Animals, concordance: np.ndarray, least: float) -> None:
    """Flag animals whose calls in several files agree less than those of one animal do: the tubes may be swapped."""
    compared, differing = concordance.T
    if not compared.any():
        return
    share = divide_or_nan(differing, compared)
    told = compared >= MIN_MARKERS
    animals.flag(animals.kept & told & (np.nan_to_num(share) > 1 - least), "files_disagree")
    # what chance alone gives: errors at the rate that most animals have
    usual = np.nanmedian(share[told]) if told.any() else 0.0
    judged, most = told & animals.kept, np.floor((1 - least) * compared)
    expected = binomial_upper_tail(most + 1, compared, usual)[judged].sum()
    animals.note("files_disagree", int(animals.flagged("files_disagree").sum()), float(expected))


def _pooled_counts(genotypes: Genotypes, rows: np.ndarray) -> np.ndarray:
    return genotypes.genotype_counts(np.where(rows, 0, -1), 1)[:, 0]


def _minor_frequency(counts: np.ndarray) -> np.ndarray:
    p = AlleleCounts.of_genotypes(counts).frequency
    return np.minimum(p, 1 - p)


def _best(rows: np.ndarray, call_rate: np.ndarray) -> int:
    return int(rows[np.argmax(call_rate[rows])])  # the first of equals


def _declared_replicates(animals: Animals, samples: pd.DataFrame) -> None:
    table, n = animals.table, len(animals.table)
    place = {name: i for i, name in enumerate(table["materialSampleID"])}
    declared = samples["replicateOf"].fillna("").tolist() if "replicateOf" in samples else [""] * n
    pairs = [(i, place[name]) for i, name in enumerate(declared) if name in place]
    group = linked_groups(
        *(np.array(side, dtype=np.int64) for side in (zip(*pairs, strict=True) if pairs else ((), ()))), n
    )
    gone, rate, limit = np.zeros(n, dtype=bool), table["call_rate"].to_numpy(), np.full(n, np.nan)
    kept, paired = animals.kept, np.array([i for i, _ in pairs], dtype=np.int64)
    for number in np.unique(group[paired]):
        rows = np.flatnonzero((group == number) & kept)
        if rows.size > 1:
            best = _best(rows, rate)
            others = rows[rows != best]
            gone[others], limit[others] = True, rate[best]
            animals.replicates += [(best, int(other)) for other in others]
            animals.relate(np.full(others.size, best), others)
    animals.remove("replicate", "replicate", gone, rate, limit)  # the better called one stays


def _same(animals: Animals, pairs: Pairs, site: np.ndarray, baseline: np.ndarray, least: float) -> None:
    first, second, n = pairs.first, pairs.second, len(animals.table)
    here = site[first] == site[second]
    same = np.nan_to_num(pairs.identity) >= least
    _flag_pairs(animals, pairs, same & here, "duplicate")
    _flag_pairs(animals, pairs, same & ~here, "same_genotype_elsewhere")
    own = same & here & baseline[first] & baseline[second]
    group, gone, rate = linked_groups(first[own], second[own], n), np.zeros(n, dtype=bool), animals.table["call_rate"]
    alike = np.zeros(n)
    for side in (first[own], second[own]):
        np.maximum.at(alike, side, pairs.identity[own])
    for number in np.unique(group[first[own]]):
        rows = np.flatnonzero(group == number)
        gone[rows[rows != _best(rows, rate.to_numpy())]] = True
    for step, rows, among in (("duplicate", gone, here), ("same_genotype_elsewhere", np.zeros(n, dtype=bool), ~here)):
        flagged = int((animals.flagged(step) & animals.kept & ~rows).sum())
        expected = expected_above(pairs.identity[among], least)
        animals.remove(step, "duplicate", rows, alike, least, flagged=flagged, expected_false_flags=expected)


def _kin(
    animals: Animals,
    genotypes: Genotypes,
    pairs: Pairs,
    site: np.ndarray,
    markers: np.ndarray,
    settings: FilterSettings,
) -> np.ndarray:
    """Flag and thin kin; return the markers from which kinship was read."""
    table, n = animals.table, len(animals.table)
    # a mixture of two animals is kin of both
    usable = animals.kept & ~animals.flagged("beyond_f1_heterozygosity") & ~animals.flagged("contaminated")
    may = table["defines_with_kin"].to_numpy(dtype=bool) & usable
    same = np.nan_to_num(pairs.identity) >= settings.duplicate_identity
    alike = (site[pairs.first] == site[pairs.second]) & (np.nan_to_num(pairs.kinship) > CLOSE_KIN)
    alike &= may[pairs.first] & may[pairs.second]
    group = linked_groups(pairs.first[alike], pairs.second[alike], n)
    reference = may & (group == np.arange(n))  # a group is named by its first animal
    frequency, sound = np.full(genotypes.n_markers, np.nan), markers.copy()
    for rows, counts in genotypes.genotype_count_blocks(np.where(may, site, -1), int(site.max()) + 1):
        frequency[rows], sound[rows] = _minor_frequency(counts.sum(axis=1)), markers[rows] & ~gross_excess(counts)
    chosen = kin_markers(frequency, sound)
    who = np.flatnonzero(usable)
    found = kinship_within_sites(genotypes.select(chosen, who), site[who], may[who], reference[who])
    first, second = who[found.first], who[found.second]
    known_same = set(zip(pairs.first[same].tolist(), pairs.second[same].tolist(), strict=True))
    twice = np.array([pair in known_same for pair in zip(first.tolist(), second.tolist(), strict=True)], dtype=bool)
    kin = found.close & ~twice
    animals.flag(np.unique(np.concatenate([first[kin], second[kin]])), "kin")
    animals.relate(first[kin], second[kin])
    family, left_out = thin_families(first[kin], second[kin], n, may, table["call_rate"].to_numpy())
    table["family"] = [f"family_{number + 1}" if number >= 0 else "" for number in family.tolist()]
    if settings.thin_kin:
        table["defines"] = table["defines_with_kin"] & ~left_out
    flagged = int(animals.flagged("kin").sum())
    expected = float(found.expected.sum()) if np.isfinite(found.limit).any() else float("nan")
    animals.note("kin", flagged, expected)
    return chosen


def _contamination(
    animals: Animals,
    genotypes: Genotypes,
    pooled: np.ndarray,
    baseline: np.ndarray,
    may_define: np.ndarray,
    most: float,
) -> None:
    table, n = animals.table, len(animals.table)
    balance = genotypes.read_balance
    flagged, gone, value, expected = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool), np.full(n, np.nan), np.nan
    if balance is not None:
        frequency = AlleleCounts.of_genotypes(pooled).frequency
        second = np.zeros((n, 5))
        for rows, dosages in genotypes.blocks():
            second += second_genome(dosages, frequency[rows])
        found = contamination(balance, second, animals.kept & may_define)
        table["contamination"] = found.share
        table["contamination_ci_low"], table["contamination_ci_high"] = found.low, found.high
        by_reads = found.stray & (np.nan_to_num(found.share) > most)
        # uneven heterozygous calls alone are poor DNA; with too many of them they are two animals
        by_calls = found.uneven & animals.flagged("high_heterozygosity")
        flagged = animals.kept & (by_reads | by_calls)
        animals.flag(flagged, "contaminated")
        gone = flagged & baseline
        value, most = np.where(by_reads, found.share, found.imbalance), np.where(by_reads, most, found.imbalance_limit)
        expected = found.n_judged * float(special.ndtr(-SPREADS))
    left = int((flagged & ~gone).sum()) if balance is not None else None
    animals.remove("contamination", "contamination", gone, value, most, flagged=left, expected_false_flags=expected)


def _origins(
    animals: Animals,
    genotypes: Genotypes,
    markers: np.ndarray,
    site: np.ndarray,
    location_ids: np.ndarray,
    batch: np.ndarray,
) -> None:
    table = animals.table
    counted = table["defines"].to_numpy(dtype=bool)
    defining = np.unique(site[counted])
    own = np.full(len(location_ids), -1)
    own[defining] = np.arange(defining.size)
    who = np.flatnonzero(animals.kept)
    own, counted, judged = own[site][who], counted[who], table["defines_with_kin"].to_numpy(dtype=bool)[who]
    fit = fit_to_sites(genotypes.select(markers, who), own, counted, defining.size)
    unlike, _, limit = unlike_any_site(fit, own, counted)
    animals.flag(who[unlike], "unlike_any_site")
    # what fits nowhere fits no other site
    other = fits_another_site(fit, own, judged & ~unlike, counted)
    swapped = swapped_labels(other, own, judged & ~unlike, batch[who])
    animals.flag(who[other.flagged], "fits_another_site")
    animals.flag(who[swapped], "label_swap")
    table.loc[who[other.flagged], "best_site"] = location_ids[defining][other.best[other.flagged]]
    known = int(np.isfinite(limit).sum())
    by_chance = known * float(special.ndtr(-SPREADS)) if known else np.nan
    for step, flagged, expected in (
        ("unlike_any_site", unlike, by_chance),
        ("fits_another_site", other.flagged, other.expected_false_flags),
        ("label_swap", swapped, other.expected_false_flags),
    ):
        animals.note(step, int(flagged.sum()), expected)


def _flag_pairs(animals: Animals, pairs: Pairs, chosen: np.ndarray, word: str) -> None:
    animals.flag(np.unique(np.concatenate([pairs.first[chosen], pairs.second[chosen]])), word)
    animals.relate(pairs.first[chosen], pairs.second[chosen])


def _heterozygosity(
    animals: Animals,
    genotypes: Genotypes,
    markers: np.ndarray,
    site: np.ndarray,
    baseline: np.ndarray,
    may_define: np.ndarray,
    n_sites: int,
) -> None:
    called, het = genotypes.animal_counts(markers)
    share = divide_or_nan(het, called)
    animals.table["heterozygosity"] = share
    defines = animals.kept & may_define
    places = np.unique(site[defines])
    group = np.where(defines, np.searchsorted(places, site), -1)
    crosses = np.zeros((2, places.size, places.size))
    for rows, counts in genotypes.genotype_count_blocks(group, places.size):
        crosses += first_cross_sums(counts[markers[rows]])
    limit = limits(share, site, defines, divide_or_nan(*crosses), int(markers.sum()), n_sites)
    beyond = animals.kept & (np.nan_to_num(share, nan=-1) > limit.first_cross)
    high = animals.kept & (np.nan_to_num(share, nan=-1) > limit.local[site])
    animals.flag(high, "high_heterozygosity")
    animals.flag(beyond, "beyond_f1_heterozygosity")
    removed = beyond & baseline
    animals.remove(
        "high_heterozygosity",
        "high_heterozygosity",
        removed,
        share,
        limit.first_cross,
        flagged=int((high & ~removed).sum()),
        expected_false_flags=float(animals.kept.sum() * special.ndtr(-SPREADS)),
    )
