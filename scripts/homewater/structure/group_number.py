"""How many groups the genotypes support: the number that foretells genotypes held out of the fit, and no more."""

from __future__ import annotations

import numba
import numpy as np
import pandas as pd

from homewater.running.seeds import Draws
from homewater.statistics.intervals import jackknife, ratio_leave_one_out
from homewater.structure.admixture_fit import fit
from homewater.structure.admixture_start import animal_axes, start_shares

ANIMALS_A_GROUP = 3  # fewer say nothing about a group's frequencies
MIN_ANIMALS = 10  # of a unit; with fewer nothing is said of groups inside it
FOLDS = 3  # each holds out another tenth of the genotypes
LOOK_AHEAD = 2  # numbers of groups tried beyond the best so far
MAX_ROUNDS = 20  # superfluous groups settle slowly and lose meanwhile; real ones are found at once
HELD_OUT_MARKERS = (
    5000  # the losses of neighbouring k differ by many standard errors long before this; time grows with it
)
SETTLED_PER_GENOTYPE = 2e-6  # log-likelihood; a hundredth of what a superfluous group gains


def most_groups(max_groups: int, n_animals: int) -> int:
    """Return the largest number of groups tried: as set, at most one for ANIMALS_A_GROUP animals, at least one.

    Args:
        max_groups: as set.
        n_animals: animals that make them.
    """
    return max(1, min(max_groups, n_animals // ANIMALS_A_GROUP))


def held_out_losses(
    by_animal: np.ndarray, block: np.ndarray, max_groups: int, draws: Draws
) -> tuple[np.ndarray, np.ndarray]:
    """Return the loss on genotypes that the fit did not see, summed by block of markers, for every number of groups.

    Single genotypes are held out, not animals: an animal's other genotypes tell its shares. A fit also starts from the
    genotypes that are left alone, so that it has seen nothing of what it foretells.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        block: int (n_markers,), jackknife block of each marker.
        max_groups: largest number of groups.
        draws: gives the generators of the folds and of each fit.

    Returns:
        losses float64 (n_tried, n_blocks), binomial deviance, for 1, 2, .. groups; genotypes int64 (n_blocks,), how
        many were held out. Trying ends LOOK_AHEAD numbers after the one with the least loss, or at max_groups.

    Source: Alexander & Lange (2011) BMC Bioinformatics 12:246 for holding out single genotypes.
    """
    n_blocks = int(block.max()) + 1 if block.size else 0
    part = draws("folds").integers(0, 10, by_animal.shape, dtype=np.int8)
    held_out = np.bincount(
        block, weights=((part < FOLDS) & (by_animal >= 0)).sum(axis=0, dtype=np.int64), minlength=n_blocks
    ).astype(np.int64)
    training = [np.where(part == fold, np.int8(-1), by_animal) for fold in range(FOLDS)]
    axes = [animal_axes(left, max(max_groups - 1, 1)) for left in training]
    losses: list[np.ndarray] = []
    for k in range(1, max_groups + 1):
        losses.append(np.zeros(n_blocks))
        for fold in range(FOLDS):
            draw = draws(f"fold {fold}, {k} groups")
            tolerance = SETTLED_PER_GENOTYPE * (training[fold] >= 0).sum()
            found = fit(training[fold], start_shares(axes[fold], k, draw, True), MAX_ROUNDS, tolerance)
            _add_deviance(by_animal, part == fold, found.shares, found.frequencies, block, losses[-1])
        if k > int(np.argmin([loss.sum() for loss in losses])) + LOOK_AHEAD:
            break
    return np.array(losses), held_out


def choose_number(losses: np.ndarray, held_out: np.ndarray) -> pd.DataFrame:
    """Return one row a number of groups, with the chosen one marked.

    Chosen is the smallest number whose loss exceeds the least by no more than the standard error of that excess
    (one-standard-error rule, on the paired difference; Breiman et al. 1984). One group is a candidate like any other.

    Args:
        losses: float64 (n_tried, n_blocks), from `held_out_losses`.
        held_out: int64 (n_blocks,).

    Returns:
        k, held_out_loss (mean deviance of a genotype), standard_error (jackknife over blocks), excess_loss (over the
        least), excess_standard_error, chosen.
    """
    genotypes = np.broadcast_to(held_out.astype(np.float64), losses.shape)
    estimate, without = ratio_leave_one_out(losses.T, genotypes.T)
    error = jackknife(without, estimate, held_out)
    best = int(np.nanargmin(estimate)) if np.isfinite(estimate).any() else 0
    excess = estimate - estimate[best]
    excess_error = jackknife(without - without[:, [best]], excess, held_out)
    with_error = np.where(np.isnan(excess_error), 0.0, excess_error)
    supported = np.flatnonzero(excess <= with_error)
    chosen = int(supported[0]) if supported.size else 0
    k = np.arange(1, len(losses) + 1)
    return pd.DataFrame(
        {
            "k": k,
            "held_out_loss": estimate,
            "standard_error": error,
            "excess_loss": excess,
            "excess_standard_error": excess_error,
            "held_out_genotypes": int(held_out.sum()),
            "chosen": k == chosen + 1,
        }
    )


@numba.njit(cache=True)
def _add_deviance(by_animal, out, shares, frequencies, block, total):  # pragma: no cover
    for i in range(by_animal.shape[0]):
        for j in range(by_animal.shape[1]):
            if out[i, j] and by_animal[i, j] >= 0:
                s = 0.0
                for a in range(shares.shape[1]):
                    s += shares[i, a] * frequencies[a, j]
                g = by_animal[i, j]
                if g == 0:
                    deviance = -4 * np.log(1 - s)
                elif g == 2:
                    deviance = -4 * np.log(s)
                else:
                    deviance = -2 * np.log(4 * s * (1 - s))
                total[block[j]] += deviance
