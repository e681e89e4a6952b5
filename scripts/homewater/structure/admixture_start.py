"""Where fits of shared ancestry start: animals grouped by k-means on the axes along which they differ most."""

from __future__ import annotations

import numpy as np

from homewater.structure.relationship import BLOCK, leading_axes, relationship_matrix

RESTARTS = 10
MAX_PASSES = 100
OWN_SHARE = 0.9  # a start at exactly 0 or 1 would leave other groups no likelihood to climb


def animal_axes(by_animal: np.ndarray, n_axes: int) -> np.ndarray:
    """Return the coordinates of animals on their leading axes.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        n_axes: axes wanted.

    Returns:
        float64 (n_animals, n_found), n_found at most n_axes.
    """
    blocks = (by_animal[:, i : i + BLOCK].T for i in range(0, by_animal.shape[1], BLOCK))
    values, vectors = leading_axes(relationship_matrix(blocks, np.ones(len(by_animal), dtype=bool)), n_axes)
    return vectors * np.sqrt(values)


def start_shares(axes: np.ndarray, k: int, draw: np.random.Generator, first: bool) -> np.ndarray:
    """Return shares from which a fit with k groups starts.

    Args:
        axes: float64 (n_animals, n_axes), from `animal_axes`; the first k - 1 are used.
        k: groups.
        draw: generator of this start.
        first: True for the best of RESTARTS groupings; False for one grouping blurred by random shares, so that later
            starts begin elsewhere.

    Returns:
        float64 (n_animals, k), rows sum to 1.
    """
    if k == 1 or len(axes) == 0:
        return np.full((len(axes), k), 1.0 / k)
    points = axes[:, : k - 1]
    group = min((k_means(points, k, draw) for _ in range(RESTARTS if first else 1)), key=lambda found: found[1])[0]
    shares = np.full((len(axes), k), (1 - OWN_SHARE) / k)
    shares[np.arange(len(axes)), group] += OWN_SHARE
    if not first:
        shares = (shares + draw.dirichlet(np.ones(k), len(axes))) / 2
    return shares


def k_means(points: np.ndarray, k: int, draw: np.random.Generator) -> tuple[np.ndarray, float]:
    """Return the group of each point and the sum of squared distances to the group means.

    Args:
        points: float64 (n, n_axes).
        k: groups; some stay empty where there are fewer different points.
        draw: generator of the first centres, drawn by squared distance to those drawn before.

    Source: Lloyd (1982) IEEE Trans Inf Theory 28:129-137; first centres after Arthur & Vassilvitskii (2007) SODA.
    """
    centres = points[[int(draw.integers(len(points)))]]
    for _ in range(1, k):
        distance = _squared(points, centres).min(axis=1)
        chance = np.cumsum(distance)
        # searching the running sum keeps the draw the same on every machine
        pick = int(np.searchsorted(chance, draw.random() * chance[-1])) if chance[-1] > 0 else 0
        centres = np.concatenate([centres, points[[min(pick, len(points) - 1)]]])
    group = np.full(len(points), -1)
    for _ in range(MAX_PASSES):
        distance = _squared(points, centres)
        nearest = distance.argmin(axis=1)
        if (nearest == group).all():
            break
        group = nearest
        for g in range(k):
            if (group == g).any():
                centres[g] = points[group == g].mean(axis=0)
    return group, float(_squared(points, centres)[np.arange(len(points)), group].sum())


def _squared(points: np.ndarray, centres: np.ndarray) -> np.ndarray:
    return ((points[:, None, :] - centres[None, :, :]) ** 2).sum(axis=2)
