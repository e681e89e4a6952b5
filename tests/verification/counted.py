"""How the long verifications count: shares with intervals, means with errors, work spread over the cores."""

from __future__ import annotations

import atexit
import multiprocessing
from collections.abc import Callable
from functools import cache

import numpy as np
from scipy import stats


@cache
def workers():
    """Return the processes that simulate, started once and kept."""
    pool = multiprocessing.get_context("spawn").Pool()
    atexit.register(pool.terminate)
    return pool


def spread_over_cores(function: Callable, number: int) -> list:
    """Return the results of a function for seeds 0 to `number` - 1, in order."""
    return workers().map(function, range(number), chunksize=4)


def share(k: int, n: int) -> dict:
    """Return a count with its exact 95 % interval (Clopper & Pearson 1934)."""
    low, high = stats.binomtest(k, n).proportion_ci(method="exact") if n else (None, None)
    return {"count": k, "of": n, "ci_low": low, "ci_high": high}


def mean_of(difference: np.ndarray) -> dict:
    """Return the mean of a difference over studies, with its standard error."""
    return {"difference": float(difference.mean()), "standard_error": float(stats.sem(difference))}


def p_at_most(p: np.ndarray) -> dict:
    """Return how many p values lie at or below each of two levels."""
    return {str(a): share(int((p <= a).sum()), p.size) for a in (0.05, 0.01)}


def none_too_often(counts: dict) -> None:
    """Assert that no level was reached more often than it says (one-sided binomial, 1 %)."""
    for a, found in counts.items():
        assert found["count"] <= stats.binom.ppf(0.99, found["of"], float(a))
