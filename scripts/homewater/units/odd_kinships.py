"""Odd kinships: sites that differ from their neighbours by water more than from a site far away.

Near sites are usually more alike than far ones. A site that is closer kin to a far site than to both of its nearest
neighbours has another past than the water explains. It was founded from there, by nature or by people, or the sample is
not what it seems. Genotypes of today cannot tell which.

Each site is compared with its two nearest neighbours, and both must differ more: an ordinary site beside an odd one
still has one ordinary neighbour. A site's own drift is in all its comparisons and cancels in their difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from homewater.tables.schema_tables import empty_table
from homewater.units.replicates import Replicates, to_fst
from homewater.units.tested_sites import PlacedSites
from homewater.water.site_tree import nearest

NEIGHBOURS = 2
FAR_MULTIPLE = 3.0  # a far site lies at least this many times as far as the farther neighbour, and beyond the median
LEVEL = 0.05  # chance of any false one in a study, after Bonferroni over all comparisons
POWER = 0.8  # chance at which the smallest detectable excess is stated


@dataclass(frozen=True)
class Comparison:
    """One site, a neighbour and a far site.

    Attributes:
        site: site number.
        near: the neighbour that differs from it less.
        far: the far site.
        excess: float64 (n_blocks + 1,), F / (1 - F) to the neighbour less that to the far site.
        p_value: one-sided p of no excess, Student's t over chromosomes; the larger of those of both neighbours.
    """

    site: int
    near: int
    far: int
    excess: np.ndarray
    p_value: float


def comparisons(replicates: Replicates, km: np.ndarray, segment: np.ndarray) -> list[Comparison]:
    """Return every comparison of a site's neighbours with a far site.

    A neighbour of another stock differs because of that: it is no evidence where the far site lies
    on the site's own side.

    Args:
        replicates: pairwise figures of the sites that have animals enough.
        km: float64 (n, n), distances by water; NaN where not joined, and such pairs are not compared.
        segment: int (n,), stock in which each site lies.
    """
    joined = km[np.triu_indices(len(km), 1)]
    joined = joined[np.isfinite(joined)]
    if len(km) < NEIGHBOURS + 2 or not joined.size or replicates.degrees < 1:
        return []
    middle, found = float(np.median(joined)), []
    for i in range(len(km)):
        others = np.flatnonzero(np.isfinite(km[i]) & (np.arange(len(km)) != i))
        if others.size <= NEIGHBOURS:
            continue
        neighbours = nearest(km, i, others, NEIGHBOURS)
        least = max(FAR_MULTIPLE * km[i, neighbours].max(), middle)
        for k in others[(km[i, others] >= least) & (km[i, others] > middle)].tolist():
            across = segment[neighbours] != segment[i]
            if across.any() and segment[k] == segment[i]:
                continue
            excess = [replicates.linear[:, i, j] - replicates.linear[:, i, k] for j in neighbours]
            tests = [replicates.p_greater(e) for e in excess]
            if not np.isfinite(tests).all():
                continue
            least_excess = int(np.argmin([e[0] for e in excess]))
            found.append(Comparison(i, int(neighbours[least_excess]), k, excess[least_excess], max(tests)))
    return found


def odd_kinships_of(sites: PlacedSites) -> pd.DataFrame:
    """Return table odd_kinships of some sites, without rows where none could be compared.

    Args:
        sites: the sites with their units: neighbours of another unit are expected to differ.
    """
    segment = pd.factorize(np.array(sites.unit, dtype=object))[0]
    found = odd_kinships_table(sites.replicates, sites.km, segment, sites.ids)
    return found if len(found) else empty_table("odd_kinships")


def odd_kinships_table(replicates: Replicates, km: np.ndarray, segment: np.ndarray, ids: list[str]) -> pd.DataFrame:
    """Return table odd_kinships: one row a site that could be compared, with the far site that is its closest kin.

    Args:
        replicates: as in `comparisons`.
        km: as in `comparisons`.
        segment: as in `comparisons`.
        ids: locationIDs.
    """
    made = comparisons(replicates, km, segment)
    rows = []
    for i in range(len(ids)):
        own = [c for c in made if c.site == i]
        if not own:
            continue
        best = min(own, key=lambda c: (c.p_value, c.far))
        low, high = replicates.interval(best.excess)
        error, degrees = float(replicates.error(best.excess)), replicates.degrees
        # by t at the corrected level and at the power asked for
        reach = -special.stdtrit(degrees, LEVEL / len(made)) + special.stdtrit(degrees, POWER)
        adjusted = min(1.0, best.p_value * len(made))
        rows.append(
            {
                "locationID": ids[i],
                "near_site": ids[best.near],
                "near_km": float(km[i, best.near]),
                "far_site": ids[best.far],
                "far_km": float(km[i, best.far]),
                "fst_near": float(to_fst(replicates.linear[0, i, best.near])),
                "fst_far": float(to_fst(replicates.linear[0, i, best.far])),
                "excess": float(best.excess[0]),
                "ci_low": float(low),
                "ci_high": float(high),
                "p_value": best.p_value,
                "p_adjusted": adjusted,
                "odd": adjusted < LEVEL,
                "n_comparisons": len(made),
                "detectable_excess": float(reach * error),
            }
        )
    return pd.DataFrame(rows)
