"""How long ago stocks mixed, by the lengths of the stretches of chromosome that come from either (ancestry tracts).

Crossing-over cuts these stretches shorter in each generation. A first-generation hybrid has whole chromosomes of either
stock; T generations after the mixture a chromosome has been put together anew T - 1 times a Morgan.

Model: no stretch is marked off. A hidden Markov model follows, from marker to marker, how many of an animal's two
copies come from the other unit, and sums over all ways in which stretches could lie. Each copy draws its ancestry anew
at a rate a Morgan that is common to the group, and takes the other unit with the animal's own share of it. Where all
parents are of one class the date is a generation off at most (a cross of two first-generation hybrids reads as 3, not
2).

Sources: lengths after a single mixture, Pool & Nielsen (2009) Genetics 181:711-719 and Gravel (2012) Genetics
191:607-619 (both from memory); forward algorithm, Rabiner (1989) Proc IEEE 77:257-286.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from scipy.interpolate import CubicSpline

from homewater.crosses.likelihood import KnownUnits, class_list, class_table, left_out_table
from homewater.statistics.intervals import LIKELIHOOD_DROP

# times a Morgan at which a copy draws its ancestry anew: generations less one
RATES = np.array([0, 0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256.0])
OLDEST = 0.99 * (1 + float(RATES[-1]))  # generations, at the end of the scale
# shares of the other unit that an animal may have: denser towards the ends, where small shares differ most
SHARES = np.sin(np.pi * (np.arange(17) + 0.5) / 34) ** 2
COARSE_RATES, COARSE_SHARES = (1, 4, 7, 10, 13, 16), (1, 3, 6, 8, 10, 13, 15)
MIN_LOG_ODDS = float(np.log(1000.0))  # mixed against pure ancestry: noise alone would give ever shorter tracts
TWO_UNITS = class_list(2)
NONE_ONE_BOTH = TWO_UNITS.of_pair(0, 1)[[0, 2, 1]]  # classes whose copies are all alike: pure_a, F1, pure_b
MIN_MARKERS = 300
MAX_MARKERS = 10_000
HARDLY = 3.0  # log odds below which an animal is pure
LARGEST = 600.0  # log odds either way beyond which exp would leave its range
ROUNDS = 300


@dataclass(frozen=True)
class MixingAge:
    """Result of `mixing_age`; bounds are of the 95 % interval.

    Attributes:
        n_mixed: animals that are clearly mixed.
        n_first_generation: animals that are clearly hybrids of the first generation.
        generations: counted from the first cross, whose young are generation 1.
        ci_low: lower bound, at least 1.
        ci_high: upper bound; inf where tracts are too short for the markers to bound it.
    """

    n_mixed: int
    n_first_generation: int
    generations: float
    ci_low: float
    ci_high: float


def copies_tables(known: KnownUnits) -> np.ndarray:
    """Return the chance of each called dosage where none, one or both copies of an animal come from the second unit.

    Args:
        known: what is known of the two units, n_markers loci, with a prior fitted on both.

    Returns:
        float64 (3, n_markers, 3, 3): for animals outside the counts, and for those counted in either unit, without
        their own copies; then dosage; then none, one, both.
    """
    whole = class_table(known, TWO_UNITS)
    left_out = [left_out_table(known, unit, TWO_UNITS, whole) for unit in (0, 1)]
    return np.stack([whole, *left_out])[..., NONE_ONE_BOTH]


def copies_chance(table: np.ndarray, dosages: np.ndarray) -> np.ndarray:
    """Return the chance of an animal's dosages where none, one or both of its copies come from the second unit.

    Args:
        table: float64 (n_markers, 3, 3), of `copies_tables` that for the animal's place.
        dosages: int8 (n_markers,), MISSING = -1.

    Returns:
        float64 (n_markers, 3); 1 where nothing is called.
    """
    chance = table[np.arange(dosages.size), np.maximum(dosages, 0)]
    return np.where((dosages >= 0)[:, None], chance, 1.0)


def log_likelihoods(chance: np.ndarray, steps: np.ndarray, rates: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Return an animal's log-likelihood at every rate and share.

    Args:
        chance: float64 (n_markers, 3), from `copies_chance`, markers in map order.
        steps: float64 (n_markers,), Morgans from the marker before.
        rates: float64 (n_rates,), times a Morgan at which a copy draws its ancestry anew.
        shares: float64 (n_shares,), of the second unit, between 0 and 1.

    Returns:
        float64 (n_rates, n_shares).
    """
    out = np.empty((len(rates), len(shares)))
    _forward(np.ascontiguousarray(chance), steps, np.asarray(rates, float), np.asarray(shares, float), out)
    return out


@numba.njit(cache=True)
def _forward(chance, steps, rates, shares, out):  # pragma: no cover
    kept = np.empty(steps.size)  # chance that a copy keeps its ancestry from the marker before
    for r in range(rates.size):
        for j in range(steps.size):
            kept[j] = np.exp(-rates[r] * steps[j]) if steps[j] < np.inf else 0.0
        for s in range(shares.size):
            m = shares[s]
            none, one, both = 1.0, 0.0, 0.0
            total, product = 0.0, 1.0
            for j in range(steps.size):
                into, out_of = m * (1 - kept[j]), (1 - m) * (1 - kept[j])
                stay_a, stay_b = 1 - into, 1 - out_of
                a = none * stay_a * stay_a + one * out_of * stay_a + both * out_of * out_of
                b = 2 * (none * stay_a * into + both * out_of * stay_b) + one * (stay_a * stay_b + into * out_of)
                c = none * into * into + one * into * stay_b + both * stay_b * stay_b
                a, b, c = a * chance[j, 0], b * chance[j, 1], c * chance[j, 2]
                scale = a + b + c
                product *= scale
                if product < 1e-200:  # a logarithm now and then
                    total += np.log(product)
                    product = 1.0
                none, one, both = a / scale, b / scale, c / scale
            out[r, s] = total + np.log(product)


def log_odds(chance: np.ndarray, steps: np.ndarray) -> tuple[float, np.ndarray]:
    """Return how much likelier than pure an animal is as a first-generation hybrid, and as mixed at RATES and SHARES.

    Args:
        chance: float64 (n_markers, 3), from `copies_chance`, markers in map order.
        steps: float64 (n_markers,), Morgans from the marker before.

    Returns:
        Natural logarithms: one, and float64 (len(RATES), len(SHARES)); -LARGEST where a coarse look shows the animal to
        be pure.
    """
    none, first, both = np.log(chance).sum(axis=0)
    pure = max(none, both)
    rates, shares = RATES[list(COARSE_RATES)], SHARES[list(COARSE_SHARES)]
    # a tenth of the work tells most locals
    if max(log_likelihoods(chance, steps, rates, shares).max(), first) < pure - HARDLY:
        return -LARGEST, np.full((len(RATES), len(SHARES)), -LARGEST)
    return first - pure, log_likelihoods(chance, steps, RATES, SHARES) - pure


def group_odds(
    dosages: np.ndarray, counted_in: np.ndarray, tables: np.ndarray, steps: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return `log_odds` of each animal: float64 (n_animals,) and (n_animals, len(RATES), len(SHARES)).

    Args:
        dosages: int8 (n_markers, n_animals), markers in map order; MISSING = -1.
        counted_in: int (n_animals,), 0 or 1 where the animal is counted in that unit, else -1.
        tables: from `copies_tables`.
        steps: float64 (n_markers,), Morgans from the marker before.
    """
    odds = [
        log_odds(copies_chance(tables[1 + unit], animal), steps)
        for animal, unit in zip(dosages.T, counted_in, strict=True)
    ]
    return np.array([first for first, _ in odds]), np.array([aged for _, aged in odds])


def mixing_age(first: np.ndarray, aged: np.ndarray) -> MixingAge | None:
    """Return the age of the mixture that a group of animals shares, with its profile-likelihood interval.

    The group is made of pure animals, hybrids of the first generation and animals of one common age, these with shares
    of the other unit from any law; how many are of which kind is fitted at every age. So neither those that kept
    nothing visible nor first hybrids bend the date.

    Args:
        first: float64 (n_animals,), from `group_odds`.
        aged: float64 (n_animals, len(RATES), len(SHARES)), from `group_odds`.

    Returns:
        The age, or None where no animal is clearly mixed.
    """
    best_aged = aged.max(axis=(1, 2))
    n_clear = tuple(int((odds >= MIN_LOG_ODDS).sum()) for odds in (np.maximum(first, best_aged), first - best_aged))
    if not n_clear[0]:
        return None
    alone = _fitted(np.stack([np.zeros_like(first), first], axis=-1)[:, None])[0]
    nobody = np.broadcast_to(0.0, (*aged.shape[:2], 1))
    hybrids = np.broadcast_to(first[:, None, None], nobody.shape)
    everyone = _fitted(np.concatenate([nobody, hybrids, aged], axis=-1))
    if everyone.max() - alone >= MIN_LOG_ODDS:
        return MixingAge(*n_clear, *_profiled(everyone, everyone.max() - LIKELIHOOD_DROP))
    without = _fitted(np.concatenate([nobody, aged], axis=-1))
    if alone - without.max() >= MIN_LOG_ODDS:
        return MixingAge(*n_clear, 1.0, 1.0, 1.0)
    # first hybrids or an older mixture: a different model and not a point of the scale, so that odds decide
    age, _, high = _profiled(without, max(alone, without.max()) - MIN_LOG_ODDS)
    return MixingAge(*n_clear, 1.0 if alone > without.max() else age, 1.0, high)


def _fitted(odds: np.ndarray) -> np.ndarray:
    """Return float64 (n_rates,), the log-likelihood of a group at the best mixture of kinds (EM).

    Args:
        odds: float64 (n_animals, n_rates, n_kinds), log odds of each animal as each kind.
    """
    top = odds.max(axis=-1, keepdims=True)
    parts = np.exp(odds - top)
    weights = np.full((odds.shape[1], odds.shape[2]), 1 / odds.shape[2])
    for _ in range(ROUNDS):
        weighted = weights * parts
        weights = (weighted / weighted.sum(axis=-1, keepdims=True)).mean(axis=0)
    return (np.log((weights * parts).sum(axis=-1)) + top[..., 0]).sum(axis=0)


def _profiled(values: np.ndarray, least: float) -> tuple[float, float, float]:
    """Return the best age and the outermost ages at which the likelihood reaches `least`; inf beyond RATES."""
    x = np.log1p(RATES)
    fine = np.linspace(0, x[-1], 2001)
    curve = CubicSpline(x, values)(fine)
    best, inside = int(curve.argmax()), np.flatnonzero(curve >= least)
    if not inside.size:
        inside = np.array([best])
    high = np.inf if inside[-1] == fine.size - 1 else float(np.exp(fine[inside[-1]]))
    return float(np.exp(fine[best])), float(np.exp(fine[inside[0]])), high
