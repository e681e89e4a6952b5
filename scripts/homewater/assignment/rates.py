"""Share of animals with ancestry from elsewhere, corrected for what the panel misses and mistakes.

Sensitivity differs by class, so that counts of flagged animals alone do not give the share. Class shares are fitted by
maximum likelihood through the table class_power, whose own uncertainty (it rests on simulated animals) is part of the
likelihood; the interval is the profile of the total. Rogan & Gladen (1978) is the check for the one-class case.
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


def rogan_gladen(
    apparent: float,
    n: int,
    sensitivity: float,
    specificity: float,
    n_sensitivity: int | None = None,
    n_specificity: int | None = None,
) -> tuple[float, float, float, float, bool]:
    """Return the true share behind an apparent one, for a single class of foreign animals.

    Args:
        apparent: share flagged, in [0, 1].
        n: animals.
        sensitivity: share of foreign animals that are flagged.
        specificity: share of locals that are not flagged.
        n_sensitivity: animals behind the sensitivity; known without error by default.
        n_specificity: animals behind the specificity; known without error by default.

    Returns:
        estimate and 95 % interval (estimate -+ 1.96 standard errors) clipped to [0, 1], standard error, whether
        anything was clipped: (estimate, low, high, standard error, clipped).

    Raises:
        ValueError: where sensitivity + specificity is not above 1, since then a flag says nothing.
    Source: Rogan & Gladen (1978) Am J Epidemiol 107:71-76.
    """
    youden = sensitivity + specificity - 1
    if not youden > 0:
        raise ValueError(f"sensitivity + specificity must be above 1, got {sensitivity + specificity}")
    estimate = (apparent + specificity - 1) / youden
    variance = apparent * (1 - apparent) / n
    if n_sensitivity:
        variance += sensitivity * (1 - sensitivity) / n_sensitivity * estimate**2
    if n_specificity:
        variance += specificity * (1 - specificity) / n_specificity * (1 - estimate) ** 2
    error = variance**0.5 / youden
    raw = (estimate, estimate - 1.959963984540054 * error, estimate + 1.959963984540054 * error)
    clipped = tuple(min(1.0, max(0.0, value)) for value in raw)
    return (*clipped, error, clipped != raw)


def rate_table(
    calls: pd.DataFrame,
    class_power: pd.DataFrame,
    sites: list[str],
    local_unit: dict[str, str],
    contact_zone: dict[str, bool],
    false_flag_rate: float,
    by_year: bool = False,
) -> pd.DataFrame:
    """Return the table site_rates, or site_year_rates.

    Args:
        calls: locationID, outcome, reason, called (as `verdict.called_class` gives it) and, for years, year.
        class_power: table class_power.
        sites: all sites, in their order; by year only those with animals are listed.
        local_unit: {locationID: unit}, "" where there is no local stock: counts are given, rates are not defined.
        contact_zone: {locationID: bool}.
        false_flag_rate: highest share of locals flagged.
        by_year: one row a site and year instead of one a site.
    """
    power = {u: power_counts(class_power, u) for u in dict.fromkeys(class_power["unit_a"])}
    keys = ["locationID", "year"] if by_year else ["locationID"]
    groups = dict(iter(calls.groupby(keys, sort=True, dropna=False)))
    nobody, rows = calls.iloc[:0], []
    known_rates: dict = {}
    for site in sites:
        if by_year:
            parts = [(key[1], group) for key, group in groups.items() if key[0] == site]
        else:
            parts = [(None, groups.get((site,), nobody))]
        for year, animals in parts:
            unit = local_unit.get(site, "")
            row = {"locationID": site, **({"year": year} if by_year else {})}
            row |= _counts(animals)
            known = unit in power and len(animals) > 0
            row["raw_rate"] = (row["n_non_local"] + row["n_mixed"]) / row["n"] if known else np.nan
            row |= dict.fromkeys(("rate", "ci_low", "ci_high", "expected_false"), np.nan)
            if known:
                judged = animals[animals["reason"] != "too_few_markers"]
                called = tuple(int((judged["called"] == c).sum()) for c in power[unit].called)
                if (unit, called) not in known_rates:
                    known_rates[unit, called] = recent_share(np.array(called), power[unit])
                row["rate"], row["ci_low"], row["ci_high"] = known_rates[unit, called]
                row["expected_false"] = len(judged) * false_flag_rate
            row |= {"contact_zone": contact_zone.get(site, False), "local_unit": unit}
            rows.append(row)
    first = [*keys, "n", "n_non_local", "n_mixed", "n_unresolved", "raw_rate", "rate", "ci_low", "ci_high"]
    last = ["expected_false", "n_local", "n_unsampled_origin", "n_too_few_markers", "contact_zone", "local_unit"]
    return pd.DataFrame(rows, columns=first + last)


def unit_rate_table(
    calls: pd.DataFrame,
    class_power: pd.DataFrame,
    local_unit: dict[str, str],
    contact_zone: dict[str, bool],
    units: list[str],
    false_flag_rate: float,
) -> pd.DataFrame:
    """Return the table unit_rates: animals of all sites of a unit together, contact-zone sites in rows of their own.

    Args:
        calls: as in `rate_table`.
        class_power: table class_power.
        local_unit: {locationID: unit}, "" where there is no local stock; such sites belong to no row.
        contact_zone: {locationID: bool}.
        units: unit names, in their order.
        false_flag_rate: highest share of locals flagged.
    """
    groups = {site: (unit, bool(contact_zone.get(site, False))) for site, unit in local_unit.items() if unit}
    rows = [(unit, False) for unit in units]
    rows += [(unit, True) for unit in units if (unit, True) in groups.values()]
    name = {group: f"{group[0]} {group[1]}" for group in rows}
    inside = calls[calls["locationID"].isin(list(groups))]
    n_sites = pd.Series([name[groups[site]] for site in inside["locationID"].unique()], dtype=object).value_counts()
    pooled = inside.assign(locationID=[name[groups[site]] for site in inside["locationID"]])
    unit_of, contact = ({name[group]: group[part] for group in rows} for part in (0, 1))
    table = rate_table(pooled, class_power, list(name.values()), unit_of, contact, false_flag_rate)
    table.insert(0, "unit", table.pop("local_unit"))
    table.insert(1, "contact_zone", table.pop("contact_zone"))
    table.insert(2, "n_sites", [int(n_sites.get(key, 0)) for key in table.pop("locationID")])
    return table


def _counts(animals: pd.DataFrame) -> dict[str, int]:
    outcomes = ("local", "non_local", "mixed", "unresolved", "unsampled_origin")
    counts = {"n": len(animals)} | {f"n_{o}": int((animals["outcome"] == o).sum()) for o in outcomes}
    return counts | {"n_too_few_markers": int((animals["reason"] == "too_few_markers").sum())}
