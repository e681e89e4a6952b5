"""Sites that stand apart: those with more drift of their own than the others have.

A small or cut-off population drifts by itself, and so differs from every other site alike, from its neighbours as much
as from far ones. That is no line: beyond such a site the coast goes on as before it. It may lie anywhere, at an end of
the coast too. There, its drift and a change across its one edge cannot be told apart; what distance explains is taken
off, and the rest is called its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD
from homewater.units.additive_coast import CoastFit
from homewater.units.break_evidence import Search
from homewater.units.break_rules import stands_apart
from homewater.units.replicates import to_fst

SHARED_DRIFT = 0.5  # neighbours that stand apart are one if they differ by less than this share of their drifts' sum


@dataclass(frozen=True)
class Measured:
    """What was measured of one site.

    Attributes:
        own: float64 (n_blocks + 1,), own drift, F / (1 - F); NaN where not measurable.
        at_end: whether it lies at an end of the coast, and a change across its one edge may be part of it.
        step: what distance explains of an edge of median length there, F / (1 - F).
    """

    own: np.ndarray
    at_end: bool
    step: float


@dataclass(frozen=True)
class SiteDrift:
    """Own drift of one site.

    Attributes:
        site: site number.
        own: float64 (n_blocks + 1,), F_ST that its own drift adds to each of its pairs; NaN where not measurable.
        excess: float64 (n_blocks + 1,), the same beyond the median of the other sites.
        p_adjusted: one-sided p of no excess, after Bonferroni over the sites.
        at_end: as in `Measured`.
        reading: `ordinary`, `stands_apart`, `of_another_stock` or `not_measured`.
    """

    site: int
    own: np.ndarray
    excess: np.ndarray
    p_adjusted: float
    at_end: bool
    reading: str

    @property
    def apart(self) -> bool:
        """Whether it stands apart."""
        return self.reading == "stands_apart"


def own_drift_of_part(search: Search, fit: CoastFit, cut: np.ndarray) -> dict[int, Measured]:
    """Return what was measured of each site of a part.

    At an end, the drift is the change across the one edge less what distance explains of it, or the drift that was
    measured in a larger part, when the site was no end, if that is less.

    Args:
        search: what the search has measured, larger parts before smaller ones.
        fit: the additive coast of the part.
        cut: bool (n_edges,), edges taken for lines or contact zones.
    """
    found, usual_step = {}, float(np.median(search.lengths)) if len(search.lengths) else 0.0
    usual_step *= float(np.maximum(np.nan_to_num(search.median_rate(None, cut)[0]), 0.0))
    for k, site in enumerate(fit.sites.tolist()):
        if not fit.is_end[k]:
            found[site] = Measured(fit.own[:, k], False, usual_step)
            continue
        before = search.own[:, site]
        edge = next((e for e in search.inside(fit.sites).tolist() if site in search.edges[e]), None)
        if edge is None or not len(fit.steps):
            found[site] = Measured(before, False, usual_step)
            continue
        rate = search.rates_of_distance(edge, fit.sites, cut)[0]
        together = fit.change_across(*search.edges[edge].tolist())
        if len(fit.sites) == 2:
            together = together / 2  # of two sites alone, each is given half
        here = np.maximum(together - np.nan_to_num(rate) * search.lengths[edge], 0.0)
        if np.isnan(rate[0]):
            here = np.full(len(here), np.nan)
        least = before if np.isnan(here[0]) or before[0] <= here[0] else here
        step = float(np.nan_to_num(rate[0]) * np.median(search.lengths))
        found[site] = Measured(least, True, max(step, usual_step))
    return found


def sites_apart(search: Search, measured: dict[int, Measured]) -> list[SiteDrift]:
    """Return the own drift of each site with its reading, in site order.

    Args:
        search: what the search has measured.
        measured: as `own_drift_of_part` gives it, of all parts together; sites in contacts are not among them.
    """
    known = {site: one.own for site, one in measured.items() if np.isfinite(one.own[0])}
    nothing, found = np.full(len(search.own), np.nan), []
    for site in range(len(search.km)):
        others = [values for other, values in known.items() if other != site]
        if site not in known or not others:
            one = measured.get(site, Measured(nothing, False, 0.0))
            reading = "ordinary" if site in known else "not_measured"
            found.append(SiteDrift(site, to_fst(one.own), nothing, float("nan"), one.at_end, reading))
            continue
        own, at_end, step = measured[site].own, measured[site].at_end, measured[site].step
        ordinary = np.median(others, axis=0)
        excess = to_fst(own) - to_fst(ordinary)
        p = search.replicates.p_greater(excess)
        adjusted = min(1.0, p * len(known)) if np.isfinite(p) else float("nan")
        # what sites drift and what changes from one to the next by habit is no reason to stand apart
        usual = max(float(to_fst(ordinary[0])), float(to_fst(step)))
        spread = MEDIAN_DEVIATION_TO_SD * float(np.median([abs(to_fst(o[0]) - to_fst(ordinary[0])) for o in others]))
        apart = stands_apart(float(excess[0]), adjusted, usual, spread, search.rules)
        reading = "stands_apart" if apart else "ordinary"
        found.append(SiteDrift(site, to_fst(own), excess, adjusted, at_end, reading))
    return found


def groups_apart(search: Search, drifts: list[SiteDrift]) -> list[list[int]]:
    """Return the sites that stand apart, neighbours that drifted together in one group.

    Args:
        search: what the search has measured.
        drifts: as `sites_apart` returns them.
    """
    own = {d.site: d.own[0] / (1 - d.own[0]) for d in drifts if d.apart}
    groups: list[list[int]] = []
    for site in sorted(own):
        kin = [
            group
            for group in groups
            if any(
                (min(site, other), max(site, other)) in search.number
                and search.replicates.drift[0, site, other] < SHARED_DRIFT * (own[site] + own[other])
                for other in group
            )
        ]
        groups = [g for g in groups if g not in kin] + [sorted([site, *(s for g in kin for s in g)])]
    return sorted(groups)


def site_drift_table(
    drifts: list[SiteDrift], search: Search, ids: list[str], part: np.ndarray, contact: np.ndarray
) -> pd.DataFrame:
    """Return table site_drift: one row a tested site.

    Args:
        drifts: as `sites_apart` returns them.
        search: what the search has measured.
        ids: locationIDs, in the order of the site numbers.
        part: int (n_sites,), part of the coast of each site.
        contact: bool (n_sites,), whether it lies where two stocks meet.
    """
    bounds = [search.replicates.interval(d.own) for d in drifts]
    return pd.DataFrame(
        {
            "locationID": [ids[d.site] for d in drifts],
            "own_drift": [float(d.own[0]) for d in drifts],
            "ci_low": [float(low) for low, _ in bounds],
            "ci_high": [float(high) for _, high in bounds],
            "reading": [d.reading for d in drifts],
            "beyond_others": [float(d.excess[0]) for d in drifts],
            "p_adjusted": [d.p_adjusted for d in drifts],
            "at_end": [d.at_end for d in drifts],
            "part": [f"part_{part[d.site] + 1}" for d in drifts],
            "contact_zone": [bool(contact[d.site]) for d in drifts],
        }
    )
