"""Shared ancestry of every animal: clusters fitted to the animals that define units, all others placed among them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.admixture import Fit, derivatives, fit, improve
from homewater.admixture_start import animal_axes, start_shares
from homewater.seeds import generator
from homewater.share_bounds import share_bounds

MAX_MARKERS = 20000  # shares are then known to about 0.01 between clusters of F_ST 0.01; time grows with markers
MAX_ROUNDS = 300
SETTLED = 0.02  # log-likelihood units a round
AGREEMENT = 2.0  # log-likelihood units within which two starts are said to have reached the same fit
PLACING_ROUNDS = 60
PLACED = 1e-6


@dataclass(frozen=True)
class BestFit:
    """The best of several starts.

    Attributes:
        fit: its shares and frequencies.
        log_likelihoods: float64 (n_starts,), what each start reached.
        n_agree: starts within AGREEMENT of the best.
    """

    fit: Fit
    log_likelihoods: np.ndarray
    n_agree: int


def best_fit(by_animal: np.ndarray, k: int, n_starts: int, seed: int, species: str) -> BestFit:
    """Return the best fit with k clusters of several starts, and whether the starts agree.

    Args:
        by_animal: int8 (n_animals, n_markers) of the animals that define units, MISSING = -1.
        k: clusters.
        n_starts: starts; one cluster needs one only.
        seed: the study's seed.
        species: species id.
    """
    if k == 1 or not by_animal.size:
        only = fit(by_animal, np.ones((len(by_animal), 1)), 2, 0.0)
        return BestFit(only, np.array([only.log_likelihood]), 1)
    axes = animal_axes(by_animal, k - 1)
    fits = []
    for start in range(n_starts):
        draw = generator(seed, "ancestry", species, f"start {start}, {k} clusters")
        fits.append(fit(by_animal, start_shares(axes, k, draw, start == 0), MAX_ROUNDS, SETTLED))
    reached = np.array([one.log_likelihood for one in fits])
    return BestFit(fits[int(reached.argmax())], reached, int((reached >= reached.max() - AGREEMENT).sum()))


def place(by_animal: np.ndarray, frequencies: np.ndarray, shares: np.ndarray | None = None) -> np.ndarray:
    """Return the shares of animals for given frequencies of the clusters.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        frequencies: float64 (k, n_markers), held fixed.
        shares: float64 (n_animals, k), where to start; equal shares by default.

    Returns:
        float64 (n_animals, k), rows sum to 1; the start where an animal has no genotype.
    """
    k = len(frequencies)
    turned = np.full((k, len(by_animal)), 1.0 / k) if shares is None else np.ascontiguousarray(shares.T)
    by_marker, by_cluster = np.ascontiguousarray(by_animal.T), np.ascontiguousarray(frequencies.T)
    before = None
    for _ in range(PLACING_ROUNDS):
        turned, reached = improve(by_marker, by_cluster, turned)
        if before is not None and (reached - before <= PLACED).all():
            break
        before = reached
    return np.ascontiguousarray(turned.T)


def intervals(by_animal: np.ndarray, shares: np.ndarray, frequencies: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the 95 % likelihood interval of every share; frequencies count as known, markers as independent.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        shares: float64 (n_animals, k), at their maximum for these frequencies.
        frequencies: float64 (k, n_markers).

    Returns:
        (low, high), float64 (n_animals, k).
    """
    turned = np.ascontiguousarray(shares.T)
    gradient, curvature, _ = derivatives(np.ascontiguousarray(by_animal.T), np.ascontiguousarray(frequencies.T), turned)
    low, high = share_bounds(gradient, curvature, turned)
    return low.T, high.T


def cluster_order(shares: np.ndarray, locations: list[str]) -> np.ndarray:
    """Return the clusters in the order in which the site list first meets a site where each is the largest.

    Args:
        shares: float64 (n_animals, k) of the animals that define units, in the order of the site list.
        locations: site of each animal.

    Returns:
        int64 (k,); clusters that are largest at no site follow, by the first site at which each reaches its maximum.
    """
    sites = list(dict.fromkeys(locations))
    k = shares.shape[1]
    if not sites:
        return np.arange(k)
    locations = np.asarray(locations, dtype=object)
    means = np.array([shares[locations == site].mean(axis=0) for site in sites])
    largest = means.argmax(axis=1)
    first = [int(np.flatnonzero(largest == c)[0]) if (largest == c).any() else len(sites) for c in range(k)]
    return np.array(sorted(range(k), key=lambda c: (first[c], int(means[:, c].argmax()), c)), dtype=np.int64)


def ancestry_table(animals: pd.DataFrame, shares: np.ndarray, low: np.ndarray, high: np.ndarray) -> pd.DataFrame:
    """Return table ancestry, one row an animal.

    Args:
        animals: materialSampleID, locationID, role, defines; rows as in `shares`.
        shares: float64 (n_animals, k).
        low: float64 (n_animals, k).
        high: float64 (n_animals, k).
    """
    table = animals[["materialSampleID", "locationID", "role"]].assign(placed=~animals["defines"].to_numpy())
    for c in range(shares.shape[1]):
        table[f"cluster_{c + 1}"] = shares[:, c]
    for c in range(shares.shape[1]):
        table[f"ci_low_cluster_{c + 1}"], table[f"ci_high_cluster_{c + 1}"] = low[:, c], high[:, c]
    return table.reset_index(drop=True)
