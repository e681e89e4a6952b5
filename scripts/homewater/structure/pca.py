"""Principal components of the animals that define units; all others are projected onto their axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.structure.axis_test import axes_beyond_chance, axis_p_values, genome_groups, genome_halves
from homewater.structure.relationship import BLOCK, leading_axes, pair_means, pair_sums

HOLD_OUT_FOLDS = 5


@dataclass(frozen=True)
class Axes:
    """Result of `principal_axes`.

    Attributes:
        scores: float64 (n_animals, n_axes), NaN for an animal without typed markers in common with the defining ones.
        eigenvalues: float64 (n_axes,), falling; all above 0.
        shares: float64 (n_axes,), part of the variance among defining animals.
        shrinkage: float64 (n_axes,), slope of held-out on in-sample scores; 1: projected animals lie where their like
            lie, near 0: the axis says nothing about animals that did not make it.
    """

    scores: np.ndarray
    eigenvalues: np.ndarray
    shares: np.ndarray
    shrinkage: np.ndarray


@dataclass(frozen=True)
class AxisTables:
    """The axes of a species as they are written.

    Attributes:
        scores: table pca, one row an animal.
        axes: table pca_axes, one row an axis.
    """

    scores: pd.DataFrame
    axes: pd.DataFrame


def species_axes(species: OpenedSpecies, n_axes: int, draw: np.random.Generator) -> AxisTables:
    """Return the axes along which the animals that define units differ, and where every animal lies on them.

    Args:
        species: genotypes, animals and markers; the thinned markers are used.
        n_axes: axes wanted.
        draw: generator of the test of each axis.
    """
    animals, store = species.kept, species.store
    thinned = np.flatnonzero(species.thinned_markers)
    group = genome_groups(species.markers["chrom"].to_numpy()[thinned])
    defining = animals["defines"].to_numpy()
    sums = []
    for part in range(1 + max(1, group.max(initial=0))):
        used = np.isin(np.arange(store.n_markers), thinned[group == part])
        sums.append(pair_sums((dosages for _, dosages in store.blocks(used, species.place, BLOCK)), defining))
    found = principal_axes(pair_means(*(sum(of) for of in zip(*sums, strict=True))), defining, n_axes)
    ours = np.ix_(defining, defining)
    splits = genome_halves([(total[ours], shared[ours]) for total, shared in sums])
    p_values = axis_p_values(splits, n_axes, draw)
    return AxisTables(*pca_tables(animals, found, p_values, n_axes))


def principal_axes(relationship: np.ndarray, defining: np.ndarray, n_axes: int) -> Axes:
    """Return the scores of all animals on the axes of the defining ones.

    The score of a defining animal is its eigenvector entry times the square root of the eigenvalue. Another animal's
    follows from its covariances with the defining ones; for complete genotypes it is its projection. Projections lie
    closer to the origin than the animals that made the axis. `shrinkage` measures by how much: it holds out a fifth of
    the defining animals at a time.

    Args:
        relationship: float64 (n_animals, n_animals), from `relationship_matrix`.
        defining: bool (n_animals,).
        n_axes: axes wanted; fewer come back where fewer exist (at most defining animals less 1).

    Returns:
        Axes; signs such that the score of largest magnitude among defining animals is positive.
    """
    ours = np.flatnonzero(defining)
    values, vectors = leading_axes(relationship[np.ix_(ours, ours)], n_axes)
    scores = _project(relationship[:, ours], values, vectors)
    scores[ours] = vectors * np.sqrt(values)
    if len(scores) > ours.size and values.size:
        scores[~relationship[:, ours].any(axis=1)] = np.nan
    trace = np.trace(relationship[np.ix_(ours, ours)])
    shares = values / trace if values.size else values
    return Axes(scores, values, shares, _shrinkage(relationship, ours, scores[ours]))


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


def pca_tables(
    animals: pd.DataFrame, axes: Axes, p_values: np.ndarray, n_axes: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables pca (one row an animal) and pca_axes (one row an axis).

    Args:
        animals: materialSampleID, locationID, role, defines; rows as in `axes.scores`.
        axes: from `principal_axes`.
        p_values: float64, from `homewater.structure.axis_test.axis_p_values`; axes beyond its end were not tested.
        n_axes: columns written; those without an axis are empty.
    """
    table = animals[["materialSampleID", "locationID", "role"]].assign(projected=~animals["defines"].to_numpy())
    for k in range(n_axes):
        table[f"pc{k + 1}"] = axes.scores[:, k] if k < axes.scores.shape[1] else np.nan
    tested = np.full(axes.eigenvalues.size, np.nan)
    tested[: p_values.size] = p_values[: tested.size]
    summary = pd.DataFrame(
        {
            "axis": np.arange(1, axes.eigenvalues.size + 1),
            "eigenvalue": axes.eigenvalues,
            "variance_share": axes.shares,
            "projection_shrinkage": axes.shrinkage,
            "p_value": tested,
            "beyond_chance": axes_beyond_chance(tested),
        }
    )
    return table.reset_index(drop=True), summary
