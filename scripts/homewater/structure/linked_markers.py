"""Linkage between distant markers of one chromosome: the trace of arrangements that do not recombine.

Markers a centimorgan and more apart are hardly correlated among the animals of a site, unless something holds long
stretches together. Animals of one arrangement of an inversion are alike over the whole of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse.linalg import eigsh

from homewater.structure.genome_windows import robust_p

MAX_MARKERS = 300  # of a chromosome, evenly spread: enough to see any block of a few centimorgans
MIN_MARKERS = 20  # on a chromosome
MIN_CHROMOSOMES = 5  # whose spread says what linkage is usual
MIN_FREQUENCY = 0.05  # of the rarer allele
NEAR_CM = 1.0  # markers nearer than this are correlated on any chromosome
MIN_STRENGTH = 1.08  # of the linkage that counts, over what unlinked markers show: about 1, by trials
# Over the median of chromosomes, or of halves: a few percent may be beyond chance where stocks mix, and are no block.
# By trials of one seed a setting, simulated blocks of a quarter of a chromosome and more show twice the median.
MIN_RATIO = 1.4
LEAST_SPREAD = 0.03  # of the logarithm: what fewer chromosomes would show by luck


@dataclass(frozen=True)
class ChromosomeLinkage:
    """The leading pattern of correlation between distant markers of a stretch.

    Attributes:
        rows: int64 (n,), the markers looked at, in order.
        strength: largest eigenvalue of their correlations over the largest expected of as many unlinked markers.
        loading: float64 (n,), weight of each marker's genotypes, in standard deviations within sites, in the score of
            an animal along the pattern.
        squared: float64 (n,), squared correlation of each marker with the score from markers that are not near it.
        noise: what `squared` is on average without linkage.
    """

    rows: np.ndarray
    strength: float
    loading: np.ndarray
    squared: np.ndarray
    noise: float


def within_sites(dosages: np.ndarray, site: np.ndarray) -> np.ndarray:
    """Return genotypes less the mean of the animal's site, over their standard deviation; missing ones are 0.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        site: int (n_animals,), sites numbered from 0, none negative.

    Returns:
        float64 (n_markers, n_animals); rows without variation within sites are 0.
    """
    x, typed = dosages.astype(np.float64), dosages >= 0
    x[~typed] = 0.0
    for number in np.unique(site):
        own = site == number
        n = typed[:, own].sum(axis=1, keepdims=True)
        x[:, own] -= np.where(typed[:, own], x[:, own].sum(axis=1, keepdims=True) / np.maximum(n, 1), 0.0)
    spread = np.sqrt((x**2).mean(axis=1, keepdims=True))
    return np.divide(x, spread, out=np.zeros_like(x), where=spread > 1e-9)


def pieces_of(n_markers: int) -> list[slice]:
    """Return the pieces of a chromosome whose linkage is looked at: the whole, then halves that overlap by half.

    A block of a third of a chromosome is diluted by the rest of it, and stands out in one of the halves.

    Args:
        n_markers: markers of the chromosome that are looked at.

    Returns:
        None but the whole where a half has under MIN_MARKERS.
    """
    half = n_markers // 2
    starts = (0, half // 2, n_markers - half) if half >= MIN_MARKERS else ()
    return [slice(0, n_markers), *(slice(start, start + half) for start in starts)]


def linkage_of(x: np.ndarray, rows: np.ndarray, position_cm: np.ndarray, degrees: int) -> ChromosomeLinkage:
    """Return the leading pattern of distant markers of a whole stretch; arguments as in `piece_linkages`."""
    return piece_linkages(x, rows, position_cm, degrees, [slice(0, len(rows))])[0]


def piece_linkages(
    x: np.ndarray, rows: np.ndarray, position_cm: np.ndarray, degrees: int, pieces: list[slice]
) -> list[ChromosomeLinkage]:
    """Return the leading pattern of correlation between distant markers of each piece of a stretch.

    Correlations of near markers are set to 0. A marker that many near ones repeat weighs less: its genotypes are
    divided by the square root of the sum of its squared correlations with the near ones.

    Args:
        x: float64 (n_markers, n_animals), from `within_sites`.
        rows: int64 (n_markers,), what the markers are called.
        position_cm: float64 (n_markers,).
        degrees: animals less sites.
        pieces: of the markers. The pattern is that of a piece's markers; `squared` is of all markers with it.

    Source: largest eigenvalue of unlinked markers, Marchenko & Pastur (1967) Math USSR Sb 1:457-483, less the 1 that
        the diagonal holds.
    """
    n = x.shape[1]
    correlation = x @ x.T / n
    near = np.abs(position_cm[:, None] - position_cm[None, :]) < NEAR_CM
    np.fill_diagonal(near, True)
    repeats = ((correlation**2 - 1 / max(degrees, 1)) * near).sum(axis=1)
    weight = 1 / np.sqrt(np.maximum(repeats, 1.0))
    distant = np.where(near, 0.0, correlation * weight[:, None] * weight[None, :])
    found = []
    for piece in pieces:
        top, axis = leading_axis(distant[piece, piece])
        expected = (1 + np.sqrt((weight[piece] ** 2).sum() / max(degrees, 1))) ** 2 - 1
        loading = np.zeros(len(rows))
        loading[piece] = axis * weight[piece]
        variance = float(loading @ correlation @ loading)
        # a row of `distant`, undone of its weight, is a marker's covariances with those that are not near it
        own = distant[:, piece] @ axis / weight
        squared = own**2 / variance if variance > 0 else np.zeros(len(rows))
        strength = max(top, 0.0) / expected
        found.append(ChromosomeLinkage(rows, strength, loading, np.minimum(squared, 1.0), 1 / max(degrees, 1)))
    return found


def leading_axis(matrix: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the largest eigenvalue of a symmetric matrix and its vector, whose largest entry is positive.

    Args:
        matrix: float64 (n, n).
    """
    start = matrix[:, np.abs(matrix).sum(axis=0).argmax()] if len(matrix) else np.zeros(0)
    if len(matrix) < 3 or not start.any():
        return 0.0, np.zeros(len(matrix))
    values, vectors = eigsh(matrix, k=1, which="LA", v0=start, tol=1e-9)  # it starts from the data, so it ends alike
    axis = vectors[:, 0]
    return float(values[0]), axis * (-1 if axis[np.abs(axis).round(9).argmax()] < 0 else 1)


def spread_markers(rows: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """Return common markers of a stretch, at most MAX_MARKERS, evenly spread along it.

    Args:
        rows: int64 (n,), markers of the stretch in order.
        frequency: float64 (n_all_markers,), of the alternate allele.
    """
    p = frequency[rows]
    common = rows[(p >= MIN_FREQUENCY) & (p <= 1 - MIN_FREQUENCY)]
    n = common.size
    return common if n <= MAX_MARKERS else common[np.arange(MAX_MARKERS) * n // MAX_MARKERS]


def strongest_pieces(
    pieces: list[list[ChromosomeLinkage]],
) -> tuple[list[ChromosomeLinkage | None], np.ndarray, np.ndarray]:
    """Return the piece of each chromosome whose linkage is the least likely, and how far it stands out.

    A piece is laid beside the pieces of the same kind, whole chromosomes or halves.

    Args:
        pieces: linkage of the pieces of each chromosome, from `piece_linkages` and `pieces_of`; none where it was not
            measured.

    Returns:
        the piece, None where nothing was measured; its p value, times the number of pieces looked at (Bonferroni); its
        strength over the median of its kind; both NaN where unknown.
    """
    widest = max((len(own) for own in pieces), default=0)
    strength = np.full((len(pieces), max(widest, 1)), np.nan)
    for number, own in enumerate(pieces):
        strength[number, : len(own)] = [one.strength for one in own]
    p_value, ratio = np.full_like(strength, np.nan), np.full_like(strength, np.nan)
    for kind in (slice(0, 1), slice(1, None)):
        values = strength[:, kind]
        if np.isfinite(values).any(axis=1).sum() < MIN_CHROMOSOMES:
            continue
        p_value[:, kind] = linkage_p(values.ravel()).reshape(values.shape)
        ratio[:, kind] = values / max(float(np.nanmedian(values)), 1e-12)
    best = np.where(np.isnan(p_value), 2.0, p_value).argmin(axis=1)
    at = np.arange(len(pieces))
    chosen = [own[k] if own else None for own, k in zip(pieces, best.tolist(), strict=True)]
    tried = np.isfinite(p_value).sum(axis=1)
    return chosen, np.minimum(p_value[at, best] * tried, 1.0), ratio[at, best]


def stands_out(
    linked: list[ChromosomeLinkage | None], q_value: np.ndarray, ratio: np.ndarray, fdr: float
) -> np.ndarray:
    """Return whether the linkage of each chromosome is a sign of a block, bool (n_chromosomes,).

    It has to be beyond chance, and well beyond that of the other chromosomes: where stocks mix, all hold long stretches
    together, and one of them a little more.

    Args:
        linked: linkage of each chromosome, None where it was not measured.
        q_value: float64 (n_chromosomes,), NaN likewise.
        ratio: float64 (n_chromosomes,), strength over the median, NaN likewise.
        fdr: false-discovery rate.
    """
    strength = np.array([0.0 if one is None else one.strength for one in linked], dtype=np.float64)
    beyond = (np.nan_to_num(q_value, nan=1.0) < fdr) & (np.nan_to_num(ratio) >= MIN_RATIO)
    return beyond & (strength >= MIN_STRENGTH)


def linkage_p(strength: np.ndarray) -> np.ndarray:
    """Return the chance that linkage is so strong, by the spread of all chromosomes, or all pieces of one kind.

    Args:
        strength: float64 (n,), NaN where not measured.

    Returns:
        float64 (n,); NaN everywhere with under MIN_CHROMOSOMES.
    """
    values = np.log(np.maximum(strength, 1e-12))
    n = int(np.isfinite(values).sum())
    if n < MIN_CHROMOSOMES:
        return np.full(values.shape, np.nan)
    out = np.zeros(values.shape, dtype=bool)
    for _ in range(n):  # those that stand out are left out one after another
        p = robust_p(values, out, n - 1, LEAST_SPREAD)
        fresh = np.where(out, 1.0, np.nan_to_num(p, nan=1.0))
        worst = int(fresh.argmin())
        if fresh[worst] > 0.01 or out.sum() >= n // 3:
            break
        out[worst] = True
    return p
