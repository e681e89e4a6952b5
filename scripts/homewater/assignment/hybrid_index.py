"""Two figures that tell generations of mixing apart, for each animal and a pair of units.

The hybrid index is the share of its ancestry that comes from the second unit. Interclass heterozygosity is the share of
its genome that holds one copy of either unit.
"""

from __future__ import annotations

import numba
import numpy as np

from homewater.statistics.intervals import LIKELIHOOD_DROP

_GRID = 50
_STEPS = 40  # of a search; an interval of 0.04 is then cut to less than 1e-8
_PRODUCT = 16  # chances multiplied before a logarithm is taken; no product of so many underflows


@numba.njit(cache=True)
def _index_log_likelihood(h, chance):
    """Log likelihood at index h; a row of `chance` holds a locus's chance by powers of h."""
    total = 0.0
    for start in range(0, len(chance), _PRODUCT):
        product = 1.0
        for locus in range(start, min(start + _PRODUCT, len(chance))):
            product *= chance[locus, 0] + h * (chance[locus, 1] + h * chance[locus, 2])
        total += np.log(max(product, 1e-300))
    return total


@numba.njit(cache=True)
def _typed_chances(dosages, table, chance):
    """Fill the rows of `chance` with those of the typed loci of one animal; return how many there are."""
    typed = 0
    for locus in range(dosages.size):
        if dosages[locus] >= 0:
            chance[typed] = table[locus, dosages[locus]]
            typed += 1
    return typed


@numba.njit(cache=True)
def _hybrid_indices(dosages, table, drop):
    out = np.full((dosages.shape[0], 3), np.nan)
    room = np.empty((dosages.shape[1], 3))
    for i in range(dosages.shape[0]):
        typed = _typed_chances(dosages[i], table, room)
        if typed == 0:
            continue
        chance = room[:typed]
        best, top = 0, -np.inf
        for k in range(_GRID + 1):
            value = _index_log_likelihood(k / _GRID, chance)
            if value > top:
                best, top = k, value
        low, high = max(0, best - 1) / _GRID, min(_GRID, best + 1) / _GRID
        for _ in range(_STEPS):  # ternary search: one maximum lies between the neighbours of the best grid point
            first, second = low + (high - low) / 3, high - (high - low) / 3
            if _index_log_likelihood(first, chance) < _index_log_likelihood(second, chance):
                low = first
            else:
                high = second
        index = (low + high) / 2
        top = _index_log_likelihood(index, chance)
        for end in (0.0, 1.0):
            value = _index_log_likelihood(end, chance)
            if value >= top:
                index, top = end, value
        out[i, 0] = index
        for side in range(2):
            inside, outside = index, float(side)
            if top - _index_log_likelihood(outside, chance) <= drop:
                out[i, 1 + side] = outside
                continue
            for _ in range(_STEPS):
                middle = (inside + outside) / 2
                if top - _index_log_likelihood(middle, chance) <= drop:
                    inside = middle
                else:
                    outside = middle
            out[i, 1 + side] = inside
    return out


def hybrid_index(dosages: np.ndarray, table: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the share of each animal's ancestry that comes from unit b, with its 95 % profile interval.

    The most likely share when each copy comes from unit b with that chance, copies and loci independent.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        table: (n_loci, 3, 3), chance of each called dosage under the pairs AA, AB, BB; for an animal that was counted
            in a unit, as known once an animal of that dosage has been taken out.

    Returns:
        index, low, high: float64 (n_animals,) in [0, 1]; NaN where nothing is typed.
    """
    both, one, none = np.moveaxis(np.asarray(table, dtype=float), -1, 0)
    # (1 - h)^2 AA + 2 h (1 - h) AB + h^2 BB, by powers of h
    by_power = np.stack([both, 2 * (one - both), both - 2 * one + none], axis=-1)
    found = _hybrid_indices(np.ascontiguousarray(dosages, dtype=np.int8), by_power, LIKELIHOOD_DROP)
    return found[:, 0], found[:, 1], found[:, 2]


@numba.njit(cache=True)
def _pair_terms(chance, weight, slope, curve):
    """Log likelihood at the shares of pairs; fills its slope along the second and third share, and minus its curve."""
    slope[:] = 0.0
    curve[:] = 0.0
    total, product = 0.0, 1.0
    for locus in range(len(chance)):
        mixed = weight[0] * chance[locus, 0] + weight[1] * chance[locus, 1] + weight[2] * chance[locus, 2]
        if mixed <= 0.0:
            return -np.inf
        product *= mixed
        if locus % _PRODUCT == _PRODUCT - 1:
            total += np.log(product)
            product = 1.0
        first, second = (chance[locus, 1] - chance[locus, 0]) / mixed, (chance[locus, 2] - chance[locus, 0]) / mixed
        slope[0] += first
        slope[1] += second
        curve[0] += first * first
        curve[1] += first * second
        curve[2] += second * second
    return total + np.log(product)


@numba.njit(cache=True)
def _best_within(weight, slope, curve, step):
    """Fill the step to the maximum of the quadratic model over shares that are not negative and sum to 1."""
    ridge = 1e-10 * (curve[0] + curve[2]) + 1e-300  # where the loci tell no two pairs apart the step stays short
    a, b, c = curve[0] + ridge, curve[1], curve[2] + ridge
    inner = a * c - b * b
    if inner > 0.0:
        step[0], step[1] = (c * slope[0] - b * slope[1]) / inner, (a * slope[1] - b * slope[0]) / inner
        x, y = weight[1] + step[0], weight[2] + step[1]
        if x >= 0.0 and y >= 0.0 and x + y <= 1.0:
            return
    best = -np.inf
    for edge in range(3):  # from (x, y), along (along_x, along_y), both in the shares of the second and third pair
        x, y = (1.0, 0.0) if edge == 2 else (0.0, 0.0)
        along_x, along_y = (1.0, 0.0) if edge == 0 else ((0.0, 1.0) if edge == 1 else (-1.0, 1.0))
        x, y = x - weight[1], y - weight[2]
        rise = along_x * (slope[0] - a * x - b * y) + along_y * (slope[1] - b * x - c * y)
        bend = a * along_x * along_x + 2 * b * along_x * along_y + c * along_y * along_y
        far = min(max(rise / bend, 0.0), 1.0)
        x, y = x + far * along_x, y + far * along_y
        value = slope[0] * x + slope[1] * y - (a * x * x + 2 * b * x * y + c * y * y) / 2
        if value > best:
            best = value
            step[0], step[1] = x, y


@numba.njit(cache=True)
def _pair_shares(dosages, table, steps):
    out = np.full((dosages.shape[0], 3), np.nan)
    room, slope, curve, step, weight, tried = (np.empty((dosages.shape[1], 3)), np.empty(2), np.empty(3), np.empty(2),
                                               np.empty(3), np.empty(3))  # fmt: skip
    for i in range(dosages.shape[0]):
        typed = _typed_chances(dosages[i], table, room)
        if typed == 0:
            continue
        chance = room[:typed]
        weight[:] = 1.0 / 3
        now = _pair_terms(chance, weight, slope, curve)
        for _ in range(steps):
            _best_within(weight, slope, curve, step)
            length, found = 1.0, -np.inf
            while length > 1e-9:  # the model is not the likelihood: a shorter step is tried until one climbs
                tried[1] = min(max(weight[1] + length * step[0], 0.0), 1.0)
                tried[2] = min(max(weight[2] + length * step[1], 0.0), 1.0 - tried[1])
                tried[0] = max(1.0 - tried[1] - tried[2], 0.0)
                found = _pair_terms(chance, tried, slope, curve)
                if found > now:
                    break
                length /= 2
            if not found > now:
                break
            moved = abs(tried[1] - weight[1]) + abs(tried[2] - weight[2])
            weight[:] = tried
            now = found
            if moved < 1e-10:
                break
        out[i] = weight
    return out


def interclass_heterozygosity(dosages: np.ndarray, table: np.ndarray, steps: int = 100) -> np.ndarray:
    """Return the most likely share of the genome that holds one copy from each unit.

    Newton steps of the shares of the three ancestry pairs, each the best of a quadratic model within their bounds.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        table: as in `hybrid_index`.
        steps: most Newton steps.

    Returns:
        float64 (n_animals,); NaN where nothing is typed.
    """
    dosages = np.ascontiguousarray(dosages, dtype=np.int8)
    return _pair_shares(dosages, np.ascontiguousarray(table, dtype=float), steps)[:, 1]
