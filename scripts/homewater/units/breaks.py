"""Gradient or break: places where neighbouring sites differ by more than distance explains there.

Each edge of the shortest tree by water is a candidate, and `break_evidence` says what speaks for a break there. A break
also raises the excess of the edges beside it. So the break is placed where the excess is the largest around; the excess
of the two facing sites counts once more for this. Where an edge passes, the sites are split there, and each side is
searched again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from homewater.units.break_evidence import Search
from homewater.units.break_rules import NEAR_SITES, BreakRules, Cut, is_contact_place
from homewater.units.contact import contact_evidence
from homewater.units.replicates import Replicates
from homewater.units.tested_sites import TestedSites
from homewater.water.site_tree import nearest, segments, sides, spanning_tree


def find_breaks(replicates: Replicates, km: np.ndarray, rules: BreakRules) -> tuple[np.ndarray, list[Cut]]:
    """Return the tree and the evidence at each of its edges, the breaks first.

    Args:
        replicates: pairwise figures of the sites that have animals enough.
        km: float64 (n, n), distances by water, no NaN.
        rules: settings.

    Returns:
        edges, int64 (n - 1, 2); one `Cut` an edge: breaks (reading `boundary`) in the order in which they were found,
        each with the numbers of the level at which it was accepted, then the other edges in the order of the tree, with
        the numbers of the last level at which they were tested.
    """
    edges = spanning_tree(km)
    search = Search(replicates, km, edges, rules)
    accepted: list[Cut] = []
    last: dict[int, Cut] = {}
    gone = np.zeros(len(edges), dtype=bool)  # breaks, and edges inside or beside contact zones
    parts = [(np.arange(len(km)), 1)] if len(km) else []
    while parts:
        members, level = parts.pop(0)
        inside = np.flatnonzero(np.isin(edges, members).all(axis=1) & ~gone)
        tested = [search.test(int(e), members, gone, level) for e in inside]
        last |= {cut.edge: cut for cut in tested}
        for best in _passing(search, tested, members)[:1]:
            one, other = sides(edges, members, best.edge)
            broken = np.array([edges[c.edge] for c in tested if c.reading == "boundary" and c is not best]).reshape(
                -1, 2
            )
            # a part that holds a break itself is no place of contact, though its mean may look like one
            whole = [s for s in (one, other) if not np.isin(broken, s).all(axis=1).any()]
            aside = next((s for s in whole if _lies_between(search, s, members, accepted, best, gone)), None)
            if aside is None:
                accepted.append(best)
                gone[best.edge] = True
                parts += [(one, level + 1), (other, level + 1)]
            else:
                for edge in (best.edge, *np.flatnonzero(np.isin(edges, aside).all(axis=1))):
                    last[int(edge)] = replace(last[int(edge)], reading="contact_zone", grade="weak")
                    gone[edge] = True
                parts.append((np.setdiff1d(members, aside), level))
    taken = {cut.edge for cut in accepted}
    return edges, accepted + [last[e] for e in sorted(last) if e not in taken]


def _passing(search: Search, tested: list[Cut], members: np.ndarray) -> list[Cut]:
    """Return the cuts that pass and are the largest around, the largest first."""

    def size(cut: Cut) -> float:
        return cut.excess + np.nan_to_num(cut.facing)

    ranked = sorted((c for c in tested if np.isfinite(c.excess)), key=lambda c: (-size(c), c.edge))
    found = []
    for place, cut in enumerate(ranked):
        around = np.concatenate(search.near(cut.edge, members))
        larger = [c.edge for c in ranked[:place] if np.isin(search.edges[c.edge], around).all()]
        if cut.reading == "boundary" and not larger:
            found.append(cut)
    return found


def _lies_between(
    search: Search, part: np.ndarray, members: np.ndarray, accepted: list[Cut], proposed: Cut, gone: np.ndarray
) -> bool:
    """Whether a part that a proposed break would separate is a mixture of its two flanks."""
    edges, rest = search.edges, np.setdiff1d(members, part)
    end = next(int(i) for i in edges[proposed.edge] if i in part)
    breaks = np.zeros(len(edges), dtype=bool)
    breaks[[cut.edge for cut in accepted]] = True
    label = segments(edges, breaks, len(search.km))
    for cut in accepted:
        i, j = edges[cut.edge].tolist()
        for here, there in ((i, j), (j, i)):
            if here in part:
                beyond = nearest(search.km, there, np.flatnonzero(label == label[there]), NEAR_SITES)
                flank = nearest(search.km, end, rest, NEAR_SITES)
                rate = search.rate_of_distance(proposed.edge, members, gone)
                found = contact_evidence(search.replicates, search.km, rate, part, beyond, flank)
                if is_contact_place(found, search.rules):
                    return True
    return False


def accepted(table: pd.DataFrame, location_ids: list[str], edges: np.ndarray) -> np.ndarray:
    """Return which edges table breaks holds for boundaries, bool (n_edges,).

    Args:
        table: table breaks.
        location_ids: sites, in the order of the numbers in `edges`.
        edges: int64 (n - 1, 2), the tree on which the table was made.
    """
    rows = table[table["reading"] == "boundary"]
    broken = set(zip(rows["side_a_nearest_site"], rows["side_b_nearest_site"], strict=True))
    return np.array([(location_ids[i], location_ids[j]) in broken for i, j in edges], dtype=bool)


def breaks_of(sites: TestedSites, rules: BreakRules) -> pd.DataFrame:
    """Return table breaks of the tested sites.

    Args:
        sites: the sites that have animals enough.
        rules: settings.
    """
    edges, cuts = find_breaks(sites.replicates, sites.bridged_km, rules)
    return breaks_table(edges, cuts, sites.ids, sites.km)


def breaks_table(edges: np.ndarray, cuts: list[Cut], location_ids: list[str], km: np.ndarray) -> pd.DataFrame:
    """Return table breaks: one row an edge, breaks first.

    Args:
        edges: int64 (n - 1, 2), as `find_breaks` returns it.
        cuts: likewise.
        location_ids: sites, in the order of the numbers in `edges`.
        km: float64 (n, n), distances by water; NaN where not joined.
    """
    first = [int(edges[cut.edge, 0]) for cut in cuts]
    second = [int(edges[cut.edge, 1]) for cut in cuts]
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
            "sea_km": [float(km[i, j]) for i, j in zip(first, second, strict=True)],
        }
    )
