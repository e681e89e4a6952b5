"""Likelihood intervals for the shares of an animal, which also hold where a share is 0 or 1."""

from __future__ import annotations

import numba
import numpy as np
from scipy import special

BISECTIONS = 40
SWEEPS = 200
SETTLED = 1e-10


def share_bounds(
    gradient: np.ndarray, curvature: np.ndarray, shares: np.ndarray, confidence: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Return the profile-likelihood interval of every share.

    A bound is where the log-likelihood, the other shares free, falls half a chi-square quantile (one degree of freedom)
    below its maximum; the log-likelihood is taken to second order about the maximum. Markers count as independent and
    frequencies as known, so intervals are a little too narrow where either fails.

    Args:
        gradient: float64 (k, n_animals), derivatives at the shares, as from `admixture_fit.derivatives`.
        curvature: float64 (k (k + 1) / 2, n_animals).
        shares: float64 (k, n_animals), columns sum to 1, at their maximum.
        confidence: coverage aimed at, in (0, 1).

    Returns:
        (low, high), float64 (k, n_animals), in [0, 1].

    Source: Venzon & Moolgavkar (1988) Appl Stat 37:87-94, for the profile; second order is ours.
    """
    low, high = np.zeros_like(shares), np.ones_like(shares)
    if len(shares) == 1:
        return np.ones_like(shares), high
    _bounds(gradient, curvature, shares, special.chdtri(1, 1 - confidence) / 2, low, high)
    return low, high


@numba.njit(cache=True)
def _bounds(gradient, curvature, shares, drop, low, high):  # pragma: no cover
    k, n_animals = shares.shape
    bend, slope, step = np.empty((k, k)), np.empty(k), np.empty(k)
    for i in range(n_animals):
        at = 0
        for a in range(k):
            for b in range(a + 1):
                bend[a, b] = bend[b, a] = curvature[at, i]
                at += 1
        for a in range(k):
            if -_profile(gradient[:, i], bend, shares[:, i], a, 0.0, slope, step) > drop:
                low[a, i] = _root(gradient[:, i], bend, shares[:, i], a, 0.0, drop, slope, step)
            if -_profile(gradient[:, i], bend, shares[:, i], a, 1.0, slope, step) > drop:
                high[a, i] = _root(gradient[:, i], bend, shares[:, i], a, 1.0, drop, slope, step)


@numba.njit(cache=True)
def _root(gradient, bend, share, a, end, drop, slope, step):  # pragma: no cover
    """Return where the profile falls by `drop`, by halving.

    Many parameters: the arrays in which the kernel works are handed in.
    """
    inside, outside = share[a], end
    for _ in range(BISECTIONS):
        middle = (inside + outside) / 2
        if -_profile(gradient, bend, share, a, middle, slope, step) > drop:
            outside = middle
        else:
            inside = middle
    return inside


@numba.njit(cache=True)
def _profile(gradient, bend, share, a, value, slope, step):  # pragma: no cover
    """Greatest gain of the second-order model where share `a` is held at `value` and the others sum to the rest."""
    k = share.size
    rest = 1.0 - share[a]
    for b in range(k):
        part = share[b] / rest if rest > 1e-12 else 1.0 / (k - 1)
        step[b] = value - share[a] if b == a else part * (1.0 - value) - share[b]
    for b in range(k):
        slope[b] = gradient[b]
        for c in range(k):
            slope[b] -= bend[b, c] * step[c]
    for _ in range(SWEEPS):
        largest = 0.0
        for b in range(k):
            for c in range(b):
                if b == a or c == a:
                    continue
                stiff = bend[b, b] + bend[c, c] - 2 * bend[b, c]
                if stiff <= 0:
                    continue
                move = (slope[b] - slope[c]) / stiff
                move = max(move, -(share[b] + step[b]))
                move = min(move, share[c] + step[c])
                step[b] += move
                step[c] -= move
                for d in range(k):
                    slope[d] -= (bend[d, b] - bend[d, c]) * move
                largest = max(largest, abs(move))
        if largest < SETTLED:
            break
    gain = 0.0
    for b in range(k):
        gain += step[b] * (gradient[b] + slope[b]) / 2  # slope is now gradient - bend x step
    return gain
