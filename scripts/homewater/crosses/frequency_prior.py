"""What is known of allele frequencies before a marker is looked at: a prior, fitted on markers that nobody chose.

Why a prior is needed: a panel takes the markers at which the samples differ most. Part of that difference is chance, so
at these markers the samples differ more than the units do. The prior knows how much units differ at markers that were
not chosen. With it, the frequencies at chosen markers are pulled together by as much as they are overstated.

Which markers it is fitted on: the candidates for the panel, and those that a filter of rare alleles took out
(`panel.candidates.for_prior`). Without the latter it would be too narrow.

Model: at each marker an ancestral frequency x from a free distribution on a grid; in each unit, given x, frequencies
spread as Beta(c x, c (1 - x)) with c = (1 - F) / F and F the unit's drift (Balding & Nichols 1995, Genetica 96:3-12).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from homewater.statistics.allele_counts import AlleleCounts
from homewater.tables.kept_animals import evenly_spaced

GRID = 40
MOST_MARKERS = 2000  # evenly along the genome; more change nothing that matters
_ROUNDS = 6
_FINEST = 0.02  # of log F
_DRIFT = (1e-4, 0.8)


@dataclass(frozen=True)
class FrequencyPrior:
    """The prior.

    Attributes:
        ancestral: float64 (n_grid,), ancestral frequencies, in (0, 1).
        weight: float64 (n_grid,), their probabilities; sum 1.
        drift: float64 (n_units,), F of each unit, in (0, 1).
    """

    ancestral: np.ndarray
    weight: np.ndarray
    drift: np.ndarray

    @property
    def concentration(self) -> np.ndarray:
        """Float64 (n_units,): (1 - F) / F."""
        return (1 - self.drift) / self.drift

    def as_record(self) -> dict[str, list[float]]:
        """Return the prior as plain lists."""
        return {name: getattr(self, name).tolist() for name in ("ancestral", "weight", "drift")}

    @classmethod
    def from_record(cls, record: dict[str, list[float]]) -> FrequencyPrior:
        """Return the prior from plain lists."""
        return cls(*(np.array(record[name], dtype=float) for name in ("ancestral", "weight", "drift")))


def flat_prior(n_units: int) -> FrequencyPrior:
    """Return Dirichlet(1/2, 1/2) in every unit, units independent: the prior of Rannala & Mountain (1997).

    One ancestral frequency of 1/2 and a concentration of 1 make Beta(1/2, 1/2).
    """
    return FrequencyPrior(np.array([0.5]), np.array([1.0]), np.full(n_units, 0.5))


def _log_marginal(counts: AlleleCounts, unit: int, ancestral: np.ndarray, drift: float) -> np.ndarray:
    """Return (n_loci, n_grid): log chance of one unit's counts, in a given order of copies, by ancestral frequency."""
    c = (1 - drift) / drift
    alternate, copies = counts.alternate[:, unit], counts.copies[:, unit]

    def rising(count: np.ndarray, start: np.ndarray) -> np.ndarray:
        seen, place = np.unique(count, return_inverse=True)  # few distinct counts: the costly function runs on those
        return (gammaln(seen[:, None] + start) - gammaln(start))[place]

    top = rising(alternate, c * ancestral) + rising(copies - alternate, c * (1 - ancestral))
    return top - rising(copies, np.array([c]))


def ancestral_posterior(counts: AlleleCounts, prior: FrequencyPrior) -> np.ndarray:
    """Return the probability of each ancestral frequency, given the counts of all units.

    Args:
        counts: alleles counted at each locus in each unit, (n_loci, n_units).
        prior: the prior.

    Returns:
        float64 (n_loci, n_grid); rows sum to 1.
    """
    if len(prior.weight) == 1:
        return np.ones((len(counts.alternate), 1))
    with np.errstate(divide="ignore"):
        log = np.log(prior.weight)[None, :] + sum(
            _log_marginal(counts, u, prior.ancestral, float(f)) for u, f in enumerate(prior.drift)
        )
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True)


def fit_prior(
    counts: AlleleCounts, start: FrequencyPrior | None = None, most_markers: int = MOST_MARKERS
) -> FrequencyPrior:
    """Return the prior that makes the counts of all candidate markers most likely.

    Alternates between the distribution of ancestral frequencies (EM) and each unit's drift (search on log F).

    Args:
        counts: alleles counted at each candidate marker in each unit, (n_candidates, n_units).
        start: a prior fitted on nearly the same counts, from where the search is shorter.
        most_markers: no more than so many, evenly spread, are used.

    Returns:
        The prior; `flat_prior` where there are no candidates.
    """
    n, n_units = counts.alternate.shape
    if not n:
        return flat_prior(n_units)
    rows = evenly_spaced(np.arange(n), most_markers)
    counts = AlleleCounts(np.asarray(counts.alternate, float)[rows], np.asarray(counts.copies, float)[rows])
    ancestral = np.sin(np.pi * (np.arange(GRID) + 0.5) / (2 * GRID)) ** 2  # finer towards 0 and 1
    if start is not None and len(start.weight) == GRID:
        weight, drift, rounds, width = start.weight.copy(), start.drift.copy(), 2, 0.1
    else:
        weight, drift, rounds, width = np.full(GRID, 1 / GRID), np.full(n_units, 0.05), _ROUNDS, 1.0
    logs = [_log_marginal(counts, u, ancestral, drift[u]) for u in range(n_units)]

    def value(parts: list[np.ndarray]) -> float:
        with np.errstate(divide="ignore"):
            joint = np.log(weight)[None, :] + sum(parts)
        top = joint.max(axis=1)
        return float((top + np.log(np.exp(joint - top[:, None]).sum(axis=1))).sum())

    for _ in range(rounds):
        joint = sum(logs)
        likelihood = np.exp(joint - joint.max(axis=1, keepdims=True))
        for _ in range(50):
            share = weight * likelihood
            weight = (share / share.sum(axis=1, keepdims=True)).sum(axis=0) + 1 / GRID
            weight /= weight.sum()
        for u in range(n_units):
            best, step = value(logs), width
            while step > _FINEST:
                moved = False
                for factor in (np.exp(step), np.exp(-step)):
                    tried = float(np.clip(drift[u] * factor, *_DRIFT))
                    log = _log_marginal(counts, u, ancestral, tried)
                    found = value([*logs[:u], log, *logs[u + 1 :]])
                    if found > best:
                        best, drift[u], logs[u], moved = found, tried, log, True
                        break
                if not moved:
                    step /= 3
        width = 0.1
    return FrequencyPrior(ancestral, weight, drift)
