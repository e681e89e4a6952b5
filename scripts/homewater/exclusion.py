"""Does any sampled class fit an animal at all? The test for an origin that was never sampled.

An animal of an unsampled stock carries, whatever the class it is compared with, alleles whose frequencies drifted
elsewhere: both its copies were drawn from the same shifted frequency, so that it is homozygous more often than the
class foresees. The score test for that shift (derivative of the log likelihood by drift, at no drift) is summed over
markers that were not chosen to tell units apart; on a diagnostic panel alone an unsampled stock looks like a mixture.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from homewater.class_odds import counts_by_unit
from homewater.likelihood import (
    ClassList,
    left_out_counts,
    pair_table,
    sum_over_loci,
    unit_pairs,
    with_error,
)

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
    usable = np.setdiff1d(np.flatnonzero(thinned), panel)
    if len(usable) <= n:
        return usable.astype(np.int64)
    return usable[(np.arange(n) * len(usable)) // n].astype(np.int64)


def _class_shares(alternate: np.ndarray, copies: np.ndarray, classes: ClassList, prior: float = 0.5) -> np.ndarray:
    share = (alternate + prior) / (copies + 2 * prior)
    middle = np.stack([(share[:, u] + share[:, v]) / 2 for u, v in unit_pairs(classes.n_units)], axis=1)
    return middle @ classes.weights


def score_tables(
    alternate: np.ndarray, copies: np.ndarray, classes: ClassList, error: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the score of each dosage for drift away from each class, and its variance under the class.

    Args:
        alternate: (n_loci, n_units), alternate copies counted.
        copies: (n_loci, n_units), all copies counted.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.

    Returns:
        score float64 (n_loci, 3, n_classes), mean 0 under the class; information float64 (n_loci, n_classes).
    """
    expected = with_error(pair_table(alternate, copies) @ classes.weights, error)
    share = _class_shares(alternate, copies, classes)
    shift = (1 - 1.5 * error) * (share * (1 - share))[:, None, :] * np.array([1.0, -2.0, 1.0])[None, :, None]
    return shift / expected, (shift**2 / expected).sum(axis=1)


def exclusion_scores(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    alternate: np.ndarray,
    copies: np.ndarray,
    classes: ClassList,
    error: float,
    drift: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how many standard deviations more homozygous each animal is than each class foresees.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none. It is taken out first.
        alternate: (n_loci, n_units), alternate copies counted.
        copies: (n_loci, n_units), all copies counted.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.
        drift: (n_units,), F_ST among the sites of each unit: that much shift is foreseen.

    Returns:
        z float64 (n_animals, n_classes), NaN where fewer than MIN_TYPED markers are typed; n_typed int64 (n_animals,).
    """
    foreseen = np.maximum(drift[classes.unit_a], drift[classes.unit_b])
    z = np.full((len(dosages), len(classes.kind)), np.nan)
    typed = (dosages >= 0).sum(axis=1)
    for unit in range(-1, classes.n_units):
        rows = np.flatnonzero((counted_in == unit) & (typed >= MIN_TYPED))
        if not len(rows):
            continue
        if unit < 0:
            score, information = score_tables(alternate, copies, classes, error)
            information = np.repeat(information[:, None, :], 3, axis=1)
        else:
            score = np.empty((len(alternate), 3, len(classes.kind)))
            information = np.empty_like(score)
            for dosage in range(3):
                left = score_tables(*left_out_counts(alternate, copies, unit, dosage), classes, error)
                score[:, dosage], information[:, dosage] = left[0][:, dosage], left[1]
        total = sum_over_loci(dosages[rows], information)
        z[rows] = (sum_over_loci(dosages[rows], score) - foreseen * total) / np.sqrt(total)
    return z, typed


def excess_scatter(z: np.ndarray, unit: np.ndarray) -> tuple[float, float]:
    """Return the centre and scale of the scores of baseline animals in their own unit, never below 0 and 1.

    What the model leaves out (inbreeding, a little linkage) shows here; robust figures, since some may be strangers.

    Args:
        z: (n_animals, n_classes), pure classes first.
        unit: int (n_animals,), the animals' own unit; -1 is left out.
    """
    rows = np.flatnonzero(unit >= 0)
    own = z[rows, unit[rows]]
    own = own[~np.isnan(own)]
    if len(own) < 20:
        return 0.0, 1.0
    low, middle, high = np.quantile(own, [0.25, 0.5, 0.75])
    return max(0.0, float(middle)), max(1.0, float((high - low) / 1.3489795003921634))


def exclusion_p(z: np.ndarray, centre: float = 0.0, scale: float = 1.0) -> np.ndarray:
    """Return, for the class that fits best, the chance of a fit as poor or poorer; NaN where the test was not made.

    Args:
        z: (n_animals, n_classes).
        centre: from `excess_scatter`.
        scale: from `excess_scatter`.
    """
    if not z.shape[1]:
        return np.full(len(z), np.nan)
    return ndtr(-(z.min(axis=1) - centre) / scale)


def exclusion_test(
    dosages: np.ndarray, counted_in: np.ndarray, drift: np.ndarray, classes: ClassList, error: float
) -> tuple[np.ndarray, dict]:
    """Return the test for an unsampled origin of every animal, and what it was made with.

    Args:
        dosages: int8 (n_animals, n_loci), on markers not chosen for discrimination, MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none.
        drift: (n_units,), F_ST among the sites of each unit.
        classes: from `class_list`.
        error: chance that a called genotype is wrong.

    Returns:
        p float64 (n_animals,), NaN where the test was not made; {n_markers, centre, scale}.
    """
    counted = counts_by_unit(dosages, counted_in, classes.n_units)
    z, _ = exclusion_scores(dosages, counted_in, *counted, classes, error, drift)
    centre, scale = excess_scatter(z, counted_in)
    return exclusion_p(z, centre, scale), {"n_markers": dosages.shape[1], "centre": centre, "scale": scale}
