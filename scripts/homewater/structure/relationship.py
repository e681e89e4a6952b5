"""Genetic covariance of every two animals, and the axes along which they differ most.

The matrix is summed over blocks of markers, so memory grows with animals and not with markers, and the axes are exact
eigenvectors. A missing genotype is not filled in: a pair of animals is compared over the markers typed in both.
"""

from __future__ import annotations

from collections.abc import Iterable

import numba
import numpy as np

from homewater.running.two_threads import in_order

BLOCK = 2048  # markers a product; fixed, so sums are the same on any machine


def relationship_matrix(blocks: Iterable[np.ndarray], defining: np.ndarray) -> np.ndarray:
    """Return the genetic covariance of every two animals, markers scaled to unit variance under random mating.

    Args:
        blocks: int8 (n_block, n_animals) dosages, MISSING = -1, at most BLOCK markers each.
        defining: bool (n_animals,), animals whose frequencies centre and scale the markers.

    Returns:
        float64 (n_animals, n_animals), symmetric; 0 where two animals have no typed marker in common. Markers without
        variation among defining animals are left out.

    Source: Patterson, Price & Reich (2006) PLoS Genet 2:e190, equations 1 to 3, with pairwise-complete sums.
    """
    return pair_means(*pair_sums(blocks, defining))


def pair_sums(blocks: Iterable[np.ndarray], defining: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what `relationship_matrix` divides: sums over markers of products, and markers typed in both.

    Args:
        blocks: as in `relationship_matrix`.
        defining: likewise.

    Returns:
        Two float64 (n_animals, n_animals); the sums of two sets of markers add up to those of both.
    """
    n, ours = defining.size, np.flatnonzero(defining)
    total, shared = np.zeros((n, n)), np.zeros((n, n))

    def products(dosages: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        scaled, present = np.empty((2, *dosages.shape), dtype=np.float32)
        _scale(np.ascontiguousarray(dosages, dtype=np.int8), ours, scaled, present)
        return scaled.T @ scaled, present.T @ present

    for of_scaled, of_present in in_order(products, blocks):
        total += of_scaled
        shared += of_present
    return total, shared


def pair_means(total: np.ndarray, shared: np.ndarray) -> np.ndarray:
    """Return the quotient of `pair_sums`, 0 where nothing is shared."""
    return np.divide(total, shared, out=np.zeros_like(total), where=shared > 0)


@numba.njit(cache=True, nogil=True)
def _scale(dosages, ours, scaled, present):
    """Fill standardised dosages, 0 where missing, and 1 where typed; both 0 at markers without variation."""
    for m in range(dosages.shape[0]):
        typed, copies = 0, 0
        for i in ours:
            if dosages[m, i] >= 0:
                typed += 1
                copies += dosages[m, i]
        scaled[m, :], present[m, :] = 0.0, 0.0
        if copies == 0 or copies == 2 * typed:
            continue
        p = copies / (2 * typed)
        scale = np.sqrt(2 * p * (1 - p))
        for i in range(dosages.shape[1]):
            if dosages[m, i] >= 0:
                scaled[m, i] = (dosages[m, i] - 2 * p) / scale
                present[m, i] = 1.0


def leading_axes(matrix: np.ndarray, n_axes: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the leading eigenvalues, falling and above 0, and their eigenvectors, signs fixed.

    Args:
        matrix: float64 (n, n), symmetric.
        n_axes: axes wanted; at most n - 1 exist, since the animals were centred.

    Returns:
        float64 (n_found,) and float64 (n, n_found); the entry of largest magnitude of each vector is positive.
    """
    if len(matrix) < 2:
        return np.zeros(0), np.zeros((len(matrix), 0))
    values, vectors = np.linalg.eigh(matrix)
    values, vectors = values[::-1][: len(matrix) - 1], vectors[:, ::-1][:, : len(matrix) - 1]
    kept = np.flatnonzero(values > 1e-9 * max(values[0], 1e-300))[:n_axes]
    values, vectors = values[kept], vectors[:, kept]
    largest = np.abs(vectors).round(9).argmax(axis=0)  # rounded, so equal magnitudes do not depend on the last bit
    return values, vectors * np.where(vectors[largest, np.arange(kept.size)] < 0, -1.0, 1.0)
