"""Reach of linkage in a study: how far apart two markers must lie to be no more alike than markers of two chromosomes.

Squared correlations are taken within sites, since differences between sites correlate markers however far apart. What
is left at pairs of different chromosomes is no linkage but drift, kin and strangers; it is taken off the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from homewater.genotypes.genetic_map import mapped_centimorgans
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.intervals import (
    chromosome_blocks,
    divide_or_nan,
    jackknife_interval,
)
from homewater.structure.linkage_pairs import (
    CLASS_EDGES_BP,
    MIN_ANIMALS,
    PAIRS_A_CLASS,
    pairs_at_distance,
    pairs_of_other_chromosomes,
    site_correlations,
)
from homewater.tables.schema_tables import empty_table

MIN_PAIRS = 50  # of a class; fewer say little of a mean
REACH_SHARE = 0.1  # of the excess at the nearest distance: linkage reaches to where it has fallen so far; chosen
NEGLIGIBLE = 0.005  # an excess of r2 that no axis follows: linkage reaches no farther than where it has fallen so far

# readings of table linkage_reach; the report's catalogue holds the words
WIDE_ENOUGH, TOO_NARROW, NOT_SURE = "wide_enough", "too_narrow", "not_sure"
NO_LINKAGE, TOO_FEW_PAIRS = "no_linkage_found", "too_few_pairs"


@dataclass(frozen=True)
class LinkageTables:
    """What is said of linkage.

    Attributes:
        decay: table linkage_decay, one row a class of distance, and one for pairs of other chromosomes.
        reach: table linkage_reach, one row.
    """

    decay: pd.DataFrame
    reach: pd.DataFrame


@dataclass(frozen=True)
class ClassSums:
    """Sums by class of distance, the pairs of other chromosomes last, from all blocks (first) and without each.

    Attributes:
        r2: float64 (n_blocks + 1, n_classes), mean squared correlation, corrected; NaN where a class has no pair.
        distance: float64 (n_classes,), geometric mean of the pairs' distances; NaN for other chromosomes.
        n_pairs: int64 (n_classes,), pairs that could tell.
        weights: int64 (n_blocks,), markers a block.
    """

    r2: np.ndarray
    distance: np.ndarray
    n_pairs: np.ndarray
    weights: np.ndarray


def linkage_tables(
    species: OpenedSpecies, genetic_map: pd.DataFrame | None, window_kb: float, window_cm: float
) -> LinkageTables:
    """Return how linkage falls with distance within sites, and whether the window of thinning is wide enough.

    Kept markers and animals that define units count. The unit of distance is the centimorgan where the species has a
    map (chromosomes outside it are then left out), else the kilobase.

    Args:
        species: the opened species.
        genetic_map: chrom, pos, cm; None where the species has no map.
        window_kb: window of thinning, kilobases.
        window_cm: the same in centimorgans.
    """
    rows = np.flatnonzero(species.kept_markers)
    chrom, pos = (species.markers[name].to_numpy()[rows] for name in ("chrom", "pos"))
    place = mapped_centimorgans(chrom, pos, genetic_map)
    unit, window, edges, scale = "cm", window_cm, CLASS_EDGES_BP / 1e6, 1.0  # one centimorgan for a megabase
    if np.isnan(place).all():  # places are base pairs; what is written is kilobases
        unit, window, edges, scale = "kb", window_kb, CLASS_EDGES_BP, 1000.0
        place = np.asarray(pos, dtype=np.float64)
    else:
        inside = np.isfinite(place) & ~_beyond_map(chrom, pos, genetic_map)
        rows, chrom, pos, place = rows[inside], chrom[inside], pos[inside], place[inside]
    defines = species.animals["defines"].fillna(False).to_numpy(dtype=bool)
    names, site = np.unique(species.animals["locationID"].to_numpy(dtype=str)[defines], return_inverse=True)
    of_animal = np.full(len(defines), -1, dtype=np.int64)
    of_animal[defines] = site
    sums = _class_sums(species, of_animal, len(names), rows, (chrom, pos, place), edges)
    sums, edges = replace(sums, distance=sums.distance / scale), edges / scale
    able = int((np.bincount(site, minlength=len(names)) >= MIN_ANIMALS).sum())
    decay = _decay_table(sums, edges, unit)
    return LinkageTables(decay, _reach_table(sums, unit, window, able))


def _beyond_map(chrom: np.ndarray, pos: np.ndarray, genetic_map: pd.DataFrame) -> np.ndarray:
    """Return bool (n_markers,): markers beyond the ends of their chromosome's map, where no distance is known."""
    ends = genetic_map.groupby("chrom")["pos"].agg(["min", "max"])
    low, high = (pd.Series(chrom).map(ends[name]).to_numpy(dtype=np.float64) for name in ("min", "max"))
    return ~((pos >= low) & (pos <= high))


def _class_sums(
    species: OpenedSpecies,
    site: np.ndarray,
    n_sites: int,
    rows: np.ndarray,
    markers: tuple[np.ndarray, np.ndarray, np.ndarray],
    edges: np.ndarray,
) -> ClassSums:
    """Go through the classes of distance, and through the pairs of other chromosomes.

    Args:
        species: the opened species.
        site: int64 (n_animals,), site of each animal of the store, -1 for none.
        n_sites: number of sites.
        rows: int64 (n_markers,), the store's markers that are looked at, in genome order.
        markers: chromosome, base pairs and place of each.
        edges: float64 (n_classes + 1,), bounds of the classes of distance, in the unit of the places.
    """
    chrom, pos, place = markers
    block = chromosome_blocks(chrom, pos)
    n_blocks = int(block.max(initial=-1)) + 1
    code = np.unique(chrom.astype(str), return_inverse=True)[1]
    groups = [pairs_at_distance(code, place, a, b, PAIRS_A_CLASS) for a, b in pairwise(edges)]
    groups.append(pairs_of_other_chromosomes(code, PAIRS_A_CLASS))
    top, bottom = np.zeros((2, n_blocks + 1, len(groups)))
    distance, n_pairs = np.full(len(groups), np.nan), np.zeros(len(groups), dtype=np.int64)
    for number, pairs in enumerate(groups):
        if not len(pairs.first) or not n_sites:
            continue
        total, weight = site_correlations(species.store, site, n_sites, rows, pairs)
        told = weight > 0
        n_pairs[number] = told.sum()
        one, other = block[pairs.first], block[pairs.second]
        for values, out in ((total, top), (weight, bottom)):
            # a pair leaves with either of its blocks
            gone = np.bincount(one, values, n_blocks) + np.bincount(other, np.where(one == other, 0, values), n_blocks)
            out[0, number], out[1:, number] = values.sum(), values.sum() - gone
        if number < len(groups) - 1 and told.any():
            apart = (place[pairs.second] - place[pairs.first])[told]
            distance[number] = np.exp(np.log(np.maximum(apart, edges[1] / 10)).mean())
    # what is left of a weight by subtraction of floats is 0 or at least one pair's animals
    r2 = divide_or_nan(top, np.where(bottom < 0.5, 0.0, bottom))
    return ClassSums(r2, distance, n_pairs, np.bincount(block, minlength=n_blocks))


def excess_r2(sums: ClassSums) -> np.ndarray:
    """Return r2 less that of other chromosomes, float64 (n_blocks + 1, n_classes); as it is where there are none."""
    background = sums.r2[:, -1:] if sums.n_pairs[-1] >= MIN_PAIRS else np.zeros((len(sums.r2), 1))
    return sums.r2 - background


def _decay_table(sums: ClassSums, edges: np.ndarray, unit: str) -> pd.DataFrame:
    excess = excess_r2(sums)
    last = len(sums.n_pairs) - 1
    table = pd.DataFrame(
        {
            "distance_class": [*(str(k + 1) for k in range(last)), "other_chromosomes"],
            "unit": unit,
            "distance_low": [*edges[:-1], np.nan],
            "distance_high": [*edges[1:], np.nan],
            "distance": sums.distance,
            "n_pairs": sums.n_pairs,
        }
    )
    for name, values in (("r2", sums.r2), ("excess", excess)):
        low, high, _ = jackknife_interval(values[0], values[1:], weights=sums.weights)
        table[name], table[f"{name}_ci_low"], table[f"{name}_ci_high"] = values[0], low, high
    table.loc[last, ["excess", "excess_ci_low", "excess_ci_high"]] = np.nan
    return table[table["n_pairs"] > 0][list(empty_table("linkage_decay"))].reset_index(drop=True)


def distance_at_share(
    distance: np.ndarray, excess: np.ndarray, weights: np.ndarray, share: float, least: float = 0.0
) -> float:
    """Return the distance at which the excess has fallen to a share of that at the nearest distance, or to `least`.

    The excess is first made to fall with distance (least squares under that order), then read off by straight lines
    between the classes, along the logarithm of distance.

    Args:
        distance: float64 (n,), of the classes, rising, above 0.
        excess: float64 (n,), excess of r2 in each.
        weights: float64 (n,), weight of each class.
        share: between 0 and 1.
        least: excess that counts as none; below it nothing is looked for.

    Returns:
        NaN where the excess at the nearest distance is not above `least`, or does not fall so far.

    Source: isotonic regression by pooling neighbours, Barlow and others (1972) Statistical Inference under Order
        Restrictions (from memory).
    """
    if not len(distance) or not np.isfinite(excess).all():
        return float("nan")
    fallen = isotonic_regression(excess, weights=weights, increasing=False).x
    target = max(share * fallen[0], least)
    below = np.flatnonzero(fallen <= target)
    if fallen[0] <= least or not below.size:
        return float("nan")
    k = below[0]
    part = (fallen[k - 1] - target) / (fallen[k - 1] - fallen[k])
    log = np.log(distance)
    return float(np.exp(log[k - 1] + part * (log[k] - log[k - 1])))


def _reach_table(sums: ClassSums, unit: str, window: float, n_sites: int) -> pd.DataFrame:
    """Return table linkage_reach, one row."""
    excess = excess_r2(sums)[:, :-1]
    told = np.flatnonzero(sums.n_pairs[:-1] >= MIN_PAIRS)
    row: dict = dict.fromkeys(empty_table("linkage_reach"), np.nan)
    row |= {"unit": unit, "window": window, "n_sites": n_sites, "reading": TOO_FEW_PAIRS}
    row["against"] = "other_chromosomes" if sums.n_pairs[-1] >= MIN_PAIRS else "sampling"
    if told.size:
        near = told[0]
        low, high, _ = jackknife_interval(excess[0, near], excess[1:, near], weights=sums.weights)
        row |= {"nearest_distance": sums.distance[near], "nearest_excess": excess[0, near]}
        row |= {"nearest_excess_ci_low": float(low), "nearest_excess_ci_high": float(high)}
        row["reading"] = NO_LINKAGE
        if low > 0 and row["nearest_excess"] > NEGLIGIBLE:
            for name, share, least in (("half_distance", 0.5, 0.0), ("reach", REACH_SHARE, NEGLIGIBLE)):
                at = [distance_at_share(sums.distance[told], e[told], sums.n_pairs[told], share, least) for e in excess]
                with np.errstate(invalid="ignore"):
                    log = np.log(np.array(at))
                low, high, _ = jackknife_interval(log[0], log[1:], weights=sums.weights)
                row |= {name: at[0], f"{name}_ci_low": np.exp(low), f"{name}_ci_high": np.exp(high)}
            row["reading"] = window_reading(window, row["reach"], row["reach_ci_low"], row["reach_ci_high"])
    return pd.DataFrame([row])


def window_reading(window: float, reach: float, low: float, high: float) -> str:
    """Return whether a window of thinning is wide enough for a reach of linkage with its interval, all in one unit.

    Args:
        window: width of the window.
        reach: where linkage has fallen to REACH_SHARE or is NEGLIGIBLE; NaN where it does not, as far as can be seen.
        low: its lower bound; NaN where not known.
        high: its upper bound.
    """
    if np.isnan(reach) or low > window:
        return TOO_NARROW
    return WIDE_ENOUGH if high <= window else NOT_SURE
