"""Management units: which sites the lines leave together, and which sites lie in a contact zone.

Jurisdictions play no part in where a unit ends; they are set beside the units afterwards.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.tables.unit_names import unit_names
from homewater.units.break_evidence import Search
from homewater.units.break_rules import NEAR_SITES, is_contact_share
from homewater.units.mixtures import f3, mixture_shares, spread
from homewater.units.replicates import to_fst
from homewater.water.site_tree import nearest, segments

BETWEEN_SHARE = 0.1  # a site between two units counts as the nearer one's within this share of the way between them


def joined_parts(search: Search, cut: np.ndarray, zone: np.ndarray) -> np.ndarray:
    """Return the stock of each site once parts that no line parts and that hardly differ are one, int64 (n,).

    Parts of the tree between lines are stocks. Two parts between which no line lies may still be one, where nothing
    would tell their animals apart. That is so where they lie side by side and no place between them passes for a line.
    It is also so where they hardly differ (`joined_alike`).

    Args:
        search: the tree, and what was measured on it.
        cut: bool (n_edges,), edges at which a boundary runs.
        zone: bool (n,), sites in contact zones; they say nothing of the stocks.
    """
    return joined_alike(search, cut, _joined_side_by_side(search, cut), zone)


def joined_alike(search: Search, cut: np.ndarray, part: np.ndarray, zone: np.ndarray) -> np.ndarray:
    """Return the stock of each site once parts that no line parts, wherever they lie, and that hardly differ are one.

    Such parts lie on either side of a third, or on islands, and their F_ST, own drift of their sites left out, is below
    the least F_ST.

    Args:
        search: the tree, and what was measured on it.
        cut: bool (n_edges,), edges at which a boundary runs.
        part: int64 (n,), part of each site.
        zone: bool (n,), sites in contact zones; they say nothing of the stocks.
    """
    drift, broken, label = search.replicates.drift, search.edges[cut], part.copy()
    while True:
        adjoining = _adjoining(label, broken)
        best: tuple[float, int, int] | None = None
        for a in range(int(label.max(initial=0)) + 1):
            for b in range(a):
                one, other = np.flatnonzero((label == b) & ~zone), np.flatnonzero((label == a) & ~zone)
                if frozenset((a, b)) in adjoining or not len(one) or not len(other):
                    continue
                fst = float(to_fst(spread(drift[:1], one, other)[0]))
                if fst < search.rules.min_break_fst and (best is None or (fst, b, a) < best):
                    best = (fst, b, a)
        if best is None:
            return label
        label[label == best[2]] = best[1]


def zone_beside_lines(
    search: Search, cut: np.ndarray, part: np.ndarray, zone: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return stocks and contact zones once the sites beside each line have been looked at.

    A site beside a line lies in the contact zone if its frequencies are a mixture of both sides, once what distance
    explains is taken off. It goes with the side that has the larger share, and its neighbours are looked at next.

    Args:
        search: the tree, and what was measured on it.
        cut: bool (n_edges,), edges at which a boundary runs.
        part: int64 (n,), stock of each site.
        zone: bool (n,), sites already known to lie in a contact zone.

    Returns:
        part, int64 (n,); sites in contact zones that were found here, bool (n,).
    """
    part, found, looked = part.copy(), np.zeros(len(part), dtype=bool), set()
    inside = cut | np.isin(search.edges, np.flatnonzero(zone)).any(axis=1)
    rate = np.maximum(np.nan_to_num(search.median_rate(None, inside)), 0.0)
    drift = search.replicates.drift - rate[:, None, None] * search.km
    ordinary = search.ordinary_drift()
    todo = [pair for i, j in search.edges[cut].tolist() for pair in ((i, j), (j, i))]
    while todo:
        site, beyond = todo.pop(0)
        ours, theirs = int(part[site]), int(part[beyond])
        if ours == theirs or zone[site] or (site, theirs) in looked:
            continue
        looked.add((site, theirs))
        own = np.flatnonzero((part == ours) & ~found & ~zone)
        own = nearest(search.km, site, own[own != site], NEAR_SITES)
        other = nearest(search.km, site, np.flatnonzero((part == theirs) & ~found & ~zone), NEAR_SITES)
        if not len(own) or not len(other):
            continue
        share = mixture_shares(drift, np.array([site]), own, other, ordinary)[:, 0]
        negative = f3(drift, np.array([site]), own, other)[:, 0]
        t = float(np.nan_to_num(search.replicates.t_value(negative)))
        if is_contact_share(float(share[0]), float(search.replicates.error(share)), t):
            found[site] = True
            if share[0] > 0.5:
                part[site] = theirs
            todo += [(int(k), beyond) for k in _neighbours(search.edges, site) if part[k] == ours]
    return part, found


def _neighbours(edges: np.ndarray, site: int) -> list[int]:
    return sorted(int(j if i == site else i) for i, j in edges if site in (i, j))


def _adjoining(label: np.ndarray, broken: np.ndarray) -> set[frozenset[int]]:
    return {frozenset((int(label[i]), int(label[j]))) for i, j in broken}


def _joined_side_by_side(search: Search, cut: np.ndarray) -> np.ndarray:
    """Return the part of each site with parts joined that lie side by side and show no line, int64 (n,).

    In two dimensions one stock may touch another along a front that the tree crosses many times, and fall into parts
    that the tree joins through the other stock alone. Where two parts lie side by side, each such place is looked at as
    if it were an edge of the tree; unless one passes for a line, the two are joined, those that differ least first.
    """
    n, edges, gone = len(search.km), search.edges, cut
    inside = {tuple(edge) for edge in search.edges.tolist()}
    beside = [pair for pair in map(tuple, search.beside.tolist()) if pair not in inside]
    while True:
        label = segments(edges, gone, n)
        adjoining = _adjoining(label, search.edges[cut])
        excesses: dict[frozenset[int], list[tuple[float, tuple[int, int]]]] = {}  # of each place between two parts
        apart = set()
        for i, j in beside:
            parts = frozenset((int(label[i]), int(label[j])))
            if len(parts) == 1 or parts in adjoining:
                continue
            sites = np.flatnonzero(label == label[i]), np.flatnonzero(label == label[j])
            evidence = search.test_beside((i, j), sites, cut)
            if evidence.reading in ("boundary", "distance_unknown") or not np.isfinite(evidence.excess):
                apart.add(parts)
            excesses.setdefault(parts, []).append((evidence.excess, (i, j)))
        joined = [(max(places)[0], min(places)[1]) for parts, places in excesses.items() if parts not in apart]
        if not joined:
            return label
        edges, gone = np.vstack([edges, min(joined)[1]]), np.append(gone, False)


def units_table(
    sites: pd.DataFrame,
    roles: pd.DataFrame,
    tested: list[str],
    unit: np.ndarray,
    contact: np.ndarray,
    km: np.ndarray,
    broken: list[tuple[str, str]],
) -> pd.DataFrame:
    """Return table units: every site of the study.

    A site without animals enough of its own takes the unit of the nearest site that has, by water, if it is native
    there and does not lie between the two sites that face each other across a boundary (except close to one of them).

    Args:
        sites: table of sites (locationID, jurisdiction), in site order.
        roles: table site_roles (locationID, kind, in_native_range, defines).
        tested: locationIDs of the sites that have animals enough.
        unit: int (n_tested,), as `sites_in_units` returns it.
        contact: bool (n_tested,), likewise.
        km: float64 (n_sites, n_sites), distances by water of all sites, NaN where not joined.
        broken: (site, site) of each accepted break.
    """
    ids = sites["locationID"].tolist()
    place = {name: i for i, name in enumerate(ids)}
    own = {place[name]: (int(u), bool(c)) for name, u, c in zip(tested, unit, contact, strict=True)}
    native = dict(zip(roles["locationID"], roles["in_native_range"].astype(bool), strict=True))
    faces = [(place[a], place[b]) for a, b in broken]
    found = []
    for i, name in enumerate(ids):
        if i in own:
            found.append((*own[i], "own_animals"))
            continue
        chosen = _nearest_unit(i, own, km, faces) if native.get(name, True) else None
        found.append((*chosen, "nearest_by_water") if chosen else (None, False, "none"))
    met = dict.fromkeys(u for u, _, _ in found if u is not None)
    number = dict(zip(met, unit_names(len(met)), strict=True))
    return pd.DataFrame(
        {
            "locationID": ids,
            "unit": ["" if u is None else number[u] for u, _, _ in found],
            "jurisdiction": sites["jurisdiction"].tolist(),
            "contact_zone": [c for _, c, _ in found],
            "basis": [basis for _, _, basis in found],
        }
    )


def _nearest_unit(
    site: int, own: dict[int, tuple[int, bool]], km: np.ndarray, faces: list[tuple[int, int]]
) -> tuple[int, bool] | None:
    reached = [j for j in own if np.isfinite(km[site, j])]
    if not reached:
        return next(iter(own.values())) if len({u for u, _ in own.values()}) == 1 else None
    chosen = min(reached, key=lambda j: (km[site, j], j))
    for a, b in faces:
        if own[a][0] == own[b][0] or not np.isfinite(km[a, b]):
            continue
        between = max(km[site, a], km[site, b]) < km[a, b]
        if between and min(km[site, a], km[site, b]) > BETWEEN_SHARE * km[a, b]:
            return None
    return own[chosen]
