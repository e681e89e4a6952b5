"""How far a place between two others is a mixture of them, once what distance explains is taken off.

Where two units meet, a site may hold the ancestry of both. Such a place is called a place of contact, and is no unit of
its own. This module measures; what counts as a place of contact is decided in `break_rules`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.units.replicates import Replicates, mean_between


@dataclass(frozen=True)
class ContactEvidence:
    """What speaks for and against a place being where two others meet.

    Attributes:
        share: share of `one` (0 to 1, not clipped).
        share_error: its standard error.
        own_drift: differentiation that no mixture of the two explains, F / (1 - F).
        own_drift_low: lower bound of its one-sided 95 % interval.
        spread: differentiation between the two, beyond distance, F / (1 - F).
        spread_low: lower bound of its one-sided 95 % interval.
        f3_t: t value of f3; below -3 only a mixture of the two (or of their kin) explains it.
    """

    share: float
    share_error: float
    own_drift: float
    own_drift_low: float
    spread: float
    spread_low: float
    f3_t: float


def contact_evidence(
    replicates: Replicates, km: np.ndarray, rate: np.ndarray, place: np.ndarray, one: np.ndarray, other: np.ndarray
) -> ContactEvidence:
    """Return how far a place is a mixture of two others, what distance explains being taken off first.

    With E the differentiation beyond distance, a mixture with share m of `one` has E(place, one) = (1 - m)^2 E(one,
    other) + d and E(place, other) = m^2 E(one, other) + d, where d is the place's own drift; hence m and d.

    Args:
        replicates: pairwise figures.
        km: float64 (n, n), distances by water.
        rate: float64 (n_blocks + 1,), F / (1 - F) a km explained by distance, by replicate.
        place: int, site numbers of the place.
        one: int, site numbers of the first flank.
        other: int, site numbers of the second flank.

    Source: Patterson et al. (2012) Genetics 192:1065-1093, f3 and its unbiased form (here from Weir & Cockerham's
        components, which take the sampling noise out); the equations for m and d follow from its equation 1.
    """

    def beyond(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return mean_between(replicates.linear, a, b) - rate * mean_between(km, a, b)

    to_one, to_other, spread = beyond(place, one), beyond(place, other), beyond(one, other)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (to_other + spread - to_one) / (2 * spread)
        f3 = [mean_between(replicates.between, *pair) for pair in ((place, one), (place, other), (one, other))]
        third = f3[0] + f3[1] - f3[2]
        f3_t = third[0] / replicates.error(third)
        drift = to_one - (1 - share) ** 2 * spread
    return ContactEvidence(
        share=float(share[0]),
        share_error=float(replicates.error(share)),
        own_drift=float(drift[0]),
        own_drift_low=float(replicates.interval(drift, confidence=0.9)[0]),
        spread=float(spread[0]),
        spread_low=float(replicates.interval(spread, confidence=0.9)[0]),
        f3_t=float(np.nan_to_num(f3_t)),
    )
