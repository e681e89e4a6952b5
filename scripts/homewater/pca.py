"""Principal components of the animals that define units; all others are projected onto their axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from homewater.relationship import leading_axes

HOLD_OUT_FOLDS = 5
LEVEL = 0.05  # at which an axis counts as beyond chance
MIN_LEFT = 5  # eigenvalues; with fewer the law of the largest is not near its limit
# the Tracy-Widom law for real matrices as a gamma law moved to the left (Chiani 2014)
SHAPE, SCALE, SHIFT = 46.446, 0.186054, 9.84801
LEAST_P = 1e-10  # the far tail of the gamma law is not that of the law it stands for


@dataclass(frozen=True)
class Axes:
    """Result of `principal_axes`.

    Attributes:
        scores: float64 (n_animals, n_axes), NaN for an animal without typed markers in common with the defining ones.
        eigenvalues: float64 (n_axes,), falling; all above 0.
        shares: float64 (n_axes,), part of the variance among defining animals.
        shrinkage: float64 (n_axes,), slope of held-out on in-sample scores; 1: projected animals lie where their like
            lie, near 0: the axis says nothing about animals that did not make it.
        p_values: float64 (n_axes,), chance of so large an eigenvalue without structure beyond the axes before it; NaN
            after the first that is not below LEVEL, and where too few animals are left.
    """

    scores: np.ndarray
    eigenvalues: np.ndarray
    shares: np.ndarray
    shrinkage: np.ndarray
    p_values: np.ndarray


def principal_axes(relationship: np.ndarray, defining: np.ndarray, n_axes: int) -> Axes:
    """Return the scores of all animals on the axes of the defining ones.

    A score of a defining animal is its eigenvector entry times the square root of the eigenvalue; another animal's is
    what its covariances with them give, which for complete genotypes is its projection. Projections lie closer to the
    origin than the animals that made the axis; `shrinkage` measures by how much, holding out a fifth of them at a time.

    Args:
        relationship: float64 (n_animals, n_animals), from `relationship_matrix`.
        defining: bool (n_animals,).
        n_axes: axes wanted; fewer come back where fewer exist (at most defining animals less 1).

    Returns:
        Axes; signs such that the score of largest magnitude among defining animals is positive.
    """
    ours = np.flatnonzero(defining)
    everything, vectors = leading_axes(relationship[np.ix_(ours, ours)], len(relationship))
    values, vectors = everything[:n_axes], vectors[:, :n_axes]
    scores = _project(relationship[:, ours], values, vectors)
    scores[ours] = vectors * np.sqrt(values)
    if len(scores) > ours.size and values.size:
        scores[~relationship[:, ours].any(axis=1)] = np.nan
    trace = np.trace(relationship[np.ix_(ours, ours)])
    shares = values / trace if values.size else values
    p_values = axis_p_values(everything, ours.size, n_axes)
    return Axes(scores, values, shares, _shrinkage(relationship, ours, scores[ours]), p_values)


def axis_p_values(eigenvalues: np.ndarray, n_animals: int, n_axes: int) -> np.ndarray:
    """Return the p value of each leading axis against chance, one after the other until one fails.

    The largest eigenvalue of a covariance without structure follows the Tracy-Widom law once it is measured against the
    mean of the others and their number and that of independent markers. Linked markers count for fewer: how many comes
    from how far the eigenvalues spread. Axes found are taken out before the next is tested. Long linked blocks are not
    wholly allowed for: among single populations drawn by coalescence and thinned as here, one of 21 showed an axis with
    eight chromosomes of 50 cM, and 11 of 60 with eight of 5 cM.

    Args:
        eigenvalues: float64, all that are above 0, falling.
        n_animals: animals that made them; centred, so one eigenvalue less than animals can be above 0.
        n_axes: axes wanted; as many values come back as there are such eigenvalues, at most.

    Returns:
        float64 (at most n_axes,); NaN after the first axis with p at LEVEL or above.

    Source: Patterson, Price & Reich (2006) PLoS Genet 2:e190, equations 5 to 9; effective number of markers from the
        first two moments of a Wishart matrix's trace and squares, as their equation 10 to order 1/n_animals; Chiani
        (2014) J Multivar Anal 129:69-81 for the gamma form of the law, within 0.001 of it (constants from memory).
    """
    out = np.full(min(n_axes, eigenvalues.size), np.nan)
    for k in range(out.size):
        rest, m = eigenvalues[k:], n_animals - 1 - k
        if m < MIN_LEFT:
            break
        total, squares = rest.sum(), (rest**2).sum()
        spread = m * squares - total**2
        if not spread > 0:
            break
        markers = ((m + 2) * (m - 1) * total**2 / spread - 2) / m
        if not markers > 1:
            break
        one, other = np.sqrt(markers - 1), np.sqrt(m)
        centre = (one + other) ** 2 / markers
        width = (one + other) / markers * (1 / one + 1 / other) ** (1 / 3)
        x = (m * rest[0] / total - centre) / width
        out[k] = max(special.gammaincc(SHAPE, max(x + SHIFT, 0.0) / SCALE), LEAST_P)
        if not out[k] < LEVEL:
            break
    return out


def axes_beyond_chance(p_values: np.ndarray) -> np.ndarray:
    """Return bool (n_axes,): axes below LEVEL, which by the order of testing are the leading ones."""
    return np.nan_to_num(p_values, nan=1.0) < LEVEL


def _project(covariances: np.ndarray, values: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    return covariances @ vectors / np.sqrt(values) if values.size else np.zeros((len(covariances), 0))


def _shrinkage(relationship: np.ndarray, ours: np.ndarray, scores: np.ndarray) -> np.ndarray:
    """Slope of scores by projection on scores in the sample; axes of a fold are rotated onto those of the whole."""
    n_axes = scores.shape[1]
    if ours.size < 2 * HOLD_OUT_FOLDS or not n_axes:
        return np.full(n_axes, np.nan)
    held = np.zeros_like(scores)
    for fold in range(HOLD_OUT_FOLDS):
        out = np.arange(ours.size) % HOLD_OUT_FOLDS == fold
        rest = ours[~out]
        values, vectors = leading_axes(relationship[np.ix_(rest, rest)], n_axes)
        inside = vectors * np.sqrt(values)
        # the rotation that best lays the fold's axes on the whole's (orthogonal Procrustes)
        left, _, right = np.linalg.svd(inside.T @ scores[~out], full_matrices=False)
        held[out] = _project(relationship[np.ix_(ours[out], rest)], values, vectors) @ (left @ right)
    return (held * scores).sum(axis=0) / (scores**2).sum(axis=0)


def pca_tables(animals: pd.DataFrame, axes: Axes, n_axes: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables pca (one row an animal) and pca_axes (one row an axis).

    Args:
        animals: materialSampleID, locationID, role, defines; rows as in `axes.scores`.
        axes: from `principal_axes`.
        n_axes: columns written; those without an axis are empty.
    """
    table = animals[["materialSampleID", "locationID", "role"]].assign(projected=~animals["defines"].to_numpy())
    for k in range(n_axes):
        table[f"pc{k + 1}"] = axes.scores[:, k] if k < axes.scores.shape[1] else np.nan
    summary = pd.DataFrame(
        {
            "axis": np.arange(1, axes.eigenvalues.size + 1),
            "eigenvalue": axes.eigenvalues,
            "variance_share": axes.shares,
            "projection_shrinkage": axes.shrinkage,
            "p_value": axes.p_values,
            "beyond_chance": axes_beyond_chance(axes.p_values),
        }
    )
    return table.reset_index(drop=True), summary
