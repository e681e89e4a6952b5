"""Whether an axis of difference among animals is beyond chance: found on half of the genome, looked for on the other.

In one random-mating population chromosomes are inherited independently of one another. Animals that are alike on some
chromosomes are then no more alike than others on the rest. This holds however long the stretches are that are inherited
whole.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.linalg import eigsh

LEVEL = 0.05  # at which an axis counts as beyond chance
PERMUTATIONS = 999
ROUNDS = 10  # in which the diagonal is filled in
MIN_ANIMALS = 6  # 720 orders; with fewer, no order is rare enough


def genome_halves(chrom: np.ndarray) -> np.ndarray:
    """Return which half of the genome each marker belongs to, bool (n_markers,).

    No chromosome is divided: the largest are laid first, each on the smaller half. One chromosome alone is cut in its
    middle, where the halves are linked.

    Args:
        chrom: (n_markers,) chromosome names, markers in genome order.
    """
    names, code, sizes = np.unique(np.asarray(chrom, dtype=str), return_inverse=True, return_counts=True)
    if names.size < 2:
        return np.arange(len(chrom)) >= len(chrom) / 2
    held, second = [0, 0], np.zeros(names.size, dtype=bool)
    for one in np.argsort(-sizes, kind="stable"):
        second[one] = held[1] < held[0]
        held[int(second[one])] += int(sizes[one])
    return second[code]


def axis_p_values(halves: tuple[np.ndarray, np.ndarray], n_axes: int, draw: np.random.Generator) -> np.ndarray:
    """Return the p value of each leading axis against chance, one after the other until one fails.

    An axis is found on one half of the genome. The statistic is how much the animals differ along it on the other half;
    both directions are added. An animal's likeness to itself is left out, for it tells inbreeding and not likeness to
    others. Without structure the animals of one half may be put in any order, and every order is as likely as the one
    seen. So p = (b + 1) / (m + 1) over random orders is exact. Axes of the whole genome that were found before are
    taken out of both halves first. Kin are alike on all chromosomes and make axes of their own.

    Args:
        halves: two float64 (n, n), covariances of the animals that make the axes on either half of the genome, centred.
        n_axes: axes wanted; at most n - 1 come back.
        draw: generator of the orders.

    Returns:
        float64 (n_axes or fewer,); NaN after the first axis with p at LEVEL or above, and everywhere with fewer than
        MIN_ANIMALS.

    Source: permutation tests of association between two distance matrices, Mantel (1967) Cancer Res 27:209-220; here
        what is permuted are animals, which are exchangeable without structure.
    """
    n = len(halves[0])
    out = np.full(max(0, min(n_axes, n - 1)), np.nan)
    if n < MIN_ANIMALS:
        return out
    constant = np.full((n, 1), n**-0.5)
    whole = halves[0] + halves[1]
    for k in range(out.size):
        removed = np.column_stack([constant, _axes_of_likeness(whole, constant, k)])
        one, other = (_without(_likeness(half, lambda _, v=removed: v), removed) for half in halves)
        if not (one.any() and other.any()):
            break
        first, second = _axes(one, 1)[:, 0], _axes(other, 1)[:, 0]
        # the same orders serve both directions: moving the animals of one half is moving those of the other back
        orders = np.stack([np.arange(n), *(draw.permutation(n) for _ in range(PERMUTATIONS))], axis=1)
        backward = np.argsort(orders, axis=0)
        axes = first[orders], second[backward]
        # Some groups drifted further than others, and some animals are noisier. An order that lays the axis on noisy
        # animals would have a large sum by noise alone. So each sum is divided by its own standard error.
        sizes = (_along(other, axes[0]) + _along(one, axes[1])) / np.sqrt(
            _along(other**2, axes[0] ** 2) + _along(one**2, axes[1] ** 2)
        )
        out[k] = (sizes >= sizes[0] - 1e-9).sum() / (PERMUTATIONS + 1)  # the order as it is counts too
        if not out[k] < LEVEL:
            break
    return out


def axes_beyond_chance(p_values: np.ndarray) -> np.ndarray:
    """Return bool (n_axes,): axes below LEVEL, which by the order of testing are the leading ones."""
    return np.nan_to_num(p_values, nan=1.0) < LEVEL


def _likeness(covariance: np.ndarray, axes_of) -> np.ndarray:
    """Return a covariance with its diagonal filled in: what some axes explain of it, and nothing else.

    The diagonal as measured holds each animal's covariance with itself. Groups differ in that, by inbreeding for one,
    and centring spreads it over the other entries of both halves, where it would look like likeness. A diagonal of
    zeros would do the same. So the diagonal is filled with what the axes say it should be, and the axes are found
    again. `axes_of` gives the axes, float64 (n, k), of the matrix so far.

    Source: Zhang, Cai & Wu (2022) Ann Stat 50:53-80, algorithm 1.
    """
    out = covariance.copy()
    np.fill_diagonal(out, 0.0)
    for _ in range(ROUNDS):
        axes = axes_of(out)
        explained = axes.T @ out @ axes
        np.fill_diagonal(out, ((axes @ explained) * axes).sum(axis=1))
    return out


def _axes_of_likeness(covariance: np.ndarray, constant: np.ndarray, k: int) -> np.ndarray:
    """Return the k leading axes of a covariance, its diagonal apart, float64 (n, k)."""
    if not k:
        return np.empty((len(covariance), 0))

    def leading(matrix: np.ndarray) -> np.ndarray:
        return np.column_stack([constant, _axes(_without(matrix, constant), k)])

    return leading(_likeness(covariance, leading))[:, 1:]


def _without(matrix: np.ndarray, axes: np.ndarray) -> np.ndarray:
    """Return a symmetric matrix with some directions taken out; the axes are orthonormal."""
    left = matrix - axes @ (axes.T @ matrix)
    return left - (left @ axes) @ axes.T


def _axes(matrix: np.ndarray, k: int) -> np.ndarray:
    """Return the eigenvectors of the k largest eigenvalues; the iteration starts from the data, so it ends alike."""
    start = matrix[:, np.abs(matrix).sum(axis=0).argmax()]
    if not start.any():
        return np.zeros((len(matrix), k))
    return eigsh(matrix, k=k, which="LA", v0=start, tol=1e-9)[1]


def _along(matrix: np.ndarray, axes: np.ndarray) -> np.ndarray:
    return (axes * (matrix @ axes)).sum(axis=0)
