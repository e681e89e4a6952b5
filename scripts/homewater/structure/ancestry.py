"""Shared ancestry of every animal: groups fitted to the animals that define units, all others placed among them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.running.seeds import Draws
from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.admixture_fit import Fit, derivatives, fit, improve
from homewater.structure.admixture_start import animal_axes, start_shares
from homewater.structure.group_number import HELD_OUT_MARKERS, choose_number, held_out_losses, most_groups
from homewater.structure.share_bounds import share_bounds
from homewater.tables.kept_animals import evenly_spaced

MAX_MARKERS = 20000  # shares are then known to about 0.01 between groups of F_ST 0.01; time grows with markers
MAX_ROUNDS = 300
SETTLED = 0.02  # log-likelihood units a round
NEAR = 25.0  # log-likelihood units within which a start may still be on its way to the best, and is taken up again
MORE_ROUNDS = 100
FINELY_SETTLED = 0.001
AGREEMENT = 2.0  # log-likelihood units within which two starts are said to have reached the same fit
AGREEING = 2  # starts that must have reached the best fit before its shares are reported
MORE_STARTS = 3  # where too few agree, as many times the starts asked for are made at most
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

    @property
    def k(self) -> int:
        """Number of groups."""
        return self.fit.shares.shape[1]

    @property
    def agrees(self) -> bool:
        """Whether the shares may be reported: one group has one fit, more need AGREEING starts that reached it."""
        return self.k == 1 or self.n_agree >= AGREEING


@dataclass(frozen=True)
class AncestryTables:
    """Shared ancestry of a species as it is written.

    Attributes:
        ancestry: table ancestry, one row an animal.
        group_number: table group_number, one row a number of groups tried.
    """

    ancestry: pd.DataFrame
    group_number: pd.DataFrame


def species_ancestry(species: OpenedSpecies, max_groups: int, n_starts: int, draws: Draws) -> AncestryTables:
    """Return how many groups held-out genotypes support, and the shares of every animal in those that are reported.

    Groups are fitted to the animals that define units; all others are placed among them. Reported is the largest
    supported number on which several starts agree.

    Args:
        species: genotypes, animals and markers; thinned markers are used, HELD_OUT_MARKERS or MAX_MARKERS at most.
        max_groups: largest number of groups tried.
        n_starts: starts of each fit at least.
        draws: gives the generators of folds and starts.
    """
    animals, store = species.kept, species.store
    defines = animals["defines"].to_numpy()
    thinned = np.flatnonzero(species.thinned_markers)
    numbers = _tried_numbers(species, thinned, max_groups, draws)
    supported = int(numbers.loc[numbers["chosen"], "k"].iloc[0])
    used = evenly_spaced(thinned, MAX_MARKERS)
    everyone = np.ascontiguousarray(store.select(used, species.place).T)
    tries = agreed_fits(everyone[defines], supported, n_starts, draws)
    best = tries[-1]
    order = group_order(best.fit.shares, animals.loc[defines, "locationID"].tolist())
    frequencies = np.ascontiguousarray(best.fit.frequencies[order])
    shares = np.empty((len(animals), best.k))
    shares[defines] = place(everyone[defines], frequencies, best.fit.shares[:, order])
    shares[~defines] = place(everyone[~defines], frequencies)
    shares /= shares.sum(axis=1, keepdims=True)
    low, high = intervals(everyone, shares, frequencies)
    made = {one.k: one for one in tries}
    numbers = numbers.assign(
        log_likelihood=[made[k].fit.log_likelihood if k in made else np.nan for k in numbers["k"]],
        n_starts=[len(made[k].log_likelihoods) if k in made else 0 for k in numbers["k"]],
        n_starts_agree=[made[k].n_agree if k in made else 0 for k in numbers["k"]],
        reported=numbers["k"] == best.k,
        n_animals=int(defines.sum()),
        n_markers=int(used.size),
    )
    return AncestryTables(ancestry_table(animals, shares, low, high), numbers)


def _tried_numbers(species: OpenedSpecies, thinned: np.ndarray, max_groups: int, draws: Draws) -> pd.DataFrame:
    """Return the numbers of groups tried on the animals that define units, as `choose_number` does."""
    some = evenly_spaced(thinned, HELD_OUT_MARKERS)
    at = species.place[species.kept["defines"].to_numpy()]
    loci = species.store.loci
    block = chromosome_blocks(loci["chrom"].to_numpy()[some], loci["pos"].to_numpy()[some])
    tried = most_groups(max_groups, at.size) if some.size else 1
    by_animal = np.ascontiguousarray(species.store.select(some, at).T)
    return choose_number(*held_out_losses(by_animal, block, tried, draws))


def best_fit(by_animal: np.ndarray, k: int, n_starts: int, draws: Draws) -> BestFit:
    """Return the best fit with k groups of several starts, and whether the starts agree.

    Where fewer than AGREEING of them do, more are made, one at a time, until they do or MORE_STARTS times as many were
    made. A start that ends close below the best is taken up again with a finer tolerance first, so that starts that
    differ are starts that settled elsewhere and not starts that were slow.

    Args:
        by_animal: int8 (n_animals, n_markers) of the animals that define units, MISSING = -1.
        k: groups.
        n_starts: starts made at least; one group needs one only.
        draws: gives the generator of each start.
    """
    if k == 1 or not by_animal.size:
        only = fit(by_animal, np.ones((len(by_animal), 1)), 2, 0.0)
        return BestFit(only, np.array([only.log_likelihood]), 1)
    axes = animal_axes(by_animal, k - 1)
    fits: list[Fit] = []
    fine: list[bool] = []
    while True:
        draw = draws(f"start {len(fits)}, {k} groups")
        fits.append(fit(by_animal, start_shares(axes, k, draw, not fits), MAX_ROUNDS, SETTLED))
        fine.append(False)
        if len(fits) < n_starts:
            continue
        _settle(by_animal, fits, fine)
        reached = np.array([one.log_likelihood for one in fits])
        n_agree = int((reached >= reached.max() - AGREEMENT).sum())
        if n_agree >= AGREEING or len(fits) >= max(MORE_STARTS * n_starts, AGREEING):
            return BestFit(fits[int(reached.argmax())], reached, n_agree)


def _settle(by_animal: np.ndarray, fits: list[Fit], fine: list[bool]) -> None:
    """Take up again, in place, the fits within NEAR of the best, each once, until no other comes near."""
    while True:
        top = max(one.log_likelihood for one in fits)
        todo = [i for i, one in enumerate(fits) if not fine[i] and one.log_likelihood >= top - NEAR]
        if not todo:
            return
        for i in todo:
            fits[i] = fit(by_animal, fits[i].shares, MORE_ROUNDS, FINELY_SETTLED, fits[i].frequencies)
            fine[i] = True


def agreed_fits(by_animal: np.ndarray, supported: int, n_starts: int, draws: Draws) -> list[BestFit]:
    """Return the best fit of the supported number of groups and of each smaller one down to the first that agrees.

    Shares on which starts do not agree are one of several descriptions, so they are not reported. One group always
    agrees.

    Args:
        by_animal: as in `best_fit`.
        supported: groups that held-out genotypes support.
        n_starts: as in `best_fit`.
        draws: gives the generator of each start.

    Returns:
        The last one is the one to report.
    """
    found = [best_fit(by_animal, supported, n_starts, draws)]
    while not found[-1].agrees:
        found.append(best_fit(by_animal, found[-1].k - 1, n_starts, draws))
    return found


def place(by_animal: np.ndarray, frequencies: np.ndarray, shares: np.ndarray | None = None) -> np.ndarray:
    """Return the shares of animals for given frequencies of the groups.

    Args:
        by_animal: int8 (n_animals, n_markers), MISSING = -1.
        frequencies: float64 (k, n_markers), held fixed.
        shares: float64 (n_animals, k), where to start; equal shares by default.

    Returns:
        float64 (n_animals, k), rows sum to 1; the start where an animal has no genotype.
    """
    k = len(frequencies)
    turned = np.full((k, len(by_animal)), 1.0 / k) if shares is None else np.ascontiguousarray(shares.T)
    by_marker, by_group = np.ascontiguousarray(by_animal.T), np.ascontiguousarray(frequencies.T)
    before = None
    for _ in range(PLACING_ROUNDS):
        turned, reached = improve(by_marker, by_group, turned)
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


def group_order(shares: np.ndarray, locations: list[str]) -> np.ndarray:
    """Return the groups in the order in which the site list first meets a site where each is the largest.

    Args:
        shares: float64 (n_animals, k) of the animals that define units, in the order of the site list.
        locations: site of each animal.

    Returns:
        int64 (k,); groups that are largest at no site follow, by the first site at which each reaches its maximum.
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
        table[f"group_{c + 1}"] = shares[:, c]
    for c in range(shares.shape[1]):
        table[f"ci_low_group_{c + 1}"], table[f"ci_high_group_{c + 1}"] = low[:, c], high[:, c]
    return table.reset_index(drop=True)
