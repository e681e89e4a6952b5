"""Share of animals with ancestry from elsewhere, corrected for what the panel misses and mistakes.

The panel finds some classes of foreign animals more often than others, so the number of flagged animals alone does not
give the share. Instead, the shares of all classes are fitted by maximum likelihood. The table class_power says how
often each class is called what; it rests on simulated animals, and its own uncertainty is part of the likelihood. The
interval is the profile of the total. With one class of foreign animals this is the estimate of Rogan & Gladen (1978).
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import pandas as pd

from homewater.statistics.intervals import LIKELIHOOD_DROP

#: Classes with ancestry from elsewhere within two generations; a second backcross to the local unit is older.
RECENT = ("pure_b", "F1", "F2", "backcross_a", "backcross_b", "second_backcross_b", "unsampled")
_PSEUDO = 0.5
_STEPS = 5000
_LOOK = 20  # EM steps between two looks at the likelihood
_TOLERANCE = 1e-6


@dataclass(frozen=True)
class PowerCounts:
    """Simulated animals by true class and call, for one local unit.

    Attributes:
        counts: float64 (n_classes, n_called); a row's sum is the number of simulated animals.
        recent: bool (n_classes,), ancestry from elsewhere within two generations.
        called: names of the columns.
    """

    counts: np.ndarray
    recent: np.ndarray
    called: tuple[str, ...]


def power_counts(class_power: pd.DataFrame, unit: str) -> PowerCounts:
    """Return the simulated animals behind class_power for one local unit, with a class added for unsampled origins.

    Args:
        class_power: table class_power.
        unit: the local unit.
    """
    here = class_power[class_power["unit_a"] == unit]
    called = tuple(dict.fromkeys(here["called_class"]))
    rows, recent = [], []
    for _, of_pair in here.groupby("unit_b", sort=False):
        for name, line in of_pair.groupby("true_class", sort=False):
            if name == "pure_a" and rows:
                continue  # locals are the same whatever they are compared with
            rows.append(line["rate"].to_numpy(dtype=float) * line["n"].to_numpy(dtype=float))
            recent.append(name in RECENT)
    n = max((float(row.sum()) for row in rows), default=1.0)
    rows.append(np.array([n if c == "unsampled_origin" else 0.0 for c in called]))
    return PowerCounts(np.array(rows), np.array([*recent, True]), called)


@numba.njit(cache=True)
def _log_likelihood(counts, simulated, share, chance):
    value = 0.0
    for k in range(counts.size):
        mixed = 0.0
        for j in range(share.size):
            mixed += share[j] * chance[j, k]
            value += simulated[j, k] * np.log(chance[j, k])
        if counts[k] > 0:
            value += counts[k] * np.log(mixed)
    return value


@numba.njit(cache=True)
def _fit(counts, simulated, recent, rate):
    """EM over class shares and calling rates; `rate` below 0 leaves the share of recent classes free."""
    n_classes, n_called = simulated.shape
    chance, share, taken = np.empty((n_classes, n_called)), np.empty(n_classes), np.empty(n_classes)
    new = np.empty((n_classes, n_called))
    n_recent, total = 0, 0.0
    for j in range(n_classes):
        n_recent += recent[j]
    for k in range(n_called):
        total += counts[k]
    start = 0.2 if rate < 0 else rate
    of_class = np.empty(n_classes)
    for j in range(n_classes):
        of_class[j] = 0.0
        for k in range(n_called):
            of_class[j] += simulated[j, k]
        for k in range(n_called):
            chance[j, k] = simulated[j, k] / of_class[j]
        share[j] = start / n_recent if recent[j] else (1 - start) / (n_classes - n_recent)
    last = -np.inf
    for step in range(_STEPS):
        if step % _LOOK == 0:
            value = _log_likelihood(counts, simulated, share, chance)
            if value - last < _TOLERANCE:
                break
            last = value
        for j in range(n_classes):
            taken[j] = 0.0
            for k in range(n_called):
                new[j, k] = simulated[j, k]
        for k in range(n_called):
            if counts[k] > 0:
                mixed = 0.0
                for j in range(n_classes):
                    mixed += share[j] * chance[j, k]
                for j in range(n_classes):
                    part = counts[k] * share[j] * chance[j, k] / mixed
                    new[j, k] += part
                    taken[j] += part
        inside = outside = 0.0
        for j in range(n_classes):
            for k in range(n_called):
                chance[j, k] = new[j, k] / (of_class[j] + taken[j])
            share[j] = taken[j] / total
            if recent[j]:
                inside += share[j]
            else:
                outside += share[j]
        if rate >= 0:
            for j in range(n_classes):
                if recent[j]:
                    share[j] = share[j] * rate / inside if inside > 0 else rate / n_recent
                else:
                    share[j] = share[j] * (1 - rate) / outside if outside > 0 else (1 - rate) / (n_classes - n_recent)
    found = 0.0
    for j in range(n_classes):
        if recent[j]:
            found += share[j]
    return _log_likelihood(counts, simulated, share, chance), found


def recent_share(counts: np.ndarray, power: PowerCounts) -> tuple[float, float, float]:
    """Return the share of animals with recent ancestry from elsewhere, with its 95 % profile interval.

    Args:
        counts: (n_called,), animals by call, in the order of `power.called`.
        power: simulated animals behind the calling rates.

    Returns:
        share, low, high in [0, 1]; NaN without animals.
    """
    counts = np.asarray(counts, dtype=float)
    if counts.sum() == 0:
        return float("nan"), float("nan"), float("nan")
    simulated = power.counts + _PSEUDO / power.counts.shape[1]
    top, share = _fit(counts, simulated, power.recent, -1.0)
    for end in (0.0, 1.0):  # EM only creeps towards an end: take the end where it is as likely
        value = _fit(counts, simulated, power.recent, end)[0]
        if value >= top - 1e-4:
            top, share = max(top, value), end
    ends = []
    for end in (0.0, 1.0):
        if top - _fit(counts, simulated, power.recent, end)[0] <= LIKELIHOOD_DROP:
            ends.append(end)
            continue
        inside, outside = share, end
        for _ in range(24):
            middle = (inside + outside) / 2
            if top - _fit(counts, simulated, power.recent, middle)[0] <= LIKELIHOOD_DROP:
                inside = middle
            else:
                outside = middle
        ends.append((inside + outside) / 2)
    return float(share), ends[0], ends[1]
