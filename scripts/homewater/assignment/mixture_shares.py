"""What a mixed catch is made of: the share of each unit among animals of one place, by maximum likelihood.

The likelihood of an animal's genotype under each unit is taken as known, and the shares are fitted to all animals at
once (conditional maximum likelihood: Millar 1987, Can J Fish Aquat Sci 44:583-590). Every animal is taken to come from
one of the units; what fits none of them is left out before, and counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numba
import numpy as np
import pandas as pd

from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import KnownUnits, class_list, class_table, log_likelihoods
from homewater.crosses.opened_panel import OpenedPanel
from homewater.inputs.event_dates import sampling_years
from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.intervals import LIKELIHOOD_DROP, NORMAL_95
from homewater.tables.schema_tables import empty_table

BASELINE_DRAWS = 200  # baselines drawn anew: their spread is then known to within a tenth
_STEPS = 20000
_LOOK = 20  # EM steps between two looks at the likelihood
_TOLERANCE = 1e-9


@numba.njit(cache=True)
def _fit(likelihood, fixed, value):
    """EM from equal shares; unit `fixed` (-1 for none) is held at `value`. Returns log likelihood and shares."""
    n, k = likelihood.shape
    share, taken = np.empty(k), np.empty(k)
    for u in range(k):
        share[u] = 1.0 / k if fixed < 0 else (value if u == fixed else (1.0 - value) / (k - 1))
    last, now = -np.inf, -np.inf
    for step in range(_STEPS):
        now = 0.0
        taken[:] = 0.0
        for i in range(n):
            mixed = 0.0
            for u in range(k):
                mixed += share[u] * likelihood[i, u]
            if mixed <= 0.0:
                return -np.inf, share
            now += np.log(mixed)
            for u in range(k):
                taken[u] += share[u] * likelihood[i, u] / mixed
        if step % _LOOK == 0:
            if now - last < _TOLERANCE:
                break
            last = now
        if fixed < 0:
            for u in range(k):
                share[u] = taken[u] / n
        else:
            others = 0.0
            for u in range(k):
                if u != fixed:
                    others += taken[u]
            if others <= 0.0:
                break
            for u in range(k):
                if u != fixed:
                    share[u] = (1.0 - value) * taken[u] / others
    return now, share


def _scaled(log_likelihood: np.ndarray) -> np.ndarray:
    return np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))


def shares(log_likelihood: np.ndarray) -> np.ndarray:
    """Return the shares of the units that make the animals most likely.

    Args:
        log_likelihood: float64 (n_animals, n_units), natural logarithms.

    Returns:
        float64 (n_units,), sums to 1; NaN without animals.
    """
    if not len(log_likelihood):
        return np.full(log_likelihood.shape[1], np.nan)
    return _fit(_scaled(log_likelihood), -1, 0.0)[1]


def profile_intervals(log_likelihood: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the shares with their 95 % profile-likelihood intervals: the sampling of the animals alone.

    Args:
        log_likelihood: float64 (n_animals, n_units), two units or more.

    Returns:
        shares, low, high, each float64 (n_units,); NaN without animals.
    """
    n_units = log_likelihood.shape[1]
    if not len(log_likelihood):
        nothing = np.full(n_units, np.nan)
        return nothing, nothing, nothing
    likelihood = _scaled(log_likelihood)
    top, best = _fit(likelihood, -1, 0.0)
    ends = np.empty((2, n_units))
    for u in range(n_units):
        for side, end in enumerate((0.0, 1.0)):
            if top - _fit(likelihood, u, end)[0] <= LIKELIHOOD_DROP:
                ends[side, u] = end
                continue
            inside, outside = best[u], end
            for _ in range(30):
                middle = (inside + outside) / 2
                if top - _fit(likelihood, u, middle)[0] <= LIKELIHOOD_DROP:
                    inside = middle
                else:
                    outside = middle
            ends[side, u] = (inside + outside) / 2
    return best, ends[0], ends[1]


@dataclass(frozen=True)
class TypedReference:
    """Baseline animals that give the frequencies, with their genotypes.

    Attributes:
        dosages: int8 (n_reference, n_loci), MISSING = -1.
        unit: int (n_reference,), unit of each.
        site: int (n_reference,), site of each.
        n_units: number of units.
    """

    dosages: np.ndarray
    unit: np.ndarray
    site: np.ndarray
    n_units: int


def drawn_likelihoods(
    dosages: np.ndarray,
    reference: TypedReference,
    error: float,
    prior: FrequencyPrior | None,
    rng: np.random.Generator,
    n_draws: int = BASELINE_DRAWS,
) -> Iterator[np.ndarray]:
    """Yield the animals' log likelihoods under each unit, by baselines drawn anew from the animals of each site.

    Args:
        dosages: int8 (n_animals, n_loci), animals of the catch, MISSING = -1.
        reference: the baseline animals that give the frequencies.
        error: chance that a called genotype is wrong.
        prior: fitted prior of the frequencies; Dirichlet(1/2, 1/2) where None.
        rng: source of randomness.
        n_draws: baselines drawn.

    Yields:
        float64 (n_animals, n_units).
    """
    classes, called = class_list(reference.n_units), reference.dosages
    alternate, copies = np.where(called > 0, called, 0).astype(float), 2.0 * (called >= 0)
    members = [np.flatnonzero(reference.site == s) for s in np.unique(reference.site)]
    member_of = [np.flatnonzero(reference.unit == u) for u in range(reference.n_units)]
    for _ in range(n_draws):
        weight = np.zeros(len(called))
        for rows in members:
            weight += np.bincount(rows[rng.integers(len(rows), size=len(rows))], minlength=len(called))
        counts = [np.stack([weight[r] @ what[r] for r in member_of], axis=1) for what in (alternate, copies)]
        table = class_table(KnownUnits(AlleleCounts(*counts), error, prior), classes)[..., : reference.n_units]
        yield log_likelihoods(dosages, table)


def mixture_table(
    animals: pd.DataFrame,
    log_likelihood: np.ndarray,
    drawn: np.ndarray,
    names: list[str],
    sites: list[str],
) -> pd.DataFrame:
    """Return the table mixture_shares: the query animals of each site, and of each site and year.

    The interval joins two parts that are independent of one another: the profile likelihood for the sampling of the
    catch, and the spread of the shares over baselines drawn anew for the sampling of the baseline. Distances from the
    estimate are joined as squares (Zou & Donner 2008 Stat Med 27:1693-1702).

    Args:
        animals: query animals (locationID, year, outcome, reason).
        log_likelihood: float64 (n_animals, n_units).
        drawn: float64 (n_draws, n_animals, n_units), from `drawn_likelihoods`.
        names: unit names.
        sites: all sites, in their order.
    """
    few = (animals["reason"] == "too_few_markers").to_numpy()
    strange = (animals["outcome"] == "unsampled_origin").to_numpy() & ~few
    mixed = (animals["outcome"] == "mixed").to_numpy()
    place, year = animals["locationID"].to_numpy(), animals["year"].to_numpy(dtype=np.int64)
    groups = []
    for site in sites:
        here = place == site
        if here.any():
            groups.append(("site", site, pd.NA, here))
            groups += [("site_year", site, int(y), here & (year == y)) for y in np.unique(year[here])]
    rows = []
    for scope, site, of_year, here in groups:
        used = np.flatnonzero(here & ~few & ~strange)
        best, low, high = profile_intervals(log_likelihood[used])
        spread = np.full(len(names), np.nan)
        if len(used):
            spread = np.std([shares(one[used]) for one in drawn], axis=0, ddof=1)
        down, up = (np.sqrt((best - end) ** 2 + (NORMAL_95 * spread) ** 2) for end in (low, high))
        for u, name in enumerate(names):
            row = {"scope": scope, "locationID": site, "year": of_year, "unit": name, "n": int(here.sum())}
            row |= {"n_used": len(used), "share": best[u], "ci_low": np.maximum(best[u] - down[u], 0.0)}
            row |= {"ci_high": np.minimum(best[u] + up[u], 1.0), "profile_low": low[u], "profile_high": high[u]}
            row |= {"baseline_standard_deviation": spread[u], "n_mixed": int((here & mixed).sum())}
            row |= {"n_unsampled_origin": int((here & strange).sum()), "n_too_few_markers": int((here & few).sum())}
            rows.append(row)
    columns = ["scope", "locationID", "year", "unit", "n", "n_used", "share", "ci_low", "ci_high", "profile_low"]
    columns += ["profile_high", "baseline_standard_deviation", "n_mixed", "n_unsampled_origin", "n_too_few_markers"]
    return pd.DataFrame(rows, columns=columns)


def catch_shares(
    panel: OpenedPanel,
    calls: pd.DataFrame,
    sample_sheet: pd.DataFrame,
    species: str,
    sites: list[str],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the table mixture_shares of a species; no row where no query animal was judged.

    Args:
        panel: the panel.
        calls: table calls.
        sample_sheet: the user's table of samples, which holds the dates.
        species: id of the species.
        sites: all sites, in their order.
        rng: source of randomness.
    """
    query = calls[calls["role"] == "query"].reset_index(drop=True)
    if query.empty:
        return empty_table("mixture_shares")
    query["year"] = sampling_years(sample_sheet, species, query["materialSampleID"])
    place = {sample: number for number, sample in enumerate(panel.store.sample_ids.tolist())}
    of_query = np.array([place[sample] for sample in query["materialSampleID"]], dtype=np.int64)
    used = panel.reference.used
    _, site = np.unique(panel.store.location_ids, return_inverse=True)
    dosages = panel.dosages(panel.rows)
    catch = dosages[of_query]
    reference = TypedReference(dosages[used], panel.reference.unit[used], site[used], panel.n_units)
    known = panel.known(reference.dosages, reference.unit)
    table = class_table(known, panel.classes)[..., : panel.n_units]
    drawn = np.stack(list(drawn_likelihoods(catch, reference, panel.error, panel.prior, rng)))
    return mixture_table(query, log_likelihoods(catch, table), drawn, panel.names, sites)
