"""What a border adds beyond distance and beyond units: pairs of sites of one unit, on either side of it and not.

A border that runs along the line between two units divides the variance as the units do. On a gradient, any border
divides some of it. So only pairs of sites of the same unit tell what the border itself adds: how much more they differ
when it runs between them, once what their distance by water explains is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.units.replicates import Replicates

MIN_PAIRS = 3  # a line with an intercept leaves nothing of fewer


@dataclass(frozen=True)
class PairResiduals:
    """What distance leaves unexplained of pairs of sites of one unit.

    Attributes:
        first: int (n_pairs,), site numbers.
        second: int (n_pairs,).
        values: float64 (n_blocks + 1, n_pairs), F / (1 - F) less what distance explains, by replicate.
    """

    first: np.ndarray
    second: np.ndarray
    values: np.ndarray


def pair_residuals(replicates: Replicates, km: np.ndarray, unit: list[str]) -> PairResiduals:
    """Return the residuals of all pairs of sites of one unit from one line through them.

    The line is fitted by least squares with an intercept, in each replicate anew. With fewer than MIN_PAIRS pairs, or
    all of them equally far apart, there is no slope, and the mean is subtracted.

    Args:
        replicates: pairwise figures of the sites.
        km: float64 (n, n), distances by water, NaN where not joined; such pairs are left out.
        unit: unit of each site.

    Source: Rousset (1997) Genetics 145:1219-1228 for the line of F / (1 - F) on distance in one dimension.
    """
    first, second = np.triu_indices(len(unit), 1)
    linear, distance = replicates.linear[:, first, second], km[first, second]
    label = np.array(unit, dtype=str)
    known = (label[first] == label[second]) & np.isfinite(distance) & np.isfinite(linear).all(axis=0)
    first, second, linear, distance = first[known], second[known], linear[:, known], distance[known]
    if not len(distance):
        return PairResiduals(first, second, linear)
    rest = linear - linear.mean(axis=1, keepdims=True)
    if len(distance) >= MIN_PAIRS and np.ptp(distance) > 0:
        centred = distance - distance.mean()
        slope = rest @ centred / (centred @ centred)
        rest = rest - slope[:, None] * centred
    return PairResiduals(first, second, rest)


def excess_across(residuals: PairResiduals, group: np.ndarray) -> np.ndarray | None:
    """Return the mean residual of pairs across a border less that of pairs on one side of it.

    Args:
        residuals: as `pair_residuals` returns them.
        group: int (n_sites,), side of the border on which each site lies.

    Returns:
        float64 (n_blocks + 1,), F / (1 - F); None where no pair lies across or none on one side.
    """
    across = group[residuals.first] != group[residuals.second]
    if not across.any() or across.all():
        return None
    return residuals.values[:, across].mean(axis=1) - residuals.values[:, ~across].mean(axis=1)
