"""The proof of the panel: nested cross-validation on animals that had no part in its making.

Baseline animals are dealt into parts within each site, kin together. For each part everything that looks at labels is
done again without it: call rates by unit, animals of recent foreign ancestry, frequencies, markers, cut-offs. Units
stay fixed, so that every figure is conditional on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from homewater.class_draws import PanelModel
from homewater.class_odds import counts_by_unit, cutoff, local_ratio, recently_foreign
from homewater.frequency_prior import FrequencyPrior, fit_prior
from homewater.gene_drop import RecombinationMap, draw_class
from homewater.likelihood import MISSING, ClassList, class_list, class_table, log_likelihoods, posterior
from homewater.marker_choice import candidates, copies_of, drift_by_unit, frequencies, random_markers, rank_markers
from homewater.statistics import wilson
from homewater.validation_controls import HeldOut, logistic_calls, random_calls

LOCALS_A_FOLD = 5000  # simulated locals behind each unit's cut-off in one part
CROSSES_A_FOLD = 100  # crosses of each kind for each ordered pair of units in one part


@dataclass(frozen=True)
class Settings:
    """Settings of the proof; names and units as in the study file.

    Attributes:
        sizes: numbers of markers, ascending; the panel's own among them.
        n_markers: the panel's size, for the confusion table and for the first judgement of foreign ancestry.
        min_call_rate: least call rate of a marker in each unit.
        min_spacing_bp: least distance between markers.
        error: chance that a called genotype is wrong.
        false_flag_rate: share of locals that may be flagged.
        foreign_rate: share of locals that may leave the frequencies as foreign.
    """

    sizes: tuple[int, ...]
    n_markers: int
    min_call_rate: float
    min_spacing_bp: int
    error: float
    false_flag_rate: float
    foreign_rate: float


@dataclass
class Tally:
    """Counts over parts, one entry a size.

    Attributes:
        right: held-out animals called to their unit.
        tested: held-out animals.
        random_right: the same with random markers.
        flagged: held-out animals beyond the cut-off of their unit.
        found: crosses flagged, by class.
        crosses: crosses bred.
        confusion: int64 (n_units, n_units), true by called unit, at the panel's size.
        held: each animal as judged in the part that left it out, at the panel's size.
    """

    right: np.ndarray
    tested: np.ndarray
    random_right: np.ndarray
    flagged: np.ndarray
    found: dict[str, np.ndarray]
    crosses: np.ndarray
    confusion: np.ndarray
    held: HeldOut
    by_site: dict[int, list[int]] = field(default_factory=dict)


def deal_folds(site: np.ndarray, kin: np.ndarray, n_folds: int, rng: np.random.Generator) -> np.ndarray:
    """Return the part of each animal: every site spread evenly over the parts, families undivided.

    Args:
        site: int (n_animals,), site of each animal; -1 takes no part.
        kin: int (n_animals,), family of each animal; animals without kin have a number of their own.
        n_folds: number of parts.
        rng: source of randomness.

    Returns:
        int64 (n_animals,), -1 for animals that take no part.
    """
    fold = np.full(len(site), -1, dtype=np.int64)
    total = np.zeros(n_folds)
    for place in np.unique(site[site >= 0]):
        here = np.zeros(n_folds)
        members = np.flatnonzero((site == place) & (fold < 0))
        families = rng.permutation(np.unique(kin[members]))
        for family in families:
            whole = np.flatnonzero((kin == family) & (site >= 0))  # kin at other sites come along
            part = int(np.lexsort((np.arange(n_folds), total, here))[0])
            fold[whole] = part
            here[part] += (site[whole] == place).sum()
            total[part] += len(whole)
    return fold


def haplotypes(dosages: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return founder haplotypes of held-out animals: phase at random, missing copies drawn from those typed.

    Panel markers lie far apart, so that phase carries next to nothing.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        rng: source of randomness.

    Returns:
        int8 (n_loci, 2 x n_animals); the reference allele where nobody is typed.
    """
    n, n_loci = dosages.shape
    filled = dosages.copy()
    for locus in np.flatnonzero((dosages == MISSING).any(axis=0)):
        typed = dosages[dosages[:, locus] >= 0, locus]
        absent = dosages[:, locus] == MISSING
        filled[absent, locus] = rng.choice(typed, size=int(absent.sum())) if len(typed) else 0
    first = rng.random((n, n_loci)) < 0.5
    one = np.where(filled == 1, first, filled == 2)
    return np.concatenate([one, filled - one]).T.astype(np.int8)


class _Held:
    """Genotypes of the animals that take part, on the markers asked for."""

    def __init__(self, genotypes, animals: np.ndarray):
        self._genotypes, self._mask = genotypes, np.zeros(genotypes.n_samples, dtype=bool)
        self._mask[animals] = True

    def __call__(self, markers: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(self._genotypes.select(markers, self._mask).T)


def _sensitivity(
    panel: PanelModel,
    classes: ClassList,
    held_out: np.ndarray,
    unit: np.ndarray,
    cutoffs: np.ndarray,
    sizes: list[int],
    rng: np.random.Generator,
) -> tuple[dict[str, np.ndarray], int]:
    """Return how many crosses bred from held-out animals are flagged, by class and size, and how many were bred."""
    found = {name: np.zeros(len(sizes), dtype=np.int64) for name in ("F1", "backcross_a")}
    table = panel.class_table(classes)
    parents = [held_out[unit == u] for u in range(panel.n_units)]
    bred = 0
    for a in range(panel.n_units):
        for b in range(panel.n_units):
            if a == b or min(len(parents[a]), len(parents[b])) < 2:
                continue
            pools = [haplotypes(parents[u], rng) for u in (a, b)]
            bred += CROSSES_A_FOLD
            for name, count in found.items():
                dosages, _ = draw_class(name, *pools, panel.recombination, CROSSES_A_FOLD, rng)
                crosses = np.ascontiguousarray(dosages.T)
                patterns = held_out == MISSING
                crosses[patterns[rng.integers(len(patterns), size=len(crosses))]] = MISSING
                likelihood = log_likelihoods(crosses, table, sizes)
                ratio = local_ratio(likelihood, np.full(len(crosses), a))
                count += (ratio > cutoffs[a]).sum(axis=0)
    return found, bred


def nested_validation(
    genotypes,
    unit: np.ndarray,
    site: np.ndarray,
    fold: np.ndarray,
    n_units: int,
    kept: np.ndarray,
    recombination: RecombinationMap,
    settings: Settings,
    generator: Callable[[str], np.random.Generator],
) -> Tally:
    """Return what the panel does on animals that had no part in it.

    Args:
        genotypes: an opened store (`genotype_counts`, `select`, `markers`, `n_samples`).
        unit: int (n_samples,), unit of each reference animal; -1 for all others.
        site: int (n_samples,), site of each animal.
        fold: int (n_samples,), from `deal_folds`; -1 takes no part.
        n_units: number of units.
        kept: bool (n_markers,), markers that the filters kept.
        recombination: map of all markers.
        settings: sizes and limits.
        generator: gives the random generator of a task by its name.
    """
    sizes, n_folds = list(settings.sizes), int(fold.max(initial=-1)) + 1
    classes = class_list(n_units)
    chrom, pos = genotypes.markers["chrom"].to_numpy(), genotypes.markers["pos"].to_numpy()
    animals = np.flatnonzero(fold >= 0)
    take = _Held(genotypes, animals)
    of_unit, of_site, of_fold = unit[animals], site[animals], fold[animals]
    zeros = np.zeros(len(sizes), dtype=np.int64)
    tally = Tally(*(zeros.copy() for _ in range(4)), {"F1": zeros.copy(), "backcross_a": zeros.copy()}, zeros.copy(),
                  np.zeros((n_units, n_units), dtype=np.int64), HeldOut.nobody_yet(of_unit, n_units))  # fmt: skip
    by_fold = genotypes.genotype_counts(np.where(fold >= 0, fold * n_units + unit, -1), n_folds * n_units)
    by_fold = by_fold.reshape(len(by_fold), n_folds, n_units, 4)
    total = by_fold.sum(axis=1)

    def rank(counts: np.ndarray, n: int, start: FrequencyPrior | None) -> tuple[np.ndarray, np.ndarray, FrequencyPrior]:
        usable = candidates(counts, kept, settings.min_call_rate)
        ranking = rank_markers(frequencies(counts), usable, chrom, pos, n, settings.min_spacing_bp)
        return ranking, usable, fit_prior(*copies_of(counts[usable]), start)

    for part in range(n_folds):
        counts, training = total - by_fold[:, part], of_fold != part
        if (counts[..., :3].sum(axis=(0, 2)) == 0).any():
            continue  # a unit without animals outside this part cannot be chosen for
        first, _, prior = rank(counts, settings.n_markers, None)
        if not len(first):
            continue
        local = np.where(training, of_unit, -1)
        foreign = recently_foreign(take(first), local, n_units, settings.error, settings.foreign_rate, prior)
        if foreign.any():
            gone = np.full(genotypes.n_samples, -1)
            gone[animals[foreign]] = of_unit[foreign]
            counts = counts - genotypes.genotype_counts(gone, n_units)
        local[foreign] = -1
        rng = generator(f"part {part}")
        chosen, usable, prior = rank(counts, max(sizes), prior)
        drawn = random_markers(usable, chrom, pos, max(sizes),
                               settings.min_spacing_bp, rng)  # fmt: skip
        on_panel = take(chosen)
        _judge_part(tally, on_panel, take(drawn), local, of_unit, of_site, ~training, classes,
                    recombination.take(chosen), prior, settings, rng)  # fmt: skip
        _judge_controls(tally.held, take, on_panel[:, : settings.n_markers], usable, chrom, pos, local, ~training,
                        classes, prior, settings, partial(_task, generator, part))  # fmt: skip
    return tally


def _task(generator: Callable[[str], np.random.Generator], part: int, number: int) -> np.random.Generator:
    return generator(f"part {part} random panel {number}")


def _judge_controls(
    held: HeldOut,
    take: _Held,
    on_panel: np.ndarray,
    usable: np.ndarray,
    chrom: np.ndarray,
    pos: np.ndarray,
    local: np.ndarray,
    tested: np.ndarray,
    classes: ClassList,
    prior: FrequencyPrior,
    settings: Settings,
    generator: Callable[[int], np.random.Generator],
) -> None:
    """Call the tested animals in other ways, on as many markers as the panel has."""
    held.logistic[tested] = logistic_calls(on_panel, local, tested)

    def draw(number: int) -> np.ndarray:
        return random_markers(usable, chrom, pos, settings.n_markers, settings.min_spacing_bp, generator(number))

    def judge(markers: np.ndarray) -> np.ndarray:
        dosages = take(markers)
        table = class_table(*counts_by_unit(dosages, local, classes.n_units), classes, settings.error, prior)
        return np.argmax(log_likelihoods(dosages[tested], table)[:, : classes.n_units], axis=1)

    held.random[:, tested] = random_calls(draw, judge, int(tested.sum()))


def _reached(sizes: list[int], n_loci: int) -> list[int]:
    return [min(size, n_loci) for size in sizes]


def _judge_part(
    tally: Tally,
    dosages: np.ndarray,
    random_dosages: np.ndarray,
    local: np.ndarray,
    unit: np.ndarray,
    site: np.ndarray,
    tested: np.ndarray,
    classes: ClassList,
    recombination: RecombinationMap,
    prior: FrequencyPrior,
    settings: Settings,
    rng: np.random.Generator,
) -> None:
    n_units = classes.n_units
    sizes = _reached(list(settings.sizes), dosages.shape[1])
    rows, true = np.flatnonzero(tested), unit[tested]
    counted = counts_by_unit(dosages, local, n_units)
    drift = drift_by_unit(dosages, site, local, n_units)
    model = PanelModel(*counted, drift, settings.error, recombination, dosages[local >= 0] == MISSING, prior)
    table = model.class_table(classes)
    likelihood = log_likelihoods(dosages[rows], table, sizes)
    called = np.argmax(likelihood[..., :n_units], axis=-1)
    right = called == true[:, None]
    cutoffs = np.empty((n_units, len(sizes)))
    for u in range(n_units):
        locals_drawn = model.draw("pure_a", u, u, LOCALS_A_FOLD, rng)
        ratio = local_ratio(log_likelihoods(locals_drawn, table, sizes), np.full(LOCALS_A_FOLD, u))
        cutoffs[u] = [cutoff(ratio[:, s], settings.false_flag_rate) for s in range(len(sizes))]
    tally.right += right.sum(axis=0)
    tally.tested += len(rows)
    tally.flagged += (local_ratio(likelihood, true) > cutoffs[true]).sum(axis=0)
    at = list(settings.sizes).index(settings.n_markers)
    np.add.at(tally.confusion, (true, called[:, at]), 1)
    tally.held.posterior[rows] = posterior(likelihood[:, at, :n_units], np.full(n_units, 1 / n_units))
    for place, good in zip(site[rows].tolist(), right[:, at].tolist(), strict=True):
        entry = tally.by_site.setdefault(place, [0, 0])
        entry[0] += good
        entry[1] += 1
    by_chance = class_table(*counts_by_unit(random_dosages, local, n_units), classes, settings.error, prior)
    sizes_drawn = _reached(list(settings.sizes), random_dosages.shape[1])
    likelihood = log_likelihoods(random_dosages[rows], by_chance, sizes_drawn)
    tally.random_right += (np.argmax(likelihood[..., :n_units], axis=-1) == true[:, None]).sum(axis=0)
    found, bred = _sensitivity(model, classes, dosages[rows], true, cutoffs, sizes, rng)
    for name, count in found.items():
        tally.found[name] += count
    tally.crosses += bred


def resubstitution_calls(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    n_units: int,
    sizes: list[int],
    error: float,
    prior: FrequencyPrior | None = None,
) -> np.ndarray:
    """Return the unit called for each animal by a panel and frequencies that it helped to make.

    Args:
        dosages: int8 (n_animals, n_loci), reference animals on the ranked markers, MISSING = -1.
        counted_in: int (n_animals,), unit in whose frequencies each is counted; -1 if in none.
        n_units: number of units.
        sizes: numbers of leading markers, ascending.
        error: chance that a called genotype is wrong.
        prior: fitted prior; Dirichlet(1/2, 1/2) by default.

    Returns:
        int64 (n_animals, n_sizes).
    """
    table = class_table(*counts_by_unit(dosages, counted_in, n_units), class_list(n_units), error, prior)
    likelihood = log_likelihoods(dosages, table, _reached(sizes, dosages.shape[1]))
    return np.argmax(likelihood[..., :n_units], axis=-1)


def size_curve(tally: Tally, resubstitution: np.ndarray, sizes: list[int]) -> pd.DataFrame:
    """Return the table size_curve; NaN where no part could be judged.

    Args:
        tally: from `nested_validation`.
        resubstitution: (n_sizes,), share of animals rightly called by `resubstitution_calls`.
        sizes: numbers of markers.
    """

    def share(count: np.ndarray, n: np.ndarray) -> np.ndarray:
        return np.divide(count, n, out=np.full(len(sizes), np.nan), where=n > 0)

    accuracy = wilson(tally.right, tally.tested)
    f1, backcross = (wilson(tally.found[c], tally.crosses) for c in ("F1", "backcross_a"))
    return pd.DataFrame(
        {
            "n_markers": sizes,
            "nested_accuracy": share(tally.right, tally.tested),
            "ci_low": accuracy[0],
            "ci_high": accuracy[1],
            "f1_sensitivity": share(tally.found["F1"], tally.crosses),
            "backcross_sensitivity": share(tally.found["backcross_a"], tally.crosses),
            "resubstitution_accuracy": resubstitution,
            "random_panel_accuracy": share(tally.random_right, tally.tested),
            "n_tested": tally.tested,
            "f1_ci_low": f1[0],
            "f1_ci_high": f1[1],
            "backcross_ci_low": backcross[0],
            "backcross_ci_high": backcross[1],
            "n_crosses": tally.crosses,
            "held_out_flagged": share(tally.flagged, tally.tested),
        }
    )
