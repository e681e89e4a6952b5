"""Does any sampled class fit an animal at all? The test for an origin that was never sampled.

The alternative is a stranger: both copies come from one more unit, of which only the fitted prior tells anything. Its
ancestral frequency is as the sampled units show it, and it drifted as much as they did.

The statistic is the log ratio of the stranger against the class that fits best. It is at most the ratio against any
other class, and the mean and variance of that ratio in animals of the class are known. So each class gives a bound on
the chance of so large a statistic, and the largest of these bounds is the p value.

The markers are not those of the panel: at markers chosen to tell two units apart, an unsampled stock looks like a
mixture of them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from homewater.crosses.flag_rates import MIN_TYPED
from homewater.crosses.frequency_prior import FrequencyPrior, ancestral_posterior
from homewater.crosses.likelihood import (
    ClassList,
    KnownUnits,
    allele_share,
    left_out_counts,
    pair_table,
    sum_over_loci,
    two_copy_predictive,
    with_error,
)
from homewater.crosses.odds import counts_by_unit

QUARTILES_OF_NORMAL = 1.3489795003921634  # from the lower to the upper quartile, in standard deviations


def stranger_table(known: KnownUnits) -> np.ndarray:
    """Return the chance of each called dosage in an animal of a unit that was never sampled.

    Args:
        known: what is known of the sampled units, with a fitted prior; the stranger's drift is the mean of theirs.

    Returns:
        float64 (n_loci, 3).
    """
    prior = known.prior
    drift = float(prior.drift.mean())
    c = (1 - drift) / drift
    within = two_copy_predictive(c * prior.ancestral, c * (1 - prior.ancestral))
    return with_error(ancestral_posterior(known.counts, prior) @ within, known.error)


def ratio_tables(known: KnownUnits, classes: ClassList) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return what each dosage adds to the log ratio of a stranger against each class, and what the class foresees.

    Args:
        known: what is known of the units, with a fitted prior.
        classes: from `class_list`.

    Returns:
        ratio float64 (n_loci, 3, n_classes); its mean and its variance under the class, float64 (n_loci, n_classes);
        slope float64 (n_loci, n_classes), by how much the mean rises per unit of drift within a sampled unit.
    """
    table = pair_table(known.counts, known.prior) @ classes.weights
    expected, share = with_error(table, known.error), allele_share(table)
    ratio = np.log(stranger_table(known))[:, :, None] - np.log(expected)
    mean = (expected * ratio).sum(axis=1)
    shift = (1 - 1.5 * known.error) * (share * (1 - share))[:, None, :] * np.array([1.0, -2.0, 1.0])[None, :, None]
    variance = (expected * (ratio - mean[:, None]) ** 2).sum(axis=1)
    return ratio, mean, variance, (shift * ratio).sum(axis=1)


def exclusion_scores(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    known: KnownUnits,
    drift: np.ndarray,
    classes: ClassList,
) -> tuple[np.ndarray, np.ndarray]:
    """Return by how many standard deviations the log ratio of each animal exceeds what each class foresees.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none. It is taken out first.
        known: what is known of the units, with a fitted prior.
        drift: (n_units,), F_ST among the sites of each unit: what that much adds is foreseen.
        classes: from `class_list`.

    Returns:
        own float64 (n_animals, n_classes), of the ratio against that class; best float64 (n_animals, n_classes), of the
        ratio against the class that fits best, which is at most as large. NaN where fewer than MIN_TYPED are typed.
    """
    foreseen = np.maximum(drift[classes.unit_a], drift[classes.unit_b])
    own, best = np.full((2, len(dosages), len(classes.kind)), np.nan)
    typed = (dosages >= 0).sum(axis=1)
    for unit in range(-1, classes.n_units):
        rows = np.flatnonzero((counted_in == unit) & (typed >= MIN_TYPED))
        if not len(rows):
            continue
        tables = np.empty((4, known.n_loci, 3, len(classes.kind)))
        for dosage in range(3):
            left = known.counts if unit < 0 else left_out_counts(known.counts, unit, dosage)
            ratio, mean, variance, slope = ratio_tables(replace(known, counts=left), classes)
            tables[:, :, dosage] = ratio[:, dosage], mean, variance, slope
        ratio, mean, variance, slope = (sum_over_loci(dosages[rows], table) for table in tables)
        mean += foreseen * slope
        own[rows] = (ratio - mean) / np.sqrt(variance)
        best[rows] = (ratio.min(axis=1, keepdims=True) - mean) / np.sqrt(variance)
    return own, best


def excess_scatter(own: np.ndarray, unit: np.ndarray) -> tuple[float, float]:
    """Return the centre and scale of the scores of baseline animals in their own unit, never below 0 and 1.

    What the model leaves out (inbreeding, a little linkage) shows here; robust figures, since some may be strangers.

    Args:
        own: (n_animals, n_classes), from `exclusion_scores`, pure classes first.
        unit: int (n_animals,), the animals' own unit; -1 is left out.
    """
    rows = np.flatnonzero(unit >= 0)
    found = own[rows, unit[rows]]
    found = found[~np.isnan(found)]
    if len(found) < 20:
        return 0.0, 1.0
    low, middle, high = np.quantile(found, [0.25, 0.5, 0.75])
    return max(0.0, float(middle)), max(1.0, float((high - low) / QUARTILES_OF_NORMAL))


def exclusion_p(best: np.ndarray, centre: float = 0.0, scale: float = 1.0) -> np.ndarray:
    """Return the largest chance that any class gives to a fit as poor or poorer; NaN where the test was not made.

    Args:
        best: (n_animals, n_classes), from `exclusion_scores`.
        centre: from `excess_scatter`.
        scale: from `excess_scatter`.
    """
    if not best.shape[1]:
        return np.full(len(best), np.nan)
    return ndtr(-(best.min(axis=1) - centre) / scale)


def exclusion_test(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    drift: np.ndarray,
    classes: ClassList,
    error: float,
    prior: FrequencyPrior,
) -> tuple[np.ndarray, dict]:
    """Return the test for an unsampled origin of every animal, and what it was made with.

    Args:
        dosages: int8 (n_animals, n_loci), on markers not chosen for discrimination, MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none.
        drift: (n_units,), F_ST among the sites of each unit.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.
        prior: fitted prior.

    Returns:
        p float64 (n_animals,), NaN where the test was not made; {n_markers, centre, scale}.
    """
    known = KnownUnits(counts_by_unit(dosages, counted_in, classes.n_units), error, prior)
    own, best = exclusion_scores(dosages, counted_in, known, drift, classes)
    centre, scale = excess_scatter(own, counted_in)
    return exclusion_p(best, centre, scale), {"n_markers": dosages.shape[1], "centre": centre, "scale": scale}
