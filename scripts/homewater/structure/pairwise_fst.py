"""F_ST of every pair of sites: estimate, interval over chromosomes, and a test that permutes animals between them."""

from __future__ import annotations

import numba
import numpy as np
import pandas as pd

from homewater.genotypes.bit_planes import WORD, popcount
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.genotypes.site_counts import SiteCounts
from homewater.running.seeds import Draws
from homewater.statistics.allele_counts import n_animals
from homewater.statistics.fst import group_pairs, pairwise_fst
from homewater.statistics.intervals import chromosome_blocks, false_discovery, permutation_p
from homewater.tables.kept_animals import evenly_spaced

MAX_TEST_MARKERS = 5000  # more than this sharpens the test little and costs time in proportion (common practice)


def site_pairs(
    species: OpenedSpecies,
    counts: SiteCounts,
    sea_distance: pd.DataFrame,
    permutations: int,
    min_individuals: int,
    draws: Draws,
) -> pd.DataFrame:
    """Return table pairwise_fst of a species: every pair of sites with its F_ST, interval, test and distance by water.

    Args:
        species: genotypes, animals and markers; the test uses the thinned markers.
        counts: over the markers that pass the technical filters.
        sea_distance: table sea_distance.
        permutations: permutations a pair.
        min_individuals: pairs with a site of fewer animals are listed with empty values.
        draws: gives the generator of a pair by its two names.
    """
    animals, site = species.kept, species.site_numbers(counts.location_ids)
    ours = animals["defines"].to_numpy() & (site >= 0)
    size = np.bincount(site[ours], minlength=len(counts.location_ids))
    ours[ours] = size[site[ours]] >= min_individuals
    thinned = evenly_spaced(np.flatnonzero(species.thinned_markers), MAX_TEST_MARKERS)
    dosages, names = species.store.select(thinned, species.place[ours]), counts.location_ids.tolist()
    p_values = permutation_p_values(dosages, site[ours], names, permutations, draws)
    return pairwise_table(counts, p_values, sea_distance, min_individuals)


def pairwise_table(
    counts: SiteCounts, p_values: np.ndarray, sea_distance: pd.DataFrame, min_individuals: int
) -> pd.DataFrame:
    """Return one row a pair of sites.

    Args:
        counts: over the markers that pass the technical filters. Filters of frequency are not applied: leaving rare
            alleles out would raise F_ST.
        p_values: float64 (n_pairs,), pairs as in `group_pairs`; NaN where not tested.
        sea_distance: site_a, site_b, sea_km of every pair of sites, either order.
        min_individuals: pairs with a site of fewer animals are listed with empty values.

    Returns:
        Table pairwise_fst. Estimates and bounds may be below 0: an unbiased estimate of nothing often is.
    """
    first, second = group_pairs(len(counts.location_ids))
    fst, low, high, _ = pairwise_fst(counts.counts, chromosome_blocks(counts.chrom, counts.pos))
    animals = n_animals(counts.counts)
    enough = np.minimum(animals[first], animals[second]) >= min_individuals
    km = {frozenset(pair): d for *pair, d in sea_distance[["site_a", "site_b", "sea_km"]].itertuples(index=False)}
    names = [str(name) for name in counts.location_ids]
    p_values = np.where(enough, p_values, np.nan)
    return pd.DataFrame(
        {
            "site_a": [names[i] for i in first],
            "site_b": [names[j] for j in second],
            "fst": np.where(enough, fst, np.nan),
            "ci_low": np.where(enough, low, np.nan),
            "ci_high": np.where(enough, high, np.nan),
            "p_value": p_values,
            "q_value": false_discovery(p_values),
            "sea_km": [km.get(frozenset((names[i], names[j])), np.nan) for i, j in zip(first, second, strict=True)],
            "n_a": animals[first],
            "n_b": animals[second],
        }
    )


def permutation_p_values(
    dosages: np.ndarray, site: np.ndarray, names: list[str], permutations: int, draws: Draws
) -> np.ndarray:
    """Test, for every pair of sites, whether the two are one population, by dealing their animals out again.

    Whole animals change places, not alleles. Each animal keeps its genotypes together, so that linkage, and departures
    from Hardy-Weinberg proportions within sites, do not make the test wrong. The statistic is F_ST. Close kin at one
    site cannot change places with the rest as strangers can, so the test also answers to families among the sample.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        site: int (n_animals,), site of each animal, in 0..n_sites-1.
        names: name of each site (n_sites,).
        permutations: permutations a pair.
        draws: gives the generator of a pair by its two names, so that a pair draws the same in any study.

    Returns:
        float64 (n_pairs,), (b + 1) / (m + 1); NaN where the pair has under three animals or a site has none.
    """
    first, second = group_pairs(len(names))
    out = np.full(first.size, np.nan)
    for pair, (i, j) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        members = np.concatenate([np.flatnonzero(site == i), np.flatnonzero(site == j)])
        n_first = int((site == i).sum())
        if not 0 < n_first < members.size or members.size < 3:
            continue
        draw = draws(f"{names[i]}\x1f{names[j]}")
        out[pair] = split_p_value(permuted_splits(dosages[:, members], n_first, permutations, draw))
    return out


def split_p_value(statistic: np.ndarray) -> float:
    """Return the chance that animals dealt out at random differ as much as observed; NaN without variation.

    Args:
        statistic: float64 (permutations + 1,), as `permuted_splits` returns it.
    """
    observed, dealt = statistic[0], statistic[1:]
    if not np.isfinite(observed):
        return np.nan
    tied = 1e-12 * max(1.0, abs(observed))  # the same split summed again must count as equal
    return float(permutation_p((dealt >= observed - tied).sum(), len(dealt)))


def permuted_splits(dosages: np.ndarray, n_first: int, permutations: int, draw: np.random.Generator) -> np.ndarray:
    """Return F_ST of two groups of animals, and of the same animals dealt out to two groups of these sizes again.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1; the animals of the first group come first.
        n_first: animals of the first group.
        permutations: splits drawn.
        draw: source of randomness.

    Returns:
        float64 (permutations + 1,), the observation first; NaN without variation.
    """
    n = dosages.shape[1]
    ours = np.zeros((permutations + 1, n), dtype=bool)
    ours[0, :n_first] = True
    chosen = np.argsort(draw.random((permutations, n)), axis=1, kind="stable")[:, :n_first]
    np.put_along_axis(ours[1:], chosen, True, axis=1)
    return permuted_fst(np.ascontiguousarray(dosages), ours)


def permuted_fst(dosages: np.ndarray, first_group: np.ndarray) -> np.ndarray:
    """Return Weir & Cockerham's F_ST of two groups of animals, for many splits of the same animals.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        first_group: bool (n_splits, n_animals), True for the animals of the first group.

    Returns:
        float64 (n_splits,), ratio of sums over markers; NaN without variation.

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370, with what no split changes (animals typed, allele copies and
        heterozygotes of both groups together) taken out of the loop.
    """
    planes = np.stack([_words(dosages == value) for value in (1, 2)] + [_words(dosages >= 0)], axis=1)
    return _permuted_fst(planes, _words(first_group))


def _words(bits: np.ndarray) -> np.ndarray:
    n_words = -(-bits.shape[1] // WORD)
    padded = np.zeros((bits.shape[0], n_words * WORD), dtype=bool)
    padded[:, : bits.shape[1]] = bits
    return np.packbits(padded, axis=1, bitorder="little").view("<u8").astype(np.uint64)


@numba.njit(cache=True)
def _permuted_fst(planes, masks):  # pragma: no cover
    n_splits, n_words = masks.shape
    top, bottom = np.zeros(n_splits), np.zeros(n_splits)
    for marker in range(planes.shape[0]):
        het, hom, total = 0, 0, 0
        for w in range(n_words):
            het += np.int64(popcount(planes[marker, 0, w]))
            hom += np.int64(popcount(planes[marker, 1, w]))
            total += np.int64(popcount(planes[marker, 2, w]))
        copies = het + 2 * hom
        if total < 3 or copies == 0 or copies == 2 * total:
            continue
        mean = total / 2
        p, h = copies / (2 * total), het / total
        spread_unit = 1 / (2 * total * total)
        variance = p * (1 - p)
        b_unit = mean / (mean - 1)
        for split in range(n_splits):
            n1, x1 = 0, 0
            for w in range(n_words):
                mask = masks[split, w]
                n1 += np.int64(popcount(planes[marker, 2, w] & mask))
                x1 += np.int64(popcount(planes[marker, 0, w] & mask))
                x1 += 2 * np.int64(popcount(planes[marker, 1, w] & mask))
            product = n1 * (total - n1)
            if product == 0:
                continue
            gap = x1 * total - copies * n1
            ratio = 1.0 / product
            spread = gap * gap * spread_unit * ratio  # 2 n1 n2 / total^2 x (p1 - p2)^2
            within = variance - spread / 2
            a = total * total / 4 * ratio * (spread - (within - h / 4) / (mean - 1))
            top[split] += a
            bottom[split] += a + b_unit * (within - (total - 1) / (2 * total) * h) + h / 2
    out = np.full(n_splits, np.nan)
    for split in range(n_splits):
        if bottom[split] != 0:
            out[split] = top[split] / bottom[split]
    return out
