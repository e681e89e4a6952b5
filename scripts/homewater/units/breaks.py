"""Where the lines between stocks run: sharp ones, contacts over many sites, and sites that stand apart.

The sites are a tree by water. A part of it is searched in three ways, in this order. Is a stretch of it a mixture of
what lies on either side (`broad_contact`)? Then two stocks meet there, and the sites between belong to neither alone.
Does more change across one of its edges than distance explains (`break_evidence`)? Then a line runs there. Whatever is
found parts the tree, and each side is searched again by itself: drift that a whole side has in common is no drift of
its sites. Where nothing more is found, sites with drift of their own beyond that of the others stand apart
(`site_drift`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from homewater.units.break_evidence import Place, Search
from homewater.units.break_rules import NEAR_SITES, BreakRules, Cut, grade_of
from homewater.units.broad_contact import Contact, find_contact, is_between
from homewater.units.mixtures import mixture_shares, spread
from homewater.units.partition import joined_alike, joined_parts, zone_beside_lines
from homewater.units.replicates import Replicates, to_fst
from homewater.units.site_drift import (
    Measured,
    SiteDrift,
    groups_apart,
    own_drift_of_part,
    site_drift_table,
    sites_apart,
)
from homewater.units.tested_sites import TestedSites
from homewater.water.site_tree import nearest, segments, sides


@dataclass(frozen=True)
class Lines:
    """What was found along a coast.

    Attributes:
        search: the tree, and what was measured on it.
        cuts: evidence at each edge: boundaries first, in the order in which they were found, then the other edges in
            the order of the tree, each with the numbers of the last level at which it was tested.
        drifts: own drift of each site, in site order.
        part: int64 (n_sites,), stock of each site, numbered from 0 in site order.
        contact: bool (n_sites,), sites where two stocks meet.
    """

    search: Search
    cuts: list[Cut]
    drifts: list[SiteDrift]
    part: np.ndarray
    contact: np.ndarray

    @property
    def boundaries(self) -> np.ndarray:
        """Edges at which a boundary runs, bool (n_edges,)."""
        found = np.zeros(len(self.search.edges), dtype=bool)
        found[[c.edge for c in self.cuts if c.reading == "boundary"]] = True
        return found


@dataclass(frozen=True)
class LineTables:
    """What was found along a coast, as tables.

    Attributes:
        breaks: table breaks, one row an edge.
        site_drift: table site_drift, one row a site.
    """

    breaks: pd.DataFrame
    site_drift: pd.DataFrame


@dataclass
class _Found:
    """What a search has found so far.

    Attributes:
        search: what it works on.
        accepted: boundaries, in the order in which they were found.
        last: {edge: evidence of the last level at which it was tested}.
        gone: bool (n_edges,), boundaries, and edges inside contacts.
        zone: bool (n_sites,), sites in contacts.
    """

    search: Search
    accepted: list[Cut]
    last: dict[int, Cut]
    gone: np.ndarray
    zone: np.ndarray

    def accept(self, cut: Cut) -> None:
        """Take an edge for a boundary."""
        self.accepted.append(cut)
        self.gone[cut.edge] = True

    def mix(self, sites: np.ndarray, members: np.ndarray) -> None:
        """Take sites of a part for mixtures, and the edges beside them for the inside of a contact."""
        self.zone[sites] = True
        for e in self.search.inside(members).tolist():
            if np.isin(self.search.edges[e], sites).any():
                self.gone[e] = True
                self.last[e] = replace(self.last[e], reading="contact_zone", grade="weak")


def find_lines(replicates: Replicates, km: np.ndarray, rules: BreakRules) -> Lines:
    """Return the lines between stocks, the contacts and the sites that stand apart.

    Args:
        replicates: pairwise figures of the sites that have animals enough.
        km: float64 (n, n), distances by water, no NaN.
        rules: settings.
    """
    search, n = Search(replicates, km, rules), len(km)
    found = _Found(search, [], {}, np.zeros(len(search.edges), dtype=bool), np.zeros(n, dtype=bool))
    measured: dict[int, Measured] = {}
    parts = [(np.arange(n), 1)] if n else []
    while parts:
        members, level = parts.pop(0)
        fit = search.measure(members)
        for e in search.inside(members).tolist():
            found.last[e] = _kept(found.last.get(e), search.test(e, members, found.gone, level))
        for parted in (_contact, _line, _line_over_one_site):
            rest = parted(found, members, level)
            if rest is not None:
                parts += rest
                break
        else:
            measured |= own_drift_of_part(search, fit, found.gone)
    return _stocks(found, measured)


def _stocks(found: _Found, measured: dict[int, Measured]) -> Lines:
    """Return the lines with the stocks that they leave, and the sites that stand apart from these."""
    search, taken = found.search, {cut.edge for cut in found.accepted}
    broken = np.isin(np.arange(len(search.edges)), sorted(taken))
    part = joined_parts(search, broken, found.zone)
    part, beside = zone_beside_lines(search, broken, part, found.zone)
    zone = found.zone | beside
    cuts = found.accepted + [found.last[e] for e in sorted(found.last) if e not in taken]
    cuts = [_sized(search, cut, part, zone, broken) for cut in cuts]
    drifts = sites_apart(search, measured)
    apart = []
    for group in groups_apart(search, drifts):
        rest = np.setdiff1d(np.flatnonzero((part == part[group[0]]) & ~zone), group)
        if rest.size and not zone[group].any():  # else it is all that there is of its stock already
            part[group] = part.max() + 1
            apart.append(group)
    part = joined_alike(search, broken, part, zone)
    for group in apart:
        # what differs from its neighbours, and hardly from a stock elsewhere, did not drift: it is of that stock
        if (part[np.setdiff1d(np.flatnonzero(~zone), group)] == part[group[0]]).any():
            for site in group:
                drifts[site] = replace(drifts[site], reading="of_another_stock")
    return Lines(search, cuts, drifts, _renumbered(part), zone)


def _contact(found: _Found, members: np.ndarray, level: int) -> list[tuple[np.ndarray, int]] | None:
    """Return what a contact leaves of a part on either side, with its level; None where there is none."""
    search = found.search
    contact = find_contact(search, members, found.gone)
    if contact is None:
        return None
    line = replace(found.last[contact.edge], **_of_contact(search, contact, level))
    mixed = contact.way[contact.zone]
    found.mix(mixed, members)
    found.accept(replace(line, grade=grade_of(line, search.rules)))
    rest = []
    for side in sides(search.edges, members, contact.edge):
        left = np.setdiff1d(side, mixed)
        outside = ~np.isin(np.arange(len(search.edges)), search.inside(left))
        label = segments(search.edges, outside, len(search.km))[left]
        rest += [(left[label == k], level + 1) for k in np.unique(label)]
    return rest


def _line(found: _Found, members: np.ndarray, level: int) -> list[tuple[np.ndarray, int]] | None:
    """Return what the largest line leaves of a part on either side, with its level; None where there is none."""
    search = found.search
    best = _largest_passing(search, [found.last[e] for e in search.inside(members).tolist()], members)
    if best is None:
        return None
    alone = _mixed_alone(search, best.edge, members, [c.edge for c in found.accepted])
    if alone is not None:
        found.mix(np.array([alone]), members)
        return [(np.setdiff1d(members, [alone]), level)]
    found.accept(best)
    return [(side, level + 1) for side in sides(search.edges, members, best.edge)]


def _kept(before: Cut | None, now: Cut) -> Cut:
    """Return the evidence that counts: once an edge has a single site on one side, that of before."""
    return before if before is not None and now.reading == "end_of_coast" else now


def _line_over_one_site(found: _Found, members: np.ndarray, level: int) -> list[tuple[np.ndarray, int]] | None:
    """Return what a line that one mixed site halves leaves of a part on either side; None where there is none.

    Where two stocks meet at one site, the line is two steps, and neither need be large enough alone. So both are judged
    together, the site being left out, by the rules of a single edge; and the site has to be a mixture of its sides, two
    sites or more each.
    """
    search, gone = found.search, found.gone
    drift, passing = search.replicates.drift, []
    inside = search.inside(members)
    for site in members.tolist():
        pair = [int(e) for e in inside if site in search.edges[e]]
        if len(pair) != 2:
            continue
        flanks = tuple(next(s for s in sides(search.edges, members, e) if site not in s) for e in pair)
        if min(map(len, flanks)) < 2:
            continue
        one, other = (nearest(search.km, site, flank, NEAR_SITES) for flank in flanks)
        both = gone.copy()
        both[pair] = True
        length = float(search.lengths[pair].sum())
        rates = [search.rates_of_distance(e, members, both)[0] for e in pair]
        rate = np.where(np.isfinite(rates[0]) & np.isfinite(rates[1]), np.maximum(*rates), rates[0])
        median = np.maximum(np.nan_to_num(search.median_rate(None, both)), 0.0)
        # what distance explains is that of the sources' places, as the change is between them
        apart = float(spread(search.km[None], one, other)[0])
        place = Place(pair[0], level, apart, search.step_spread(None, both, length), False)
        cut = search.read(place, spread(drift, one, other), rate, median)
        if cut.reading == "boundary" and is_between(search, site, *flanks):
            nearer = pair[0] if float(mixture_shares(drift, np.array([site]), one, other)[0, 0]) > 0.5 else pair[1]
            passing.append((-cut.excess, site, replace(cut, edge=nearer, n_contact_sites=1), flanks))
    if not passing:
        return None
    _, site, cut, flanks = min(passing, key=lambda p: p[:2])
    found.mix(np.array([site]), members)
    found.accept(cut)
    return [(flank, level + 1) for flank in flanks]


def _mixed_alone(search: Search, edge: int, members: np.ndarray, accepted: list[int]) -> int | None:
    """Return the single site that an edge would part from the rest if it is a mixture of its two flanks, else None."""
    for side in sides(search.edges, members, edge):
        if len(side) != 1:
            continue
        site, rest = int(side[0]), np.setdiff1d(members, side)
        for other in accepted:
            i, j = search.edges[other].tolist()
            if site in (i, j):
                beyond = sides(search.edges, np.arange(len(search.km)), other)[0 if site == j else 1]
                if is_between(search, site, rest, beyond):
                    return site
    return None


def _of_contact(search: Search, contact: Contact, level: int) -> dict:
    """Return the attributes of the cut that stands for a contact."""
    low, high = search.replicates.interval(contact.difference)
    p = search.replicates.p_greater(contact.difference)
    return {
        "level": level,
        "excess": float(contact.difference[0]),
        "ci_low": float(low),
        "ci_high": float(high),
        "p_value": p,
        "p_nearby": p,
        "p_adjusted": min(1.0, p * len(search.edges) * level),
        "n_contact_sites": int(contact.zone.sum()),
        "reading": "boundary",
    }


def _sized(search: Search, cut: Cut, part: np.ndarray, zone: np.ndarray, broken: np.ndarray) -> Cut:
    """Return a sharp line with its size read again between the stocks as they were found; other edges as they are.

    While a line is looked for, changes and drifts are bounded at 0. Bounds make a little of the noise, and take it from
    the changes. Once the stocks are known, what the nearest sites of each have in common tells the size without them.

    Args:
        search: the tree, and what was measured on it.
        cut: evidence at an edge.
        part: int (n_sites,), stock of each site.
        zone: bool (n_sites,), sites in contacts.
        broken: bool (n_edges,), edges at which a boundary runs.
    """
    ends = search.edges[cut.edge].tolist()
    flanks = [np.flatnonzero((part == part[end]) & ~zone) for end in ends]
    if cut.reading != "boundary" or cut.n_contact_sites or part[ends[0]] == part[ends[1]] or not all(map(len, flanks)):
        return cut
    one, other = (nearest(search.km, end, flank, NEAR_SITES) for end, flank in zip(ends, flanks, strict=True))
    step = spread(search.replicates.drift, one, other, search.ordinary_drift())
    rate = search.rates_of_distance(cut.edge, np.arange(len(part)), broken)[1]
    excess = to_fst(step - rate * spread(search.km[None], one, other)[0])
    low, high = search.replicates.interval(excess)
    sized = replace(cut, excess=float(excess[0]), ci_low=float(low), ci_high=float(high), step=float(to_fst(step[0])))
    return replace(sized, grade=grade_of(sized, search.rules))


def _largest_passing(search: Search, tested: list[Cut], members: np.ndarray) -> Cut | None:
    """Return the largest cut that passes and is the largest around; None where none is."""
    ranked = sorted((c for c in tested if np.isfinite(c.excess)), key=lambda c: (-c.excess, c.edge))
    for place, cut in enumerate(ranked):
        around = search.near(cut.edge, members)
        larger = (c for c in ranked[:place] if c.reading != "end_of_coast")
        if cut.reading == "boundary" and not any(np.isin(search.edges[c.edge], around).all() for c in larger):
            return cut
    return None


def _renumbered(label: np.ndarray) -> np.ndarray:
    number: dict[int, int] = {}
    return np.array([number.setdefault(int(k), len(number)) for k in label], dtype=np.int64)


def lines_of(sites: TestedSites, rules: BreakRules) -> LineTables:
    """Return tables breaks and site_drift of the tested sites.

    Args:
        sites: the sites that have animals enough.
        rules: settings.
    """
    lines = find_lines(sites.replicates, sites.bridged_km, rules)
    drift = site_drift_table(lines.drifts, lines.search, sites.ids, lines.part, lines.contact)
    return LineTables(breaks_table(lines, sites.ids, sites.km), drift)


def breaks_table(lines: Lines, location_ids: list[str], km: np.ndarray) -> pd.DataFrame:
    """Return table breaks: one row an edge, boundaries first.

    Args:
        lines: as `find_lines` returns them.
        location_ids: sites, in the order of the numbers of the edges.
        km: float64 (n, n), distances by water; NaN where not joined.
    """
    cuts = lines.cuts
    first = [int(lines.search.edges[cut.edge, 0]) for cut in cuts]
    second = [int(lines.search.edges[cut.edge, 1]) for cut in cuts]
    return pd.DataFrame(
        {
            "break": [f"break_{k + 1}" for k in range(len(cuts))],
            "side_a_nearest_site": [location_ids[i] for i in first],
            "side_b_nearest_site": [location_ids[j] for j in second],
            "fst_beyond_distance": [cut.excess for cut in cuts],
            "ci_low": [cut.ci_low for cut in cuts],
            "ci_high": [cut.ci_high for cut in cuts],
            "p_value": [cut.p_value for cut in cuts],
            "grade": [cut.grade for cut in cuts],
            "reading": [cut.reading for cut in cuts],
            "level": [cut.level for cut in cuts],
            "p_adjusted": [cut.p_adjusted for cut in cuts],
            "p_value_nearby": [cut.p_nearby for cut in cuts],
            "step_fst": [cut.step for cut in cuts],
            "expected_step_fst": [cut.expected_step for cut in cuts],
            "median_step_fst": [cut.median_step for cut in cuts],
            "step_spread_fst": [cut.spread for cut in cuts],
            "n_contact_sites": [cut.n_contact_sites for cut in cuts],
            "sea_km": [float(km[i, j]) for i, j in zip(first, second, strict=True)],
        }
    )
