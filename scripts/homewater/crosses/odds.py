"""From likelihoods towards verdicts: the ratio against the local unit, its cut-off, and the prior over classes.

The verdict itself, which sets these against one another, stands with the assignment (`assignment.verdict`).
"""

from __future__ import annotations

import numpy as np

from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import (
    CLASSES,
    ClassList,
    KnownUnits,
    class_list,
    log_likelihoods_left_out,
    posterior,
)
from homewater.statistics.allele_counts import AlleleCounts


def local_ratio(log_likelihood: np.ndarray, local: np.ndarray) -> np.ndarray:
    """Return how much better the best class that is not local explains each animal than its local unit does.

    Args:
        log_likelihood: (n_animals, ..., n_classes), pure classes first.
        local: int (n_animals,), local unit; -1 if there is none.

    Returns:
        float64 (n_animals, ...), natural logarithm of the ratio; NaN without a local unit.
    """
    ratio = np.full(log_likelihood.shape[:-1], np.nan)
    for unit in np.unique(local[local >= 0]):
        rows = local == unit
        here = log_likelihood[rows]
        ratio[rows] = np.delete(here, unit, axis=-1).max(axis=-1) - here[..., unit]
    return ratio


def cutoff(null_ratios: np.ndarray, rate: float) -> float:
    """Return the ratio that a further local exceeds with a chance of at most `rate`, and at least log 10.

    The k-th largest of N ratios, with k the integer part of rate x (N + 1), is exceeded by the next draw with chance
    k / (N + 1); with k = 0 too few were drawn, and the largest is taken.

    Args:
        null_ratios: (n,), log ratios of simulated locals.
        rate: highest share of locals to be flagged.
    """
    k = max(1, int(rate * (len(null_ratios) + 1)))
    return float(max(np.log(10.0), np.partition(null_ratios, len(null_ratios) - k)[len(null_ratios) - k]))


#: Prior share of each class where the local unit is known: most animals are local, and none of the others is favoured
#: much. The shares of the other units, where there are several, are equal.
CLASS_PRIOR = {
    "pure_a": 0.80,
    "pure_b": 0.04,
    "F1": 0.04,
    "F2": 0.02,
    "backcross_a": 0.04,
    "backcross_b": 0.02,
    "second_backcross_a": 0.03,
    "second_backcross_b": 0.01,
}
FOREIGN_MIX_PRIOR = 0.01  # all mixed classes between two units neither of which is local


def pair_prior() -> np.ndarray:
    """Return float64 (8,), the prior over CLASSES for one pair of units."""
    return np.array([CLASS_PRIOR[name] for name in CLASSES])


def class_prior(classes: ClassList, local: int) -> np.ndarray:
    """Return the prior over all classes.

    Args:
        classes: from `class_list`.
        local: the local unit; -1 if there is none, and then pure units share 0.9 and mixed classes 0.1.

    Returns:
        float64 (n_classes,), sums to 1.
    """
    n_units, pure = classes.n_units, classes.is_pure
    if local < 0:
        mixed = max(1, int((~pure).sum()))
        prior = np.where(pure, 0.9 / n_units, 0.1 / mixed)
        return prior / prior.sum()
    prior = np.zeros(len(pure))
    others = [u for u in range(n_units) if u != local]
    for other in others:
        prior[classes.of_pair(local, other)[1:]] = pair_prior()[1:] / len(others)
    prior[local] = CLASS_PRIOR["pure_a"]
    foreign = ~pure & (classes.unit_a != local) & (classes.unit_b != local)
    if foreign.any():
        prior[foreign] = FOREIGN_MIX_PRIOR / foreign.sum()
    return prior / prior.sum()


def counts_by_unit(dosages: np.ndarray, unit: np.ndarray, n_units: int) -> AlleleCounts:
    """Return the alleles counted in each unit.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        unit: int (n_animals,), unit of each animal; -1 is not counted.
        n_units: number of units.

    Returns:
        float64 (n_loci, n_units).
    """
    members = [dosages[unit == u] for u in range(n_units)]
    alternate = np.stack([np.maximum(d, 0).sum(axis=0, dtype=np.int64) for d in members], axis=1)
    copies = np.stack([2 * (d >= 0).sum(axis=0) for d in members], axis=1)
    return AlleleCounts(alternate.astype(float), copies.astype(float))


def recently_foreign(
    dosages: np.ndarray,
    unit: np.ndarray,
    n_units: int,
    error: float,
    rate: float,
    prior: FrequencyPrior | None = None,
) -> np.ndarray:
    """Return which animals of the units' own baseline carry recent ancestry of another unit.

    Each animal is taken out of its unit and then compared with it. The ratio of likelihoods of a true local exceeds
    1 / `rate` under one alternative with a chance of at most `rate` (Markov's inequality), so no simulation is needed.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        unit: int (n_animals,), unit of each animal; -1 is neither counted nor judged.
        n_units: number of units.
        error: chance that a called genotype is wrong.
        rate: highest share of true locals, for each alternative, that may be called foreign.
        prior: fitted prior; Dirichlet(1/2, 1/2) by default.

    Returns:
        bool (n_animals,).
    """
    classes = class_list(n_units)
    known = KnownUnits(counts_by_unit(dosages, unit, n_units), error, prior)
    ratio = local_ratio(log_likelihoods_left_out(dosages, unit, known, classes), unit)
    return (unit >= 0) & (np.nan_to_num(ratio, nan=-np.inf) > -np.log(rate))


def other_units(log_likelihood: np.ndarray, unit_a: np.ndarray, classes: ClassList) -> np.ndarray:
    """Return the unit that best explains what in each animal is not of `unit_a`.

    Args:
        log_likelihood: (n_animals, n_classes).
        unit_a: int (n_animals,), -1 gives -1.
        classes: from `class_list`.

    Returns:
        int64 (n_animals,).
    """
    other = np.full(len(unit_a), -1, dtype=np.int64)
    with np.errstate(divide="ignore"):
        weight = np.log(pair_prior())[1:]
    for a in np.unique(unit_a[unit_a >= 0]):
        rows = np.flatnonzero(unit_a == a)
        units = [u for u in range(classes.n_units) if u != a]
        if units:
            score = [
                np.logaddexp.reduce(log_likelihood[rows][:, classes.of_pair(a, b)[1:]] + weight, axis=1) for b in units
            ]
            other[rows] = np.array(units)[np.argmax(score, axis=0)]
    return other


def pair_log_likelihoods(
    log_likelihood: np.ndarray, unit_a: np.ndarray, unit_b: np.ndarray, classes: ClassList
) -> np.ndarray:
    """Return float64 (n_animals, 8): log likelihood of CLASSES for each animal's own pair of units; NaN without one.

    Args:
        log_likelihood: (n_animals, n_classes), under every class.
        unit_a: int (n_animals,), first unit of the pair; -1 for none.
        unit_b: int (n_animals,), second unit of the pair; -1 for none.
        classes: from `class_list`.
    """
    out = np.full((len(unit_a), len(CLASSES)), np.nan)
    for a, b in sorted({(int(a), int(b)) for a, b in zip(unit_a, unit_b, strict=True) if a >= 0 and b >= 0}):
        rows = (unit_a == a) & (unit_b == b)
        out[rows] = log_likelihood[rows][:, classes.of_pair(a, b)]
    return out


def class_posterior(pair_log_likelihood: np.ndarray) -> np.ndarray:
    """Return float64 (n_animals, 8): posterior over CLASSES under `pair_prior`; NaN rows stay NaN.

    Args:
        pair_log_likelihood: (n_animals, 8), from `pair_log_likelihoods`.
    """
    out = np.full(pair_log_likelihood.shape, np.nan)
    known = ~np.isnan(pair_log_likelihood).any(axis=1)
    if known.any():
        out[known] = posterior(pair_log_likelihood[known], pair_prior())
    return out
