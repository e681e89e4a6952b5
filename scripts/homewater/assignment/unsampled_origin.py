"""Does any sampled class fit an animal at all? The test for an origin that was never sampled.

Each class is tested against the alternative that both copies come from one more unit of the same ancestry, of which
nothing is known but what the fitted prior says: the ancestral frequency as the sampled units show it, and as much drift
as theirs. The statistic is the log ratio against the class that fits best. It is at most the ratio against any other
class, whose mean and variance under that class are known: so each class bounds the chance of so large a statistic, and
the largest bound is the p value. Markers are not chosen to tell units apart; on a diagnostic panel alone an unsampled
stock looks like a mixture.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from homewater.crosses.frequency_prior import FrequencyPrior, ancestral_posterior
from homewater.crosses.likelihood import (
    ClassList,
    allele_share,
    left_out_counts,
    pair_table,
    sum_over_loci,
    two_copy_predictive,
    with_error,
)
from homewater.crosses.odds import counts_by_unit
from homewater.tables.kept_animals import evenly_spaced

MIN_TYPED = 50  # below this the normal approximation of the score is poor, and nothing is excluded


def exclusion_markers(thinned: np.ndarray, panel: np.ndarray, n: int) -> np.ndarray:
    """Return markers for the test, evenly along the thinned list, none from the panel.

    Args:
        thinned: bool (n_markers,), kept markers that linkage thinning left, in genome order.
        panel: int (n_panel,), indices of the panel's markers.
        n: markers wanted.

    Returns:
        int64 (at most n,).
    """
    return evenly_spaced(np.setdiff1d(np.flatnonzero(thinned), panel), n).astype(np.int64)


def shared_rates(settings: dict, n_exclusion: int) -> tuple[float, float]:
    """Return the share of locals that may exceed the cut-off, and the level of this test: together the rate chosen.

    Args:
        settings: the study file's `assignment`.
        n_exclusion: markers of this test; below MIN_TYPED it is not made, and the cut-off has the whole rate.
    """
    level = min(settings["exclusion_level"], settings["false_flag_rate"] / 2) if n_exclusion >= MIN_TYPED else 0.0
    return settings["false_flag_rate"] - level, level


def stranger_table(alternate: np.ndarray, copies: np.ndarray, error: float, prior: FrequencyPrior) -> np.ndarray:
    """Return the chance of each called dosage in an animal of a unit that was never sampled.

    Args:
        alternate: (n_loci, n_units), alternate copies counted.
        copies: (n_loci, n_units), all copies counted.
        error: chance that a called genotype is wrong.
        prior: fitted prior; the stranger's drift is the mean of the units' own.

    Returns:
        float64 (n_loci, 3).
    """
    drift = float(prior.drift.mean())
    c = (1 - drift) / drift
    within = two_copy_predictive(c * prior.ancestral, c * (1 - prior.ancestral))
    return with_error(ancestral_posterior(alternate, copies, prior) @ within, error)


def ratio_tables(
    alternate: np.ndarray, copies: np.ndarray, classes: ClassList, error: float, prior: FrequencyPrior
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return what each dosage adds to the log ratio of a stranger against each class, and what the class foresees.

    Args:
        alternate: (n_loci, n_units), alternate copies counted.
        copies: (n_loci, n_units), all copies counted.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.
        prior: fitted prior.

    Returns:
        ratio float64 (n_loci, 3, n_classes); its mean and its variance under the class, float64 (n_loci, n_classes);
        slope float64 (n_loci, n_classes), by how much the mean rises per unit of drift within a sampled unit.
    """
    table = pair_table(alternate, copies, prior) @ classes.weights
    expected, share = with_error(table, error), allele_share(table)
    ratio = np.log(stranger_table(alternate, copies, error, prior))[:, :, None] - np.log(expected)
    mean = (expected * ratio).sum(axis=1)
    shift = (1 - 1.5 * error) * (share * (1 - share))[:, None, :] * np.array([1.0, -2.0, 1.0])[None, :, None]
    variance = (expected * (ratio - mean[:, None]) ** 2).sum(axis=1)
    return ratio, mean, variance, (shift * ratio).sum(axis=1)


def exclusion_scores(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    alternate: np.ndarray,
    copies: np.ndarray,
    classes: ClassList,
    error: float,
    drift: np.ndarray,
    prior: FrequencyPrior,
) -> tuple[np.ndarray, np.ndarray]:
    """Return by how many standard deviations the log ratio of each animal exceeds what each class foresees.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none. It is taken out first.
        alternate: (n_loci, n_units), alternate copies counted.
        copies: (n_loci, n_units), all copies counted.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.
        drift: (n_units,), F_ST among the sites of each unit: what that much adds is foreseen.
        prior: fitted prior.

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
        tables = np.empty((4, len(alternate), 3, len(classes.kind)))
        for dosage in range(3):
            left = (alternate, copies) if unit < 0 else left_out_counts(alternate, copies, unit, dosage)
            ratio, mean, variance, slope = ratio_tables(*left, classes, error, prior)
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
    return max(0.0, float(middle)), max(1.0, float((high - low) / 1.3489795003921634))


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
    counted = counts_by_unit(dosages, counted_in, classes.n_units)
    own, best = exclusion_scores(dosages, counted_in, *counted, classes, error, drift, prior)
    centre, scale = excess_scatter(own, counted_in)
    return exclusion_p(best, centre, scale), {"n_markers": dosages.shape[1], "centre": centre, "scale": scale}
