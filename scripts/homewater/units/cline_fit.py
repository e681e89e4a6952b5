"""A sigmoid cline of ancestry along a coast: centre and width by maximum likelihood, with profile-likelihood intervals.

A figure's interval holds every value for which some curve has a log likelihood within half of the chi-square quantile
of the best: for the centre over all widths, for the width over all centres, for the share expected at a place over all
curves that pass through it there. Where the sites scatter about the best curve beyond chance (their units are no pure
stocks, or change in more than one way), the scatter sets the scale in place of the counts, and intervals are wider.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.statistics.intervals import LIKELIHOOD_DROP, t_quantile

SCATTER_LEVEL = 0.05  # level at which the sites' scatter about the best curve counts as more than chance
LEAST_FLOOR = 1e-9
NARROWEST, WIDEST = 1e-3, 50.0  # widths tried: of the closest two sites' distance, of the whole stretch
PLATEAU = 1e-6  # a step as good as the best curve within this much log likelihood
START, POINTS, ROUNDS = 65, 13, 7  # a maximum is looked for among so many points, then so often 6 times closer
HALVINGS = 30
STEEPEST = 30.0  # a share whose logit lies beyond this counts as 0 or 1


@dataclass(frozen=True)
class Shares:
    """What a cline is fitted to.

    Attributes:
        km: float64 (n_sites,), places along the coast, ascending, not all equal.
        share: float64 (n_sites,), observed shares in [0, 1].
        copies: float64 (n_sites,), how many allele copies each share is worth.
        floor: float64 (n_sites,), chance in [0, 0.5) that a copy is taken for one of the other kind: a share that small
            at a pure site is noise of the measurement, and says nothing of foreign copies.
        measured: bool (n_sites,), False where the share is 0 or 1 by definition and cannot scatter.
    """

    km: np.ndarray
    share: np.ndarray
    copies: np.ndarray
    floor: np.ndarray
    measured: np.ndarray


@dataclass(frozen=True)
class Cline:
    """A fitted cline; bounds that the data do not set, and the width of a mere step, are NaN.

    Attributes:
        centre: km at which the share is one half; of a step, half-way between the two sites that it parts.
        centre_low, centre_high: its 95 % interval.
        width: km, 1 over the steepest slope.
        width_low, width_high: its 95 % interval.
        best: log likelihood of the best curve, without its constant.
        dispersion: scatter of the sites about the curve, 1 where it is no larger than chance explains.
        drop: by how much the log likelihood falls at the ends of the intervals.
    """

    centre: float
    centre_low: float
    centre_high: float
    width: float
    width_low: float
    width_high: float
    best: float
    dispersion: float
    drop: float


def sigmoid(km: np.ndarray, centre: float | np.ndarray, width: float | np.ndarray) -> np.ndarray:
    """Return the share along a cline, 1 / (1 + exp(-4 (km - centre) / width)).

    Args:
        km: places along the coast.
        centre: where the share is one half.
        width: 1 over the slope there, above 0.

    Source: Szymura & Barton (1986) Evolution 40:1141-1159; Barton & Gale (1993) in Hybrid Zones and the Evolutionary
        Process, 13-45: width is the inverse of the maximum slope.
    """
    return special.expit(4 * (np.asarray(km, dtype=np.float64) - centre) / width)


def log_likelihood(data: Shares, centre: np.ndarray, width: np.ndarray) -> np.ndarray:
    """Return the binomial log likelihood of observed shares, without its constant.

    Args:
        data: the shares.
        centre: centres of curves, any shape.
        width: widths that broadcast with `centre`.

    Returns:
        float64 of their common shape.
    """
    noise = np.maximum(data.floor, LEAST_FLOOR)
    curve = sigmoid(data.km, np.asarray(centre)[..., None], np.asarray(width)[..., None])
    p = noise + (1 - 2 * noise) * curve
    return (data.copies * (data.share * np.log(p) + (1 - data.share) * np.log1p(-p))).sum(axis=-1)


def fit_cline(data: Shares) -> Cline:
    """Return the cline that explains the shares best, rising with the distance.

    Raises:
        ValueError: where all places are one.
    """
    gaps = np.diff(data.km)
    if not (gaps > 0).any():
        raise ValueError("km must hold two places or more")
    stretch = data.km[-1] - data.km[0]
    middles = data.km[:-1] + gaps / 2
    even = np.linspace(data.km[0] - stretch, data.km[-1] + stretch, START)
    places, widths = np.unique(np.concatenate([data.km, middles, even])), _widths(data)

    def of_width(width: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        flat = np.exp(width.ravel())[:, None]
        found = _highest(lambda c: log_likelihood(data, c, flat), np.tile(places, (len(flat), 1)))
        return found[0].reshape(width.shape), found[1].reshape(width.shape)

    def of_centre(centre: np.ndarray) -> np.ndarray:
        tried = np.tile(widths, (len(centre), 1))
        return _highest(lambda w: log_likelihood(data, centre[:, None], np.exp(w)), tried)[1]

    width, best = (float(a[0]) for a in _highest(lambda w: of_width(w)[1], widths[None]))
    centre = float(of_width(np.array([width]))[0][0])
    narrow = log_likelihood(data, middles, np.exp(widths[0]))
    is_step = bool(narrow.max() >= best - PLATEAU)
    if is_step:
        centre, width, best = float(middles[np.argmax(narrow)]), float(widths[0]), float(narrow.max())
    scatter, drop = dispersion(data, best)
    centres = _bounds(of_centre, np.full(2, centre), places[[0, -1]], best - drop)
    logarithms = _bounds(lambda w: of_width(w)[1], np.full(2, width), widths[[0, -1]], best - drop)
    return Cline(
        centre=centre,
        centre_low=float(centres[0]),
        centre_high=float(centres[1]),
        width=float("nan") if is_step else float(np.exp(width)),
        width_low=float(np.exp(logarithms[0])),
        width_high=float(np.exp(logarithms[1])),
        best=best,
        dispersion=scatter,
        drop=drop,
    )


def dispersion(data: Shares, best: float) -> tuple[float, float]:
    """Return the scatter of the sites about the best curve, and the fall of log likelihood that bounds an interval.

    Args:
        data: the shares.
        best: log likelihood of the best curve.

    Returns:
        Deviance over degrees of freedom (sites measured, less two) and half of Student's t squared times that; 1 and
        LIKELIHOOD_DROP where the deviance is no larger than chance explains, or where no degree of freedom is left. The
        floor counts as part of what a site is expected to show.

    Source: McCullagh & Nelder (1989) Generalized Linear Models, 2nd edition, sections 4.5 and 9.2 (over-dispersion as a
        factor of the variance, from memory); the test before it is our choice, lest intervals of sound data be wider.
    """
    noise = np.maximum(data.floor, LEAST_FLOOR)
    own = np.clip(data.share, noise, 1 - noise)
    most = (data.copies * (data.share * np.log(own) + (1 - data.share) * np.log1p(-own))).sum()
    degrees = int(data.measured.sum()) - 2
    deviance = 2 * float(most - best)
    if degrees < 1 or special.chdtrc(degrees, max(deviance, 0.0)) >= SCATTER_LEVEL:
        return 1.0, LIKELIHOOD_DROP
    scatter = max(1.0, deviance / degrees)
    return scatter, max(LIKELIHOOD_DROP, scatter * float(t_quantile(degrees)) ** 2 / 2)


def expected_shares(data: Shares, cline: Cline) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the shares that a fitted cline expects at the sites, with their 95 % intervals.

    Args:
        data: the shares to which it was fitted.
        cline: the cline.

    Returns:
        share, low, high, float64 (n_sites,) each, in [0, 1].
    """
    widths = _widths(data)
    width = np.exp(widths[0]) if np.isnan(cline.width) else cline.width
    share = sigmoid(data.km, cline.centre, width)
    km = np.tile(data.km, 2)[:, None]

    def through(logit: np.ndarray) -> np.ndarray:
        """Return the best likelihood of the curves with such a share at each site."""

        def of_curves(w: np.ndarray) -> np.ndarray:
            return log_likelihood(data, km - np.exp(w) * logit[:, None] / 4, np.exp(w))

        return _highest(of_curves, np.tile(widths, (len(km), 1)))[1]

    at = np.tile(np.clip(4 * (data.km - cline.centre) / width, -STEEPEST, STEEPEST), 2)
    end = np.repeat([-STEEPEST, STEEPEST], len(share))
    bounds = _bounds(through, at, end, cline.best - cline.drop)
    low, high = np.where(np.isnan(bounds), end > 0, special.expit(bounds)).reshape(2, -1)
    return share, np.minimum(low, share), np.maximum(high, share)


def _widths(data: Shares) -> np.ndarray:
    """Return logarithms of widths to try, ascending."""
    gaps = np.diff(data.km)
    low, high = np.log(NARROWEST * gaps[gaps > 0].min()), np.log(WIDEST * (data.km[-1] - data.km[0]))
    return np.linspace(low, high, START)


def _highest(value: Callable[[np.ndarray], np.ndarray], points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (place, height) of the highest point of each of some functions, searched ever closer around the best.

    Args:
        value: takes places, one row a function, and returns their heights.
        points: float64 (n_functions, n_points), ascending, where to look first.
    """
    row = np.arange(len(points))
    for _ in range(ROUNDS):
        heights, last = value(points), points.shape[1] - 1
        top = heights.argmax(axis=1)
        place, height = points[row, top], heights[row, top]
        around = points[row, np.maximum(top - 1, 0)], points[row, np.minimum(top + 1, last)]
        points = np.linspace(*around, POINTS, axis=1)
    return place, height


def _bounds(
    profile: Callable[[np.ndarray], np.ndarray], estimate: np.ndarray, end: np.ndarray, least: float
) -> np.ndarray:
    """Return where profiles have fallen to `least` between the estimate and the end of the range; NaN if nowhere."""
    open_end = profile(end) >= least
    inside, outside = estimate.copy(), end.astype(np.float64)
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2
        within = profile(middle) >= least
        inside, outside = np.where(within, middle, inside), np.where(within, outside, middle)
    return np.where(open_end, np.nan, inside)
