"""A scan along the genome: windows whose differences between sites depart from those on the other chromosomes.

Drift, distance and lines between stocks shape the whole genome alike. So what the other chromosomes show tells how far
frequencies may differ, and in which pattern among the sites. A window may differ more (or less) as a whole, or in one
direction: a block that changes along the coast where the rest is flat, one that is flat where the rest changes, or one
that changes elsewhere. The spread of the study's own windows says what is beyond chance, so that linkage inside windows
and the skew of drift are counted as they are.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.statistics.allele_counts import AlleleCounts, n_called
from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD, false_discovery

MIN_WINDOWS = 20  # from fewer their spread is hardly known
MIN_TESTED = 10  # markers of a window
MAX_TESTED = 100  # more of a window repeat one another, and windows with very many would not compare with the others
MIN_FREQUENCY = 0.05  # of the rarer allele, mean of sites: rare alleles are shared by kin and come in clusters
OWN_CHROMOSOME = 3  # chromosomes from which a window is compared with the other chromosomes alone
# Of Student's t: how much heavier than normal the spread of windows is taken to be. Of 40 coalescent coasts without a
# block none showed one at 5, one at 6, two at 8.
DEGREES = 5
LOW_DEGREES = 12  # the same for low levels, whose cube root has no heavy tail
ROUNDS = 10  # in which windows that stand out are left out of what the others are compared with


@dataclass(frozen=True)
class WindowScan:
    """What the windows show.

    Attributes:
        window: int64 (n_markers,), window of each marker.
        tested: bool (n_markers,), markers that the test uses.
        level: float64 (n_windows,), differences between sites over those elsewhere; NaN where not tested.
        departure: float64 (n_windows,), greatest variance in one direction over that elsewhere.
        direction: float64 (n_windows, n_sites), contrast of the sites in that direction.
        p_value: float64 (n_windows,).
        q_value: float64 (n_windows,), p value with the false-discovery rate over windows controlled.
        stands_out: bool (n_windows,), windows that stand out even when the chance of a single false one is held down.
        lower: bool (n_windows,), a window that stands out by a low level.
        along: float64 (n_markers,), square of each marker's difference along its window's direction, 1 expected; NaN
            where not tested.
        detectable: F_ST beyond that of the rest from which a window stands out by its level; NaN without a
            test, and where the spread of windows is so wide that none can.
    """

    window: np.ndarray
    tested: np.ndarray
    level: np.ndarray
    departure: np.ndarray
    direction: np.ndarray
    p_value: np.ndarray
    q_value: np.ndarray
    stands_out: np.ndarray
    lower: np.ndarray
    along: np.ndarray
    detectable: float


def windows_of(
    chrom: np.ndarray, position_cm: np.ndarray, common: np.ndarray, n_markers: int, length_cm: float
) -> np.ndarray:
    """Return the window of each marker, int64 (n_markers,), numbered along the genome.

    Each chromosome is divided into windows of equal numbers of common markers, as many as there is room for with at
    least `n_markers` each, and `length_cm` each on average. Other markers belong to the window in which they lie.

    Args:
        chrom: (n_markers,), chromosome of each marker, those of one together.
        position_cm: float64 (n_markers,), rising along each chromosome.
        common: bool (n_markers,), markers that the test may use.
        n_markers: least number of them.
        length_cm: least mean length.
    """
    window, first = np.empty(len(chrom), dtype=np.int64), 0
    for rows in chromosome_rows(chrom):
        length = float(position_cm[rows[-1]] - position_cm[rows[0]])
        before = np.cumsum(common[rows]) - common[rows]
        total = int(common[rows].sum())
        room = total // n_markers
        if length_cm > 0:
            room = min(room, int(length / length_cm))
        parts = max(1, room)
        window[rows] = first + np.minimum(before * parts // max(total, 1), parts - 1)
        first += parts
    return window


def chromosome_rows(chrom: np.ndarray) -> list[np.ndarray]:
    """Return the markers of each chromosome, int64, chromosomes in the order of first appearance.

    Args:
        chrom: (n_markers,).
    """
    names: dict = {}
    code = np.array([names.setdefault(name, len(names)) for name in np.asarray(chrom).tolist()], dtype=np.int64)
    return [np.flatnonzero(code == number) for number in range(len(names))]


def common_contrasts(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the frequencies of the sites as contrasts, and which markers have them.

    Args:
        counts: int (n_markers, n_sites, 4), genotype counts.

    Returns:
        float64 (n_markers, n_sites), frequency less the mean of sites, over the standard deviation of one copy; bool
        (n_markers,), markers called at every site whose rarer allele has MIN_FREQUENCY or more.
    """
    if not counts.shape[1] or not len(counts):
        return np.zeros(counts.shape[:2]), np.zeros(len(counts), dtype=bool)
    called = (n_called(counts) > 0).all(axis=1)
    p = np.nan_to_num(AlleleCounts.of_genotypes(counts).frequency)
    mean = p.mean(axis=1)
    common = called & (mean >= MIN_FREQUENCY) & (mean <= 1 - MIN_FREQUENCY)
    scale = np.sqrt(np.where(common, mean * (1 - mean), 1.0))
    return np.where(common[:, None], (p - mean[:, None]) / scale[:, None], 0.0), common


def scan_windows(counts: np.ndarray, chrom: np.ndarray, window: np.ndarray, level: float) -> WindowScan:
    """Return what the windows show, each beside the genome without its own chromosome.

    The frequencies of a marker at n sites, as n - 1 contrasts, have a covariance that drift, distance, lines and
    sampling give to the whole genome. In coordinates where that covariance is the unit matrix every direction among the
    sites varies alike. A window's covariance there has a largest eigenvalue, its departure. Its level is the trace of
    its covariance over that of the genome, as measured. Both are laid beside those of all windows (`chance`).
    Windows that stand out are left out of covariance and spread, and all is done again with the others.

    A block is many windows. With all of them among the discoveries a controlled share of false ones would still be a
    false block in many a study. So windows that stand out by themselves are chosen step by step, each time at the level
    over the number of windows that remain (Holm 1979 Scand J Stat 6:65-70): that holds for the whole study, and hence
    for the share too.

    Args:
        counts: int (n_markers, n_sites, 4), genotype counts.
        chrom: (n_markers,).
        window: int64 (n_markers,), from `windows_of`.
        level: chance that a study without blocks has a window that stands out.

    Source: Mahalanobis (1936) Proc Natl Inst Sci India 2:49-55 for distance in units of covariance; the covariance of
        frequencies as the common yardstick of markers, Lewontin & Krakauer (1973) Genetics 74:175-195 and Robertson
        (1975) Genetics 81:775-785 (from memory).
    """
    n_windows, n_sites = int(window.max(initial=-1)) + 1, counts.shape[1]
    contrasts, common = common_contrasts(counts)
    tested = common & _evenly(common, window, n_windows)
    size = np.bincount(window[tested], minlength=n_windows)
    usable = size >= MIN_TESTED
    blank = np.full(n_windows, np.nan)
    none = WindowScan(
        window, tested, blank, blank, np.zeros((n_windows, n_sites)), blank, blank, np.zeros(n_windows, bool),
        np.zeros(n_windows, bool), np.full(len(window), np.nan), float("nan"),
    )  # fmt: skip
    if usable.sum() < MIN_WINDOWS or n_sites < 2:
        return none
    basis = np.linalg.qr(np.column_stack([np.ones(n_sites), np.eye(n_sites)[:, 1:]]))[0][:, 1:]
    y = contrasts @ basis
    rows = [np.flatnonzero((window == w) & tested) for w in range(n_windows)]
    sums = np.stack([y[r].T @ y[r] for r in rows])
    chromosome = np.zeros(n_windows, dtype=np.int64)
    for number, own in enumerate(chromosome_rows(chrom)):
        chromosome[window[own]] = number
    out = np.zeros(n_windows, dtype=bool)
    for _ in range(ROUNDS):
        height, departure, direction = _beside_the_rest(sums, size, chromosome, usable, out)
        p_value, lower = chance(height, departure, out)
        fresh = ~out & (np.nan_to_num(p_value, nan=1.0) < level / max(1, int((usable & ~out).sum())))
        if not fresh.any():
            break
        out |= fresh
    q_value = false_discovery(p_value)
    along = np.full(len(window), np.nan)
    for w in np.flatnonzero(usable):
        along[rows[w]] = (y[rows[w]] @ direction[w]) ** 2
    # the trace over n - 1 contrasts is F_ST with the noise of sampling, in units of one copy's variance
    kept = usable & ~out
    unit = float(np.trace(sums[kept].sum(axis=0))) / max(1, int(size[kept].sum())) / (n_sites - 1)
    reach = unit * _reach(np.log(height[kept]), level / max(1, int(kept.sum())) / 4)
    detectable = reach if reach < 1 else float("nan")
    return WindowScan(
        window, tested, height, departure, direction @ basis.T, p_value, q_value, out, lower, along, detectable
    )


def _evenly(common: np.ndarray, window: np.ndarray, n_windows: int) -> np.ndarray:
    """Return bool (n_markers,): of each window's common markers at most MAX_TESTED, evenly spread."""
    chosen = np.zeros(len(common), dtype=bool)
    order = np.flatnonzero(common)
    start = np.searchsorted(window[order], np.arange(n_windows + 1))
    for first, last in itertools.pairwise(start):
        n = last - first
        take = np.arange(n) if n <= MAX_TESTED else np.arange(MAX_TESTED) * n // MAX_TESTED
        chosen[order[first + take]] = True
    return chosen


def _beside_the_rest(sums, size, chromosome, usable, out):
    """Return level, departure and direction (in contrasts) of each window, beside what the rest of the genome shows.

    Args:
        sums: float64 (n_windows, k, k), sums of products of contrasts.
        size: int (n_windows,), markers behind them.
        chromosome: int (n_windows,).
        usable: bool (n_windows,), windows to test.
        out: bool (n_windows,), windows to leave out of the rest.
    """
    n_windows, k = len(sums), sums.shape[1]
    level, departure = np.full((2, n_windows), np.nan)
    direction = np.zeros((n_windows, k))
    others = np.unique(chromosome).size >= OWN_CHROMOSOME
    kept = ~out
    yardstick: dict = {}
    for w in np.flatnonzero(usable):
        key = int(chromosome[w]) if others else -1 - int(w)
        if key not in yardstick:
            rest = kept & (chromosome != chromosome[w]) if others else kept & (np.arange(n_windows) != w)
            n = max(1, int(size[rest].sum()))
            covariance = sums[rest].sum(axis=0) / n
            values, vectors = np.linalg.eigh(covariance)
            # with few markers the smallest variances are underestimated
            values = np.maximum(values, values.mean() * (k + 1) / n)
            yardstick[key] = (vectors / np.sqrt(values), max(float(np.trace(covariance)), 1e-300))
        whiten, trace = yardstick[key]
        own = sums[w] / size[w]
        found, axes = np.linalg.eigh(whiten.T @ own @ whiten)
        level[w], departure[w] = np.trace(own) / trace, found[-1]
        direction[w] = whiten @ axes[:, -1]
    return level, departure, direction


def _reach(values: np.ndarray, p: float) -> float:
    """Return how far a level stands above 1 where its logarithm has this chance by the spread of the others."""
    spread = MEDIAN_DEVIATION_TO_SD * np.median(np.abs(values - np.median(values)))
    return float(np.expm1(-special.stdtrit(DEGREES, p) * spread))


def chance(level: np.ndarray, departure: np.ndarray, out: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the p value of each window by the spread of all, and which windows are low ones.

    The p value is that of the most extreme of level (both sides) and departure, times two.

    Args:
        level: float64 (n_windows,), NaN where not tested.
        departure: float64 (n_windows,).
        out: bool (n_windows,), windows whose values do not count in the spread.

    Returns:
        float64 (n_windows,), NaN where not tested; bool (n_windows,).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        high = robust_p(np.log(np.maximum(level, 1e-12)), out)
        # a mean of squares has a long lower tail in logarithms; its cube root is nearly normal (Wilson & Hilferty 1931)
        low = robust_p(-np.cbrt(level), out, LOW_DEGREES)
        apart = robust_p(np.log(np.maximum(departure, 1e-12)), out)
    p = np.minimum(2 * np.fmin(2 * np.fmin(high, low), apart), 1.0)
    return p, (low < high) & (2 * low < apart)


def robust_p(values: np.ndarray, out: np.ndarray, degrees: float = DEGREES, least_spread: float = 1e-12) -> np.ndarray:
    """Return the chance of so high a value by the spread of all, one-sided; NaN where there is no value.

    Centre and spread are the median and the median absolute deviation, which a minority of others does not move; tails
    are those of Student's t.

    Args:
        values: float64 (n,).
        out: bool (n,), values that do not count in centre and spread.
        degrees: degrees of freedom of the tails.
        least_spread: the spread is not taken to be smaller.
    """
    known = values[np.isfinite(values) & ~out]
    if not known.size:
        return np.full(values.shape, np.nan)
    centre = np.median(known)
    spread = MEDIAN_DEVIATION_TO_SD * np.median(np.abs(known - centre))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(
            np.isfinite(values), special.stdtr(degrees, -(values - centre) / max(spread, least_spread)), np.nan
        )
