"""What the figures of the proof are compared with, and whether posteriors hold what they promise.

Three other ways to call the same animals: by the panel that they helped to make, by panels drawn at random, and by a
general-purpose classifier (multinomial logistic regression) on the same markers and the same training animals.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from sklearn.linear_model import LogisticRegression

from homewater.statistics.intervals import wilson

RANDOM_PANELS = 10  # draws in each fold: their range shows what luck alone does
CALIBRATED_DRAWS = 2000
#: Edges of the bins of the posterior; narrow where most animals lie.
BINS = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)


@dataclass(frozen=True)
class HeldOut:
    """Each animal as judged when its fold was left out; -1 and NaN where its fold could not be judged.

    Attributes:
        unit: int64 (n_animals,), unit of the animal's site.
        posterior: float64 (n_animals, n_units), of pure units, all alike beforehand.
        logistic: int64 (n_animals,), unit called by logistic regression.
        random: int64 (RANDOM_PANELS, n_animals), unit called by each random panel.
    """

    unit: np.ndarray
    posterior: np.ndarray
    logistic: np.ndarray
    random: np.ndarray

    @classmethod
    def nobody_yet(cls, unit: np.ndarray, n_units: int) -> HeldOut:
        """Return the record before any fold is judged.

        Args:
            unit: int (n_animals,), unit of each animal's site.
            n_units: number of units.
        """
        n = len(unit)
        return cls(unit, np.full((n, n_units), np.nan), np.full(n, -1), np.full((RANDOM_PANELS, n), -1))

    @property
    def judged(self) -> np.ndarray:
        """Bool (n_animals,): in a fold that could be judged."""
        return self.logistic >= 0

    @property
    def called(self) -> np.ndarray:
        """Int64 (n_animals,), unit called by the panel; meaningless where not judged."""
        return np.argmax(np.nan_to_num(self.posterior), axis=1)


def logistic_calls(dosages: np.ndarray, unit: np.ndarray, tested: np.ndarray) -> np.ndarray:
    """Return the unit that multinomial logistic regression calls for the tested animals.

    Dosages as they are, a missing one replaced by the mean of the training animals at that marker; ridge penalty of
    scikit-learn's default strength (C = 1).

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        unit: int (n_animals,), unit of each training animal; -1 for all others.
        tested: bool (n_animals,), animals to be called.

    Returns:
        int64 (n_tested,).
    """
    training = unit >= 0
    known = np.unique(unit[training])
    if len(known) < 2 or not tested.any() or not dosages.shape[1]:
        return np.full(int(tested.sum()), known[0] if len(known) else 0, dtype=np.int64)
    typed = dosages >= 0
    counted = typed[training].sum(axis=0)
    total = np.where(typed[training], dosages[training], 0).sum(axis=0, dtype=np.int64)
    mean = np.divide(total, counted, out=np.zeros(len(counted)), where=counted > 0)
    filled = np.where(typed, dosages, mean) - mean
    model = LogisticRegression(C=1.0, max_iter=2000).fit(filled[training], unit[training])
    return model.predict(filled[tested]).astype(np.int64)


def paired_difference(first: np.ndarray, second: np.ndarray) -> tuple[float, float, float]:
    """Return the difference of two proportions of the same animals, first less second, with its 95 % interval.

    Args:
        first: bool (n,).
        second: bool (n,), the same animals.

    Returns:
        difference, low, high; NaN without animals.
    Source: Newcombe (1998) Stat Med 17:2635-2650, method 10: score intervals joined through the correlation.
    """
    n = len(first)
    if not n:
        return float("nan"), float("nan"), float("nan")
    both, neither = int((first & second).sum()), int((~first & ~second).sum())
    one, other = int((first & ~second).sum()), int((~first & second).sum())
    p1, p2 = (both + one) / n, (both + other) / n
    (l1, u1), (l2, u2) = wilson(both + one, n), wilson(both + other, n)
    margins = (both + one) * (other + neither) * (both + other) * (one + neither)
    cross = both * neither - one * other
    cross = max(cross - n / 2, 0.0) if cross > 0 else cross
    phi = cross / margins**0.5 if margins else 0.0
    down = ((p1 - l1) ** 2 - 2 * phi * (p1 - l1) * (u2 - p2) + (u2 - p2) ** 2) ** 0.5
    up = ((u1 - p1) ** 2 - 2 * phi * (u1 - p1) * (p2 - l2) + (p2 - l2) ** 2) ** 0.5
    return p1 - p2, float(p1 - p2 - down), float(p1 - p2 + up)


def controls_table(held: HeldOut, own_calls: np.ndarray, n_markers: int) -> pd.DataFrame:
    """Return the table controls.

    Args:
        held: from `proof.nested_validation`.
        own_calls: int (n_animals,), unit called by the panel and frequencies that the animals helped to make.
        n_markers: markers of every panel.
    """
    judged = held.judged
    true, n = held.unit[judged], int(judged.sum())
    right = {
        "nested": held.called[judged] == true,
        "resubstitution": own_calls[judged] == true,
        "logistic_regression": held.logistic[judged] == true,
    }
    by_draw = (held.random[:, judged] == true).mean(axis=1) if n else np.full(RANDOM_PANELS, np.nan)
    rows = []
    for method in ("nested", "resubstitution", "random_panels", "logistic_regression"):
        row: dict = {"method": method, "n_markers": n_markers}
        share = float(by_draw.mean()) if method == "random_panels" else float(right[method].mean()) if n else np.nan
        low, high = wilson(share * n if n else 0, n)
        row |= {"accuracy": share, "ci_low": float(low), "ci_high": float(high), "n_animals": n}
        difference = (np.nan,) * 3
        if method in ("resubstitution", "logistic_regression"):
            difference = paired_difference(right[method], right["nested"])
        names = ("difference_from_nested", "difference_ci_low", "difference_ci_high")
        row |= dict(zip(names, difference, strict=True))
        of_draws = method == "random_panels" and n > 0
        row |= {"n_draws": RANDOM_PANELS if method == "random_panels" else 1}
        row |= {"lowest": by_draw.min() if of_draws else np.nan, "highest": by_draw.max() if of_draws else np.nan}
        rows.append(row)
    return pd.DataFrame(rows)


def calibration_table(held: HeldOut) -> pd.DataFrame:
    """Return the table calibration: of animals called with about the same posterior, the share called rightly.

    Args:
        held: from `proof.nested_validation`.
    """
    top, right = _called(held)
    of_bin = _bin_of(top)
    rows = []
    for b in range(len(BINS) - 1):
        here = of_bin == b
        n, good = int(here.sum()), int(right[here].sum())
        low, high = wilson(good, n)
        row = {"posterior_low": BINS[b], "posterior_high": BINS[b + 1], "n_animals": n}
        row |= {"mean_posterior": top[here].mean() if n else np.nan, "share_right": good / n if n else np.nan}
        rows.append(row | {"ci_low": float(low), "ci_high": float(high)})
    return pd.DataFrame(rows)


def calibration_error(held: HeldOut, rng: np.random.Generator) -> dict[str, float | None]:
    """Return the expected calibration error, and what it would be if every posterior kept its word.

    The error is the mean over animals of how far the share called rightly lies from the mean posterior of their bin. It
    is above 0 by chance alone, so that the same is drawn with every call right with the chance that its posterior says.

    Args:
        held: from `proof.nested_validation`.
        rng: source of randomness.

    Returns:
        expected_calibration_error; if_calibrated, mean over draws; if_calibrated_high, their 95 % point; None each
        without animals.
    Source: Naeini, Cooper & Hauskrecht (2015) Proc AAAI 29:2901-2907.
    """
    names = ("expected_calibration_error", "if_calibrated", "if_calibrated_high")
    top, right = _called(held)
    if not len(top):
        return dict.fromkeys(names)
    member = _bin_of(top)[:, None] == np.arange(len(BINS) - 1)
    said = top @ member

    def error(good: np.ndarray) -> np.ndarray:
        return np.abs(good @ member - said).sum(axis=-1) / len(top)

    drawn = error((rng.random((CALIBRATED_DRAWS, len(top))) < top).astype(float))
    values = (error(right.astype(float)), drawn.mean(), np.quantile(drawn, 0.95))
    return dict(zip(names, map(float, values), strict=True))


def _called(held: HeldOut) -> tuple[np.ndarray, np.ndarray]:
    judged = held.judged
    return held.posterior[judged].max(axis=1), held.called[judged] == held.unit[judged]


def _bin_of(top: np.ndarray) -> np.ndarray:
    return np.clip(np.searchsorted(np.array(BINS), top, side="right") - 1, 0, len(BINS) - 2)


def random_calls(
    draw: Callable[[int], np.ndarray], judge: Callable[[np.ndarray], np.ndarray], n_tested: int
) -> np.ndarray:
    """Return the unit called by each of RANDOM_PANELS panels, int64 (RANDOM_PANELS, n_tested).

    Args:
        draw: gives the markers of a draw by its number.
        judge: gives the units called, int (n_tested,), from markers.
        n_tested: animals called.
    """
    calls = np.zeros((RANDOM_PANELS, n_tested), dtype=np.int64)
    for number in range(RANDOM_PANELS):
        calls[number] = judge(draw(number))
    return calls
