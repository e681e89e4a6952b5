"""Whether an axis of difference among animals is beyond chance: found on half of the genome, looked for on the other.

In one random-mating population chromosomes are inherited independently of one another. Animals that are alike on some
chromosomes are then no more alike than others on the rest. This holds however long the stretches are that are inherited
whole.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.linalg import eigsh

from homewater.structure.relationship import pair_means

LEVEL = 0.05  # at which an axis counts as beyond chance
PERMUTATIONS = 999
ROUNDS = 10  # in which the diagonal is filled in
QUARTERS = 4  # parts of the genome, from which halves are made
# the parts of the second half in every way to halve the genome, by number of parts
SECOND_HALVES = {2: [[1]], 3: [[0], [1], [2]], QUARTERS: [[2, 3], [1, 3], [1, 2]]}
MIN_ANIMALS = 6  # 720 orders; with fewer, no order is rare enough


def genome_groups(chrom: np.ndarray) -> np.ndarray:
    """Return the part of the genome to which each marker belongs, int64 (n_markers,), numbered from 0.

    No chromosome is divided: the largest are laid first, each on the smallest part. With QUARTERS chromosomes or fewer
    each is a part. One chromosome alone is cut in its middle, where the halves are linked.

    Args:
        chrom: (n_markers,) chromosome names, markers in genome order.
    """
    names, code, sizes = np.unique(np.asarray(chrom, dtype=str), return_inverse=True, return_counts=True)
    if names.size < 2:
        return (np.arange(len(chrom)) >= len(chrom) / 2).astype(np.int64)
    held, group = [0] * min(names.size, QUARTERS), np.zeros(names.size, dtype=np.int64)
    for one in np.argsort(-sizes, kind="stable"):
        group[one] = int(np.argmin(held))
        held[group[one]] += int(sizes[one])
    return group[code]


def genome_halves(parts: list[tuple[np.ndarray, np.ndarray]]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return the covariances of the animals on either half of the genome, for every way to halve it.

    Four parts are paired in three ways; of three, each stands against the other two; two are the halves.

    Args:
        parts: for each part of the genome, sums and numbers of markers as `relationship.pair_sums` gives them.
    """
    return [
        tuple(
            pair_means(*(sum(of) for of in zip(*(parts[k] for k in half), strict=True)))
            for half in (sorted(set(range(len(parts))) - set(second)), second)
        )
        for second in SECOND_HALVES[len(parts)]
    ]


def axis_p_values(splits: list[tuple[np.ndarray, np.ndarray]], n_axes: int, draw: np.random.Generator) -> np.ndarray:
    """Return the p value of each leading axis against chance, one after the other until one fails.

    An axis is found on one half of the genome. The statistic is how much the animals differ along it on the other half;
    both directions are added. An animal's likeness to itself is left out, for it tells inbreeding and not likeness to
    others. Without structure the animals of one half may be put in any order, and every order is as likely as the one
    seen. So p = (b + 1) / (m + 1) over random orders is exact. Axes of the whole genome that were found before are
    taken out of both halves first. Kin are alike on all chromosomes and make axes of their own.

    One way to halve a genome is a lottery: what is there by chance shows in one way and not in the next. So the genome
    is halved in three ways, and most of them must tell of an axis: p is that of the way in the middle, times 3/2.

    Args:
        splits: for every way to halve the genome, two float64 (n, n), covariances of the animals that make the axes on
            either half, centred.
        n_axes: axes wanted; at most n - 1 come back.
        draw: generator of the orders.

    Returns:
        float64 (n_axes or fewer,); NaN after the first axis with p at LEVEL or above, and everywhere with fewer than
        MIN_ANIMALS.

    Source: permutation tests of association between two distance matrices, Mantel (1967) Cancer Res 27:209-220; here
        what is permuted are animals, which are exchangeable without structure. The k-th smallest of n p values that
        depend on each other, times n / k, is a p value: Rüger (1978) Metrika 25:171-178 (from memory; it follows from
        Markov's inequality on the number of p values at or below a limit).
    """
    n, k = len(splits[0][0]), len(splits) // 2
    out = np.full(max(0, min(n_axes, n - 1)), np.nan)
    if n < MIN_ANIMALS:
        return out
    constant = np.full((n, 1), n**-0.5)
    whole = splits[0][0] + splits[0][1]  # any way to halve the genome gives it, but for the weights of the halves
    for axis in range(out.size):
        removed = np.column_stack([constant, _axes_of_likeness(whole, constant, axis)])
        told = [_axis_p(halves, removed, draw) for halves in splits]
        if np.isnan(told).any():
            break
        out[axis] = min(1.0, sorted(told)[k] * len(splits) / (k + 1))
        if not out[axis] < LEVEL:
            break
    return out


def _axis_p(halves: tuple[np.ndarray, np.ndarray], removed: np.ndarray, draw: np.random.Generator) -> float:
    """Return the p value of one axis for one way to halve the genome; NaN where nothing is left of a half.

    Args:
        halves: as in `axis_p_values`.
        removed: float64 (n, k), the constant and the axes found before, orthonormal; they are taken out first.
        draw: as in `axis_p_values`.
    """
    n = len(halves[0])
    one, other = (_without(_likeness(half, lambda _: removed), removed) for half in halves)
    if not (one.any() and other.any()):
        return float("nan")
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
    return float((sizes >= sizes[0] - 1e-9).sum() / (PERMUTATIONS + 1))  # the order as it is counts too


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
