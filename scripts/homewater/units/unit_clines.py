"""Clines between adjacent units: which sites lie along them, their ancestry, and the fitted curves as tables.

A site's share of the second unit is read from its allele frequencies: it is the mixture of both units' reference
frequencies that lies nearest to them. Ancestry fitted to single animals is not used, since its groups are made without
units and need not be the units. The references of a unit are those of its sites that lie in no contact zone, and of
these the half furthest from the boundary (two at least, where there are two): there, what has crossed the boundary
shows least. A site's own animals are left out of its references. A site that alone stands for its unit has a share of 0
or 1 by definition.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.statistics.intervals import wilson
from homewater.tables.unit_names import unit_index
from homewater.units.cline_fit import Shares, expected_shares, fit_cline
from homewater.units.mixtures import mixture_shares
from homewater.units.replicates import Replicates
from homewater.units.tested_sites import PlacedSites

_CLINE_COLUMNS = ["unit_a", "unit_b", "n_sites", "centre_km", "centre_ci_low", "centre_ci_high", "width_km",
                  "width_ci_low", "width_ci_high", "centre_between_a", "centre_between_b", "status",
                  "open_ends", "dispersion"]  # fmt: skip
_SITE_COLUMNS = ["locationID", "unit_a", "unit_b", "km_along", "observed_share", "observed_ci_low", "observed_ci_high",
                 "expected_share", "expected_ci_low", "expected_ci_high", "effective_copies", "basis"]  # fmt: skip
MIN_SITES = 3  # of two sites each is its unit's only reference, and nothing is measured


@dataclass(frozen=True)
class CoastUnits:
    """Sites with their units, as far as clines need them.

    Attributes:
        ids: locationIDs, in site order.
        unit: unit of each site.
        contact_zone: bool (n_sites,).
        animals: int (n_sites,), animals of each site.
        edges: int64 (n_sites - 1, 2), the tree of the sites by water.
        km: float64 (n_sites, n_sites), distances by water, NaN where not joined.
        boundary: bool (n_sites - 1,), edges at which a line runs: a site that stands apart is no end of a cline.
    """

    ids: list[str]
    unit: list[str]
    contact_zone: np.ndarray
    animals: np.ndarray
    edges: np.ndarray
    km: np.ndarray
    boundary: np.ndarray


@dataclass(frozen=True)
class ClineTables:
    """Clines of all pairs of adjacent units.

    Attributes:
        clines: table clines, one row a pair.
        cline_sites: table cline_sites, one row a site of each fitted cline.
    """

    clines: pd.DataFrame
    cline_sites: pd.DataFrame


def clines_of(sites: PlacedSites, breaks: pd.DataFrame) -> ClineTables:
    """Return the clines between the units of some sites.

    Args:
        sites: the sites that have a unit by their own animals.
        breaks: table breaks, made on these sites.
    """
    boundary = boundaries(breaks, sites.ids, sites.edges)
    coast = CoastUnits(sites.ids, sites.unit, sites.contact_zone, sites.animals, sites.edges, sites.km, boundary)
    return ClineTables(*clines_tables(coast, sites.replicates))


def clines_tables(coast: CoastUnits, replicates: Replicates) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables clines, one row a pair of adjacent units, and cline_sites, one row a site of each fitted cline.

    Args:
        coast: sites and units.
        replicates: pairwise figures of the sites.
    """
    pairs = {
        tuple(sorted((coast.unit[i], coast.unit[j]), key=unit_index)) for i, j in coast.edges[coast.boundary].tolist()
    }
    clines, sites = [], []
    for unit_a, unit_b in sorted((p for p in pairs if p[0] != p[1]), key=lambda p: [unit_index(u) for u in p]):
        row, of_sites = _cline(coast, replicates, unit_a, unit_b)
        clines.append(row)
        sites += of_sites
    return pd.DataFrame(clines, columns=_CLINE_COLUMNS), pd.DataFrame(sites, columns=_SITE_COLUMNS)


def boundaries(table: pd.DataFrame, location_ids: list[str], edges: np.ndarray) -> np.ndarray:
    """Return which edges table breaks holds for boundaries, bool (n_edges,).

    Args:
        table: table breaks.
        location_ids: sites, in the order of the numbers in `edges`.
        edges: int64 (n - 1, 2), the tree on which the table was made.
    """
    rows = table[table["reading"] == "boundary"]
    broken = set(zip(rows["side_a_nearest_site"], rows["side_b_nearest_site"], strict=True))
    return np.array([(location_ids[i], location_ids[j]) in broken for i, j in edges], dtype=bool)


def path_of_units(coast: CoastUnits, unit_a: str, unit_b: str) -> tuple[np.ndarray, str]:
    """Return the sites of two units along the coast, from the far end of the first, and what hinders a cline.

    Args:
        coast: sites and units.
        unit_a: a unit.
        unit_b: another.

    Returns:
        sites, int64 (n,); and empty, or `too_few_sites`, `not_linear` (the tree of these sites forks, or other units
        part it; a site that stands apart, with no line beside it, is passed over), `not_joined_by_water`,
        `no_reference_site` (all sites of a unit lie in the contact zone) or `several_boundaries` (the units
        alternate). Sites in the contact zone do not count as a change of unit.
    """
    members = np.array([i for i, u in enumerate(coast.unit) if u in (unit_a, unit_b)], dtype=np.int64)
    if len(members) < MIN_SITES:
        return members, "too_few_sites"
    beside_lines = np.unique(coast.edges[coast.boundary])
    passed = np.setdiff1d(np.arange(len(coast.ids)), np.concatenate([members, beside_lines]))
    inside = _between(coast.edges, members, passed)
    joined, degree = np.unique(inside, return_counts=True)
    if len(inside) != len(joined) - 1 or not np.isin(members, joined).all() or degree.max() > 2:
        return members, "not_linear"
    order = _walk(inside, int(joined[degree == 1][0]))
    order = order[np.isin(order, members)]
    if np.isnan(coast.km[order[:-1], order[1:]]).any():
        return order, "not_joined_by_water"
    pure = [coast.unit[i] for i in order.tolist() if not coast.contact_zone[i]]
    if set(pure) != {unit_a, unit_b}:
        return order, "no_reference_site"
    if pure[0] == unit_b:
        order, pure = order[::-1], pure[::-1]
    changes = sum(here != there for here, there in itertools.pairwise(pure))
    return order, "" if changes == 1 else "several_boundaries"


def references(coast: CoastUnits, order: np.ndarray, unit: str) -> np.ndarray:
    """Return the reference sites of a unit on a path: the half of those in no contact zone furthest from the other end.

    Args:
        coast: sites and units.
        order: int (n,), the path.
        unit: the unit, at one end of it.
    """
    own = np.array([i for i in order.tolist() if coast.unit[i] == unit and not coast.contact_zone[i]], dtype=np.int64)
    most = max(min(2, len(own)), math.ceil(len(own) / 2))
    return own[:most] if own[0] == next(i for i in order if not coast.contact_zone[i]) else own[-most:]


def effective_copies(share: np.ndarray, error: np.ndarray, animals: np.ndarray) -> np.ndarray:
    """Return how many allele copies an estimated share is worth: a binomial share of so many has that standard error.

    Args:
        share: float64 (n,), in [0, 1]; counted as one error away from 0 and 1 at least: there a binomial has none.
        error: float64 (n,), standard errors.
        animals: int (n,); two copies an animal are the most, since chromosomes do not tell how other animals differ.
    """
    least = np.minimum(error, 0.5)
    q = np.clip(share, least, 1 - least)
    most = 2.0 * animals
    return np.minimum(most, np.divide(q * (1 - q), error**2, out=most.copy(), where=error > 0))


def _cline(coast: CoastUnits, replicates: Replicates, unit_a: str, unit_b: str) -> tuple[dict, list[dict]]:
    """Return a row of table clines and the rows of its sites."""
    order, status = path_of_units(coast, unit_a, unit_b)
    row = {"unit_a": unit_a, "unit_b": unit_b, "n_sites": len(order), "status": status or "fitted", "open_ends": ""}
    if status:
        return row, []
    ref_a, ref_b = references(coast, order, unit_a), references(coast, order, unit_b)
    replicated = mixture_shares(replicates.drift, order, ref_a, ref_b)
    alone = [ref for ref in (ref_a, ref_b) if len(ref) == 1]
    defined = np.isin(order, np.concatenate(alone)) if alone else np.zeros(len(order), dtype=bool)
    error = np.where(defined, 0.0, replicates.error(replicated))
    raw = np.where(defined, np.isin(order, ref_b), replicated[0])
    km = np.concatenate([[0.0], np.cumsum(coast.km[order[:-1], order[1:]])])
    if not np.isfinite(raw + error).all() or not km[-1] > 0:
        return row | {"status": "not_measurable"}, []
    share, animals = np.clip(raw, 0.0, 1.0), coast.animals[order]
    copies = np.where(defined, 2.0 * animals, effective_copies(share, error, animals))
    data = Shares(km, share, copies, np.minimum(error, 0.499), ~defined)
    cline = fit_cline(data)
    after = int(np.searchsorted(km, cline.centre, side="right"))
    row |= {
        "centre_km": cline.centre,
        "centre_ci_low": cline.centre_low,
        "centre_ci_high": cline.centre_high,
        "width_km": cline.width,
        "width_ci_low": cline.width_low,
        "width_ci_high": cline.width_high,
        "dispersion": cline.dispersion,
        "centre_between_a": coast.ids[order[after - 1]] if after > 0 else "",
        "centre_between_b": coast.ids[order[after]] if after < len(order) else "",
    }
    bounds = ("centre_ci_low", "centre_ci_high", "width_ci_low", "width_ci_high")
    names = ("centre_not_bounded_below", "centre_not_bounded_above", "width_not_bounded_below")
    names += ("width_not_bounded_above",)
    row["open_ends"] = "+".join(name for name, bound in zip(names, bounds, strict=True) if math.isnan(row[bound]))
    expected, low, high = expected_shares(data, cline)
    observed_low, observed_high = wilson(share * copies, copies)
    used = np.isin(order, np.concatenate([ref_a, ref_b]))
    sites = [
        {
            "locationID": coast.ids[site],
            "unit_a": unit_a,
            "unit_b": unit_b,
            "km_along": float(km[k]),
            "observed_share": float(share[k]),
            "observed_ci_low": float("nan") if defined[k] else float(observed_low[k]),
            "observed_ci_high": float("nan") if defined[k] else float(observed_high[k]),
            "expected_share": float(expected[k]),
            "expected_ci_low": float(low[k]),
            "expected_ci_high": float(high[k]),
            "effective_copies": float(copies[k]),
            "basis": "by_definition" if defined[k] else "reference" if used[k] else "measured",
        }
        for k, site in enumerate(order.tolist())
    ]
    return row, sites


def _between(edges: np.ndarray, members: np.ndarray, passed: np.ndarray) -> np.ndarray:
    """Return the edges that join some sites of a tree through these and others, without ends that are none of them."""
    inside = edges[np.isin(edges, np.concatenate([members, passed])).all(axis=1)]
    while True:
        joined, degree = np.unique(inside, return_counts=True)
        ends = np.setdiff1d(joined[degree == 1], members)
        if not len(ends):
            return inside
        inside = inside[~np.isin(inside, ends).any(axis=1)]


def _walk(edges: np.ndarray, start: int) -> np.ndarray:
    """Return the sites of a path from one of its ends."""
    order, left = [start], edges.tolist()
    while left:
        edge = next(e for e in left if order[-1] in e)
        left.remove(edge)
        order.append(edge[0] if edge[1] == order[-1] else edge[1])
    return np.array(order, dtype=np.int64)
