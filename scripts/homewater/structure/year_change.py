"""Whether two samples of one site, taken in different years, differ: a test, and what change it could have seen."""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from homewater.structure.pairwise_fst import permuted_splits, split_p_value

POWER = 0.8  # chance at which the smallest detectable change is stated
RESOLUTION = 2  # the smallest p value after correction is at most the level over this


def permutations_needed(permutations: int, level: float, n_tests: int) -> int:
    """Return how many permutations leave room for the correction over so many tests.

    Args:
        permutations: permutations asked for; never fewer.
        level: level of the corrected test.
        n_tests: tests corrected for.
    """
    return max(permutations, math.ceil(RESOLUTION * n_tests / level) - 1)


def change_test(
    dosages: np.ndarray, n_first: int, permutations: int, level: float, draw: np.random.Generator
) -> tuple[float, float]:
    """Return (p value, smallest detectable F_ST) of the change between two samples of one site.

    Whole animals change years, so linkage, and departures from Hardy-Weinberg proportions, do not make the test wrong:
    where nothing changed, years are labels that could have been dealt out in any way.

    The detectable change follows from the spread of the same permutations. In units of F_ST, the raw difference of two
    samples is what sampling gives, e = (1 / (2 n_a) + 1 / (2 n_b)) / 2, plus the change F. It is a mean over markers,
    linked ones among them, and so as uncertain as (F + e) times a chi-square over its degrees of freedom v, where
    v = 2 e^2 / (variance of the permutations). Where nothing changed it passes e + c with chance `level`; where F did,
    it must with chance POWER.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1; the animals of the first year come first.
        n_first: animals of the first year.
        permutations: permutations drawn.
        level: one-sided level at which the critical value is read, after correction for the number of tests.
        draw: source of randomness.

    Returns:
        Two floats; NaN where a year has no animals, where there are under three, or where no marker varies.
    """
    n = dosages.shape[1]
    if not 0 < n_first < n or n < 3:
        return np.nan, np.nan
    statistic = permuted_splits(dosages, n_first, permutations, draw)
    p_value = split_p_value(statistic)
    if np.isnan(p_value):
        return np.nan, np.nan
    sampling = (1 / (2 * n_first) + 1 / (2 * (n - n_first))) / 2
    return p_value, detectable_change(statistic[1:], sampling, level)


def detectable_change(dealt: np.ndarray, sampling: float, level: float) -> float:
    """Return the F_ST that would be called a change with chance POWER; the reasoning stands at `change_test`.

    Args:
        dealt: float64 (permutations,), F_ST of the permutations.
        sampling: e, what sampling gives in units of F_ST.
        level: as in `change_test`.
    """
    variance = float(dealt.var())
    if not variance > 0:
        return np.nan
    freedom = 2 * sampling**2 / variance
    critical = float(dealt.mean()) + sampling * special.chdtri(freedom, level) / freedom
    return critical * freedom / special.chdtri(freedom, POWER) - sampling
