"""How much of the genetic variance lies between jurisdictions and between units: analysis of molecular variance.

There is no p value. Units were chosen to make their share large, and sites cannot be permuted: under mere isolation by
distance such a test rejects far too often. Instead, what a border adds beyond distance and beyond units is ranked among
all contiguous placements of such a border. A placement is a cut of the tree of sites by water into as many groups.
"""

from __future__ import annotations

from itertools import combinations, islice
from math import comb

import numpy as np
import pandas as pd

from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.fst import block_weights
from homewater.statistics.intervals import ratio_interval
from homewater.units.border_excess import PairResiduals, excess_across, pair_residuals
from homewater.units.replicates import Replicates, to_fst
from homewater.units.tested_sites import PlacedSites
from homewater.water.site_tree import segments

MAX_PLACEMENTS = 1000  # beyond this every k-th placement in lexicographic order is taken


def share_components(
    alleles: AlleleCounts, group: np.ndarray, block: np.ndarray, n_blocks: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sums by block of the variance between groups and of the whole variance.

    Args:
        alleles: allele counts, int (n_markers, n_sites).
        group: int (n_sites,), group of each site, from 0.
        block: int (n_markers,), block of each marker.
        n_blocks: number of blocks.

    Returns:
        (between, all), float64 (n_blocks,): the share is between.sum() / all.sum(). Levels: groups, sites within
        groups, allele copies within sites. A marker at which a group has nobody typed, or a single copy is typed in
        each site, adds nothing; with one site a group the second level is left out.

    Source: Excoffier, Smouse & Quattro (1992) Genetics 131:479-491, table 1 and the coefficients below it.
    """
    n, alternate = alleles.copies.astype(np.float64), alleles.alternate
    p = np.divide(alternate, n, out=np.zeros_like(n), where=n > 0)
    membership = np.eye(int(group.max()) + 1)[group]  # (n_sites, n_groups)
    n_group, x_group = n @ membership, alternate.astype(np.float64) @ membership
    total, sites, groups = n.sum(axis=1), (n > 0).sum(axis=1), membership.shape[1]
    usable = (n_group > 0).all(axis=1) & (total > sites)
    n_group, total = np.where(usable[:, None], n_group, 1.0), np.where(usable, total, 1.0)
    p_group, p_all = x_group / n_group, alternate.sum(axis=1) / total
    ss_within = (n * p * (1 - p)).sum(axis=1)
    ss_sites = (n * (p - p_group @ membership.T) ** 2).sum(axis=1)
    ss_groups = (n_group * (p_group - p_all[:, None]) ** 2).sum(axis=1)
    squares = ((n * n) @ membership / n_group).sum(axis=1)
    df_sites, df_within = sites - groups, total - sites
    nested = df_sites > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        within = ss_within / df_within
        n_sites = (total - squares) / df_sites
        between_sites = np.where(nested, (ss_sites / df_sites - within) / n_sites, 0.0)
        n_nested = (squares - (n * n).sum(axis=1) / total) / (groups - 1)
        n_groups = (total - (n_group * n_group).sum(axis=1) / total) / (groups - 1)
        between = (ss_groups / (groups - 1) - within - np.where(nested, n_nested, 0.0) * between_sites) / n_groups
    everything = np.where(usable, within + between_sites + between, 0.0)
    between = np.where(usable, between, 0.0)
    return (
        np.bincount(block, weights=between, minlength=n_blocks),
        np.bincount(block, weights=everything, minlength=n_blocks),
    )


def placements(edges: np.ndarray, n_sites: int, n_groups: int) -> list[np.ndarray]:
    """Return contiguous placements of a border: groups of sites made by cutting the tree, int (n_sites,) each.

    Args:
        edges: int64 (n_sites - 1, 2), the tree.
        n_sites: number of sites.
        n_groups: number of groups wanted.
    """
    number = comb(len(edges), n_groups - 1)
    step = -(-number // MAX_PLACEMENTS)
    found = []
    for chosen in islice(combinations(range(len(edges)), n_groups - 1), 0, None, step):
        cut = np.zeros(len(edges), dtype=bool)
        cut[list(chosen)] = True
        found.append(segments(edges, cut, n_sites))
    return found


def variance_table(sites: PlacedSites) -> pd.DataFrame:
    """Return table variance_shares: a row for jurisdictions and one for units.

    Args:
        sites: the sites that have a unit by their own animals.

    Returns:
        A row without a share where there is one group only. Units have no rank: they were chosen to be high. Nor has a
        border that divides no unit, or that leaves no two sites of a unit on one side.
    """
    alleles, weights = AlleleCounts.of_genotypes(sites.counts), block_weights(sites.block)
    rows = []
    for name, labels in (("jurisdiction", sites.jurisdiction), ("unit", sites.unit)):
        order = list(dict.fromkeys(labels))
        row = {"grouping": name} | dict.fromkeys(("share", "ci_low", "ci_high"), np.nan)
        row |= {"rank_among_placements": None, "n_placements": None, "n_groups": len(order)}
        row |= dict.fromkeys(("beyond_units_fst", "beyond_ci_low", "beyond_ci_high"), np.nan)
        if len(order) > 1 and len(sites.block):
            group = np.array([order.index(label) for label in labels])
            parts = share_components(alleles, group, sites.block, len(weights))
            share, low, high, _ = ratio_interval(*parts, weights)
            row |= {"share": float(share), "ci_low": float(low), "ci_high": float(high)}
            if name == "jurisdiction":
                residuals = pair_residuals(sites.replicates, sites.km, sites.unit)
                row |= border_rank(group, sites.edges, residuals, sites.replicates)
        rows.append(row)
    return pd.DataFrame(rows)


def border_rank(group: np.ndarray, edges: np.ndarray, residuals: PairResiduals, replicates: Replicates) -> dict:
    """Return what the border adds beyond distance and units, and its rank among the placements, itself one of them.

    Args:
        group: int (n_sites,), groups numbered from 0 in the order in which the site numbers meet them.
        edges: int64 (n_sites - 1, 2), the tree.
        residuals: pairs of sites of one unit; a placement without such a pair across it, or without one on one side,
            cannot be compared and is not counted.
        replicates: those from which the residuals were made, for the error.

    Returns:
        beyond_units_fst with its 95 % interval, rank_among_placements (1 is the largest) and n_placements; empty where
        the border itself cannot be compared.
    """
    own = excess_across(residuals, group)
    if own is None:
        return {}
    fst = to_fst(own)
    low, high = replicates.interval(fst)
    others = [p for p in placements(edges, len(group), int(group.max()) + 1) if not np.array_equal(p, group)]
    measured = [excess for excess in (excess_across(residuals, p) for p in others) if excess is not None]
    return {
        "rank_among_placements": 1 + sum(int(excess[0] > own[0]) for excess in measured),
        "n_placements": 1 + len(measured),
        "beyond_units_fst": float(fst[0]),
        "beyond_ci_low": float(low),
        "beyond_ci_high": float(high),
    }
