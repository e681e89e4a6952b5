"""Management units: which sites the accepted breaks leave together, and which sites lie in a contact zone.

Jurisdictions play no part in where a unit ends; they are set beside the units afterwards.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from homewater.tables.unit_names import unit_names
from homewater.units.break_evidence import Search
from homewater.units.break_rules import NEAR_SITES, BreakRules, is_contact_site
from homewater.units.contact import contact_evidence
from homewater.units.replicates import Replicates, mean_between, step_rate, to_fst
from homewater.water.site_tree import nearest, segments, side_by_side

BETWEEN_SHARE = 0.1  # a site between two units counts as the nearer one's within this share of the way between them


def sites_in_units(
    replicates: Replicates, km: np.ndarray, edges: np.ndarray, cut: np.ndarray, rules: BreakRules
) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit of each site that has animals enough, and whether it lies in a contact zone.

    Parts of the tree between breaks are units. Two parts between which no break lies may still be one unit, where
    nothing would tell their animals apart. That is so where they lie side by side and no place between them passes for
    a break. It is also so where they lie on either side of a third part, or on islands, and their F_ST is below the
    least F_ST. A site beside a boundary lies in the contact zone if its frequencies are a mixture of both sides. It
    goes with the side that has the larger share, and its neighbours are looked at next.

    Args:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, no NaN.
        edges: int64 (n - 1, 2), the tree.
        cut: bool (n - 1,), accepted breaks.
        rules: settings.

    Returns:
        unit, int64 (n,), numbered from 0 in site order; contact_zone, bool (n,).
    """
    unit = _merged(Search(replicates, km, edges, rules), cut)
    contact = np.zeros(len(km), dtype=bool)
    if not cut.any():
        return unit, contact
    rate = np.nan_to_num(np.maximum(step_rate(replicates, km, edges[~cut]), 0.0))
    looked: set[tuple[int, int]] = set()
    todo = [pair for i, j in edges[cut].tolist() for pair in ((i, j), (j, i))]
    while todo:
        site, beyond = todo.pop(0)
        ours, theirs = int(unit[site]), int(unit[beyond])
        if ours == theirs or (site, theirs) in looked:
            continue
        looked.add((site, theirs))
        own = np.flatnonzero((unit == ours) & ~contact)
        own = nearest(km, site, own[own != site], NEAR_SITES)
        other = nearest(km, site, np.flatnonzero((unit == theirs) & ~contact), NEAR_SITES)
        if not len(own) or not len(other):
            continue
        found = contact_evidence(replicates, km, rate, np.array([site]), own, other)
        if is_contact_site(found):
            contact[site] = True
            if found.share < 0.5:
                unit[site] = theirs
            todo += [(int(k), beyond) for k in _neighbours(edges, site) if unit[k] == ours]
    return _renumbered(unit), contact


def _neighbours(edges: np.ndarray, site: int) -> list[int]:
    return sorted(int(j if i == site else i) for i, j in edges if site in (i, j))


def _renumbered(label: np.ndarray) -> np.ndarray:
    number: dict[int, int] = {}
    return np.array([number.setdefault(int(k), len(number)) for k in label], dtype=np.int64)


def _merged(search: Search, cut: np.ndarray) -> np.ndarray:
    """Return the unit of each site once parts that no break joins and that hardly differ are one, int64 (n,)."""
    search, cut = _joined_side_by_side(search, cut)
    label, broken = segments(search.edges, cut, len(search.km)), search.edges[cut]
    while True:
        adjoining = _adjoining(label, broken)
        best: tuple[float, int, int] | None = None
        for a in range(int(label.max(initial=0)) + 1):
            for b in range(a):
                if frozenset((a, b)) in adjoining or not (label == a).any() or not (label == b).any():
                    continue
                one, other = np.flatnonzero(label == b), np.flatnonzero(label == a)
                fst = float(to_fst(mean_between(search.replicates.linear[0], one, other)))
                if fst < search.rules.min_break_fst and (best is None or (fst, b, a) < best):
                    best = (fst, b, a)
        if best is None:
            return _renumbered(label)
        label[label == best[2]] = best[1]


def _adjoining(label: np.ndarray, broken: np.ndarray) -> set[frozenset[int]]:
    return {frozenset((int(label[i]), int(label[j]))) for i, j in broken}


def _joined_side_by_side(search: Search, cut: np.ndarray) -> tuple[Search, np.ndarray]:
    """Return the search and its cuts with edges added between parts that lie side by side and show no break.

    In two dimensions one stock may touch another along a front that the tree crosses many times, and fall into parts
    that the tree joins through the other stock alone. Where two parts lie side by side, each such place is looked at as
    if it were an edge of the tree; unless one passes for a break, the two are joined, those that differ least first.
    """
    n = len(search.km)
    inside = {tuple(edge) for edge in search.edges.tolist()}
    beside = [pair for pair in side_by_side(search.km).tolist() if tuple(pair) not in inside]
    while True:
        label = segments(search.edges, cut, n)
        adjoining = _adjoining(label, search.edges[cut])
        excesses: dict[frozenset[int], list[tuple[float, list[int]]]] = {}  # of each place between two parts
        apart = set()
        for pair in beside:
            parts = frozenset(label[pair].tolist())
            if len(parts) == 1 or parts in adjoining:
                continue
            wider = replace(search, edges=np.vstack([search.edges, pair]))
            members = np.flatnonzero(np.isin(label, list(parts)))
            evidence = wider.test(len(search.edges), members, np.append(cut, False), 1)
            if evidence.reading in ("boundary", "distance_unknown") or not np.isfinite(evidence.excess):
                apart.add(parts)
            excesses.setdefault(parts, []).append((evidence.excess, pair))
        joined = [(max(places)[0], min(places)[1]) for parts, places in excesses.items() if parts not in apart]
        if not joined:
            return search, cut
        search, cut = replace(search, edges=np.vstack([search.edges, min(joined)[1]])), np.append(cut, False)


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
