"""Maximum likelihood of shared ancestry: each animal has shares in k groups, each group has allele frequencies.

The number of alternate alleles of animal i at marker j is binomial(2, s) with s = sum over groups of q(i, c) p(c, j).
Two problems are solved in turn: frequencies for given shares, and shares for given frequencies. Each is concave in k
unknowns and is taken a Newton step further, within its bounds. No step is kept that lowers a likelihood.

Source of the model: Pritchard, Stephens & Donnelly (2000) Genetics 155:945-959; as a likelihood, Tang et al. (2005)
Genet Epidemiol 28:289-301, whose EM step is the second version in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

WIDTH = 128  # columns worked on at once: their derivatives stay in the processor's cache
TOGETHER = 4  # rows summed in one pass over the sums
SPLIT_EVERY = 16  # rows multiplied before the powers of two are taken out; their product cannot underflow
LOG_2 = float(np.log(2.0))
HALVINGS = 4
SWEEPS = 200
SETTLED = 1e-10
MEMORY = 8  # rounds from which the next start is extrapolated


@dataclass(frozen=True)
class Fit:
    """Result of `fit`.

    Attributes:
        shares: float64 (n_animals, k), rows sum to 1.
        frequencies: float64 (k, n_markers).
        log_likelihood: natural logarithm, over typed genotypes, without the binomial coefficients.
        steps: rounds made.
        converged: False where the rounds ran out.
    """

    shares: np.ndarray
    frequencies: np.ndarray
    log_likelihood: float
    steps: int
    converged: bool


def frequency_floor(n_animals: int) -> float:
    """Return the least allele frequency of a group: half a copy among all animals, below what any sample can tell.

    Args:
        n_animals: animals in the sample.
    """
    return 0.25 / max(n_animals, 1)


def fit(
    by_animal: np.ndarray, shares: np.ndarray, max_rounds: int, tolerance: float, frequencies: np.ndarray | None = None
) -> Fit:
    """Return the fit that rounds of Newton steps reach from a start.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        shares: float64 (n_animals, k), the start; rows sum to 1.
        max_rounds: most rounds made; a round renews frequencies, then shares.
        tolerance: a round that gains less log-likelihood is the last.
        frequencies: float64 (k, n_markers), where a fit is taken up again; those of the shares by default.
    """
    by_animal = np.ascontiguousarray(by_animal, dtype=np.int8)
    by_marker = np.ascontiguousarray(by_animal.T)
    floor = frequency_floor(by_animal.shape[0])
    frequencies = start_frequencies(by_animal, shares, floor) if frequencies is None else frequencies
    best, reached, rounds, converged, guessed = (shares, frequencies), -np.inf, 0, False, False
    history: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    while rounds < max_rounds and not converged:
        new_frequencies, _ = improve(by_animal, shares, frequencies, floor)
        turned, values = improve(by_marker, np.ascontiguousarray(new_frequencies.T), np.ascontiguousarray(shares.T))
        new_shares, total = np.ascontiguousarray(turned.T), float(values.sum())
        rounds += 1
        if guessed and total < reached:  # the extrapolation overshot: go on from the best, and forget
            (shares, frequencies), history, guessed = best, [], False
            continue
        converged = total - reached < tolerance
        best, reached = (new_shares, new_frequencies), max(total, reached)
        history = [*history, (shares, new_shares, new_frequencies)][-MEMORY:]
        shares, frequencies = _extrapolated(history, floor)
        guessed = len(history) > 1
    return Fit(*best, reached, rounds, converged)


def _extrapolated(history: list, floor: float) -> tuple[np.ndarray, np.ndarray]:
    """Return where the last rounds seem to lead, put back within bounds: the next start.

    It is the combination of those rounds whose moves of the shares cancel best, for at the end nothing moves.

    Source: Anderson (1965) J ACM 12:547-560.
    """
    before, shares, frequencies = zip(*history, strict=True)
    if len(history) == 1:
        return shares[0], frequencies[0]
    moves = np.array([(after - start).ravel() for start, after in zip(before, shares, strict=True)])
    change = np.diff(moves, axis=0)
    normal = change @ change.T
    normal += (1e-10 * np.trace(normal) + 1e-300) * np.eye(len(normal))
    weights = np.linalg.solve(normal, change @ moves[-1])
    ahead = [
        parts[-1] - sum(w * (after - start) for w, start, after in zip(weights, parts[:-1], parts[1:], strict=True))
        for parts in (shares, frequencies)
    ]
    positive = np.maximum(ahead[0], 0.0)
    return positive / positive.sum(axis=1, keepdims=True), np.clip(ahead[1], floor, 1 - floor)


def start_frequencies(by_animal: np.ndarray, shares: np.ndarray, floor: float) -> np.ndarray:
    """Return float64 (k, n_markers): frequencies of the animals weighted by their shares; 1/2 where nobody is typed.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        shares: float64 (n_animals, k).
        floor: least frequency of either allele.
    """
    out = np.empty((shares.shape[1], by_animal.shape[1]))
    for start in range(0, by_animal.shape[1], 1024):
        part = by_animal[:, start : start + 1024]
        typed = (part >= 0).astype(np.float64)
        copies, weight = shares.T @ (part * typed), 2 * (shares.T @ typed)
        out[:, start : start + 1024] = np.where(weight > 0, copies / np.where(weight > 0, weight, 1), 0.5)
    return np.clip(out, floor, 1 - floor)


def improve(
    genotypes: np.ndarray, left: np.ndarray, right: np.ndarray, floor: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return `right` after one Newton step of each of its columns, and each column's log-likelihood.

    The model is symmetric: rows may be animals and columns markers (`right` holds frequencies, bounded by `floor`), or
    rows markers and columns animals (`right` holds shares that sum to 1; `floor` is None).

    Args:
        genotypes: int8 (n_rows, n_columns), MISSING = -1.
        left: float64 (n_rows, k).
        right: float64 (k, n_columns).
        floor: bound of frequencies, or None where columns of `right` are shares.

    Returns:
        float64 (k, n_columns), and float64 (n_columns,), never below that of the `right` given.
    """
    gradient, curvature, before = derivatives(genotypes, left, right)
    step = solve(gradient, curvature, right, floor)
    best, reached = right + step, np.empty_like(before)
    _log_likelihood(genotypes, left, best, reached)
    for _ in range(HALVINGS):
        worse = reached < before
        if not worse.any():
            return best, reached
        step = np.where(worse, step / 2, step)
        best = np.where(worse, right + step, best)
        _log_likelihood(genotypes, left, best, reached)
    worse = reached < before
    return np.where(worse, right, best), np.where(worse, before, reached)


def derivatives(
    genotypes: np.ndarray, left: np.ndarray, right: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the derivatives of each column's log-likelihood by its entries of `right`.

    Args:
        genotypes: int8 (n_rows, n_columns), MISSING = -1.
        left: float64 (n_rows, k).
        right: float64 (k, n_columns).

    Returns:
        gradient float64 (k, n_columns); curvature float64 (k (k + 1) / 2, n_columns), second derivatives with the sign
        turned, lower triangle by rows; log-likelihood float64 (n_columns,).
    """
    k, n_columns = right.shape
    gradient, curvature = np.zeros((k, n_columns)), np.zeros((k * (k + 1) // 2, n_columns))
    value = np.zeros(n_columns)
    _derivatives(genotypes, left, right, gradient, curvature, value)
    return gradient, curvature, value


def solve(gradient: np.ndarray, curvature: np.ndarray, right: np.ndarray, floor: float | None) -> np.ndarray:
    """Return the step to the top of each column's second-order model, within the bounds of `right`.

    Args:
        gradient: as from `derivatives`.
        curvature: as from `derivatives`.
        right: float64 (k, n_columns), where the derivatives were taken.
        floor: as in `improve`.
    """
    step = np.zeros_like(right)
    if floor is None:
        _solve_shares(gradient, curvature, right, step)
    else:
        _solve_frequencies(gradient, curvature, right, step, floor)
    return step


@numba.njit(cache=True, error_model="numpy")
def _derivatives(genotypes, left, right, gradient, curvature, value):  # pragma: no cover
    n_rows, n_columns = genotypes.shape
    k = left.shape[1]
    # always WIDTH columns, the last ones padded: loops of known length are what the compiler turns into vectors
    g, s, product = np.zeros(WIDTH, dtype=np.int8), np.empty(WIDTH), np.empty(WIDTH)
    bits, exponent = product.view(np.uint64), np.empty(WIDTH, dtype=np.int64)
    weight, slope, bend = np.zeros((TOGETHER, k)), np.zeros((TOGETHER, WIDTH)), np.zeros((TOGETHER, WIDTH))
    mine, first_sum, second_sum = np.empty((k, WIDTH)), np.empty((k, WIDTH)), np.empty((k * (k + 1) // 2, WIDTH))
    for first in range(0, n_columns, WIDTH):
        width = min(WIDTH, n_columns - first)
        mine[:] = 0.5
        mine[:, :width] = right[:, first : first + width]
        first_sum[:], second_sum[:], product[:], exponent[:] = 0.0, 0.0, 1.0, 0
        for start in range(0, n_rows, TOGETHER):
            for r in range(TOGETHER):
                if start + r >= n_rows:
                    weight[r] = 0.0  # the slopes of rows before count nothing
                    continue
                weight[r] = left[start + r]
                for c in range(width):
                    g[c] = genotypes[start + r, first + c]
                _expected_frequencies(weight, mine, r, s)
                for c in range(WIDTH):
                    dosage = np.float64(np.int32(g[c]))
                    alternate = max(dosage, 0.0)
                    reference = 2.0 - abs(dosage) - max(-dosage, 0.0)  # 0 where missing
                    t = 1.0 - s[c]
                    inverse = 1.0 / (s[c] * t)  # one division gives both
                    x, y = t * inverse, s[c] * inverse
                    slope[r, c] = alternate * x - reference * y
                    bend[r, c] = alternate * x * x + reference * y * y
                _multiply(g, s, product)
            at = 0
            for a in range(k):
                w0, w1, w2, w3 = weight[0, a], weight[1, a], weight[2, a], weight[3, a]
                for c in range(WIDTH):
                    first_sum[a, c] += (w0 * slope[0, c] + w1 * slope[1, c]) + (w2 * slope[2, c] + w3 * slope[3, c])
                for b in range(a + 1):
                    p0, p1, p2, p3 = w0 * weight[0, b], w1 * weight[1, b], w2 * weight[2, b], w3 * weight[3, b]
                    for c in range(WIDTH):
                        second_sum[at, c] += (p0 * bend[0, c] + p1 * bend[1, c]) + (p2 * bend[2, c] + p3 * bend[3, c])
                    at += 1
            if start % SPLIT_EVERY == SPLIT_EVERY - TOGETHER:
                _split(bits, exponent)
        gradient[:, first : first + width] = first_sum[:, :width]
        curvature[:, first : first + width] = second_sum[:, :width]
        for c in range(width):
            value[first + c] = np.log(product[c]) + LOG_2 * exponent[c]


@numba.njit(cache=True, error_model="numpy")
def _log_likelihood(genotypes, left, right, value):  # pragma: no cover
    n_rows, n_columns = genotypes.shape
    g, s, product = np.zeros(WIDTH, dtype=np.int8), np.empty(WIDTH), np.empty(WIDTH)
    bits, exponent = product.view(np.uint64), np.empty(WIDTH, dtype=np.int64)
    mine = np.empty((left.shape[1], WIDTH))
    for first in range(0, n_columns, WIDTH):
        width = min(WIDTH, n_columns - first)
        mine[:] = 0.5
        mine[:, :width] = right[:, first : first + width]
        product[:], exponent[:] = 1.0, 0
        for row in range(n_rows):
            for c in range(width):
                g[c] = genotypes[row, first + c]
            _expected_frequencies(left, mine, row, s)
            _multiply(g, s, product)
            if row % SPLIT_EVERY == SPLIT_EVERY - 1:
                _split(bits, exponent)
        for c in range(width):
            value[first + c] = np.log(product[c]) + LOG_2 * exponent[c]


@numba.njit(inline="always")
def _expected_frequencies(left, mine, row, s):  # pragma: no cover
    """Fill s with the frequency that is expected of each column for one row: its shares times the groups' own."""
    for c in range(WIDTH):
        s[c] = left[row, 0] * mine[0, c]
    for a in range(1, left.shape[1]):
        weight = left[row, a]
        for c in range(WIDTH):
            s[c] += weight * mine[a, c]


@numba.njit(inline="always")
def _multiply(g, s, product):  # pragma: no cover
    for c in range(WIDTH):
        dosage = np.float64(np.int32(g[c]))
        t = 1.0 - s[c]
        # one factor for each copy; 1 where missing
        one, other = s[c] if dosage >= 1.0 else t, s[c] if dosage == 2.0 else t
        product[c] *= one * other if dosage >= 0.0 else 1.0


@numba.njit(inline="always")
def _split(bits, exponent):  # pragma: no cover
    """Move the power of two of each product, given by its bits, to a sum: a logarithm would take longer."""
    for c in range(WIDTH):
        exponent[c] += np.int64(bits[c] >> np.uint64(52)) - 1023
        bits[c] = (bits[c] & np.uint64(0xFFFFFFFFFFFFF)) | np.uint64(0x3FF0000000000000)


@numba.njit(cache=True)
def _load(gradient, curvature, column, slope, bend):  # pragma: no cover
    k, at, trace = slope.size, 0, 0.0
    for a in range(k):
        slope[a] = gradient[a, column]
        for b in range(a + 1):
            bend[a, b] = bend[b, a] = curvature[at, column]
            at += 1
        trace += bend[a, a]
    for a in range(k):
        bend[a, a] += 1e-9 * trace + 1e-12  # a group that nobody has keeps its place


@numba.njit(cache=True)
def _solve_frequencies(gradient, curvature, right, step, floor):  # pragma: no cover
    k, n_columns = right.shape
    slope, bend = np.empty(k), np.empty((k, k))
    for column in range(n_columns):
        _load(gradient, curvature, column, slope, bend)
        for _ in range(SWEEPS):
            largest = 0.0
            for a in range(k):
                now = right[a, column] + step[a, column]
                move = min(max(now + slope[a] / bend[a, a], floor), 1.0 - floor) - now
                step[a, column] += move
                for b in range(k):
                    slope[b] -= bend[b, a] * move
                largest = max(largest, abs(move))
            if largest < SETTLED:
                break


@numba.njit(cache=True)
def _solve_shares(gradient, curvature, right, step):  # pragma: no cover
    k, n_columns = right.shape
    slope, bend = np.empty(k), np.empty((k, k))
    for column in range(n_columns):
        _load(gradient, curvature, column, slope, bend)
        for _ in range(SWEEPS):
            largest = 0.0
            for a in range(k):
                for b in range(a):
                    # move share from b to a as far as the model gains and both stay within 0 and 1
                    move = (slope[a] - slope[b]) / (bend[a, a] + bend[b, b] - 2 * bend[a, b])
                    move = max(move, -(right[a, column] + step[a, column]))
                    move = min(move, right[b, column] + step[b, column])
                    step[a, column] += move
                    step[b, column] -= move
                    for c in range(k):
                        slope[c] -= (bend[c, a] - bend[c, b]) * move
                    largest = max(largest, abs(move))
            if largest < SETTLED:
                break
