"""Genotyping error from records of the same animal genotyped twice."""

from __future__ import annotations

import numpy as np

from homewater.genotypes.store import Genotypes
from homewater.statistics.intervals import wilson

BLOCK = 4096  # markers read at once


def discordance(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Count, pair by pair, the markers at which two records differ and those called in both.

    Args:
        first: int8 (n_markers, n_pairs), alternate-allele copies; MISSING = -1.
        second: int8 (n_markers, n_pairs), the other record of each pair.

    Returns:
        differing int64 (n_pairs,), compared int64 (n_pairs,).
    """
    both = (first >= 0) & (second >= 0)
    return (both & (first != second)).sum(axis=0), both.sum(axis=0)


def replicate_error(
    store: Genotypes, rows: np.ndarray, replicates: list[tuple[int, int]], batch: np.ndarray, setting: float
) -> dict:
    """Estimate the genotyping error from the records of animals genotyped twice.

    Args:
        store: the genotypes.
        rows: int (n_rows,), the markers that are used.
        replicates: pairs of animals of the store that are records of one animal.
        batch: str (n_samples,), batch of each animal of the store; empty where unknown.
        setting: rate to use without replicates.

    Returns:
        As `error_rate`, and `by_batch` as `error_by_batch`.
    """
    first, second = (np.array([pair[side] for pair in replicates], dtype=np.int64) for side in (0, 1))
    differing, compared = np.zeros(first.size, dtype=np.int64), np.zeros(first.size, dtype=np.int64)
    for start in range(0, rows.size if first.size else 0, BLOCK):
        some = rows[start : start + BLOCK]
        found = discordance(store.select(some, first), store.select(some, second))
        differing, compared = differing + found[0], compared + found[1]
    by_batch = error_by_batch(differing, compared, batch[first], batch[second])
    return error_rate(differing, compared, setting) | {"by_batch": by_batch}


def error_rate(differing: np.ndarray, compared: np.ndarray, setting: float, confidence: float = 0.95) -> dict:
    """Estimate the chance that a called genotype is wrong.

    Two records agree where both are right; two wrong calls that agree are left aside as too rare. So the share that
    differs is 1 - (1 - error)^2. Errors come in bad records: where pairs vary more than chance lets them, the interval
    is widened by that variation (the number of genotypes divided by the dispersion among pairs).

    Args:
        differing: int (n_pairs,), genotypes that differ.
        compared: int (n_pairs,), genotypes called in both records.
        setting: rate to use without replicates.
        confidence: coverage aimed at by the interval.

    Returns:
        estimate, ci_low, ci_high (None without replicates), n_pairs, n_genotypes, source (`replicates`, `setting`).

    Source: interval by Wilson (1927); dispersion by Pearson's statistic over its degrees of freedom, as in McCullagh &
    Nelder (1989) Generalized Linear Models, section 4.5 (from memory).
    """
    differing, compared = (
        np.asarray(differing)[np.asarray(compared) > 0],
        np.asarray(compared)[np.asarray(compared) > 0],
    )
    n = int(compared.sum())
    if n == 0:
        return {
            "estimate": float(setting),
            "ci_low": None,
            "ci_high": None,
            "n_pairs": 0,
            "n_genotypes": 0,
            "source": "setting",
        }
    share = differing.sum() / n
    dispersion = 1.0
    if differing.size > 1 and 0 < share < 1:
        pearson = ((differing - compared * share) ** 2 / (compared * share * (1 - share))).sum()
        dispersion = max(1.0, float(pearson) / (differing.size - 1))
    low, high = wilson(share * n / dispersion, n / dispersion, confidence)
    estimate, low, high = (1 - np.sqrt(1 - np.array([share, low, high], dtype=float))).tolist()
    return {
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "n_pairs": int(differing.size),
        "n_genotypes": n,
        "source": "replicates",
    }


def error_by_batch(
    differing: np.ndarray, compared: np.ndarray, first_batch: np.ndarray, second_batch: np.ndarray
) -> list[dict]:
    """Estimate the genotyping error of each batch, from the pairs that have a record in it.

    A pair of two batches counts in both, so that a bad batch raises its partners' estimates a little, and its own most.

    Args:
        differing: int (n_pairs,), genotypes that differ.
        compared: int (n_pairs,), genotypes called in both records.
        first_batch: str (n_pairs,), batch of the one record; empty where unknown.
        second_batch: str (n_pairs,), batch of the other.

    Returns:
        One dict a batch that has pairs, in the order of their names: batch, estimate, ci_low, ci_high, n_pairs,
        n_genotypes.
    """
    differing, compared = np.asarray(differing), np.asarray(compared)
    rows = []
    for batch in sorted({*first_batch, *second_batch} - {""}):
        own = (np.asarray(first_batch) == batch) | (np.asarray(second_batch) == batch)
        found = error_rate(differing[own], compared[own], float("nan"))
        if found["n_pairs"]:
            rows.append({"batch": str(batch)} | {key: found[key] for key in found if key != "source"})
    return rows
