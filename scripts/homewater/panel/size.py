"""How many markers a panel needs: the smallest number that finds about as many backcrosses as the best.

Crosses are bred from animals that had no part in the panel that judges them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from homewater.crosses.gene_drop import draw_class
from homewater.crosses.likelihood import MISSING, ClassList, log_likelihoods
from homewater.crosses.odds import cutoff, local_ratio
from homewater.crosses.simulated import PanelModel
from homewater.panel.folds import DealtAnimals
from homewater.panel.settings import PanelSettings
from homewater.running.seeds import Draws

LOCALS_A_FOLD = 5000  # simulated locals behind each unit's cut-off in one fold
CROSSES_A_FOLD = 100  # crosses of each kind for each ordered pair of units in one fold


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


def sensitivity(
    panel: PanelModel,
    classes: ClassList,
    held_out: np.ndarray,
    unit: np.ndarray,
    cutoffs: np.ndarray,
    sizes: list[int],
    rng: np.random.Generator,
) -> tuple[dict[str, np.ndarray], int]:
    """Return how many crosses bred from held-out animals are flagged, and how many were bred.

    Args:
        panel: the panel, made without those animals.
        classes: from `class_list`.
        held_out: int8 (n_animals, n_loci), genotypes of the held-out animals, MISSING = -1.
        unit: int (n_animals,), their units.
        cutoffs: (n_units, n_sizes), ratio above which an animal is flagged.
        sizes: numbers of leading markers, ascending.
        rng: source of randomness.

    Returns:
        {class: int64 (n_sizes,), crosses flagged}; crosses bred of each class.
    """
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


def reached(sizes: Sequence[int], n_loci: int) -> list[int]:
    """Return the sizes, none above the number of markers that could be chosen.

    Args:
        sizes: numbers of markers wanted.
        n_loci: markers that could be chosen.
    """
    return [min(size, n_loci) for size in sizes]


def cutoffs_of(
    model: PanelModel, classes: ClassList, sizes: list[int], rate: float, rng: np.random.Generator
) -> np.ndarray:
    """Return the cut-off of each unit at each size, float64 (n_units, n_sizes), from locals drawn.

    Args:
        model: the panel.
        classes: from `class_list`.
        sizes: numbers of leading markers, ascending.
        rate: highest share of locals that may exceed a cut-off.
        rng: source of randomness.
    """
    cutoffs = np.empty((model.n_units, len(sizes)))
    table = model.class_table(classes)
    for u in range(model.n_units):
        locals_drawn = model.draw("pure_a", u, u, LOCALS_A_FOLD, rng)
        ratio = local_ratio(log_likelihoods(locals_drawn, table, sizes), np.full(LOCALS_A_FOLD, u))
        cutoffs[u] = [cutoff(ratio[:, s], rate) for s in range(len(sizes))]
    return cutoffs


@dataclass(frozen=True)
class SizeChoice:
    """The smallest size that finds about as many backcrosses as the best.

    Attributes:
        size: markers.
        sensitivity: float64 (n_sizes,), share of backcrosses beyond the cut-off.
        error: float64 (n_sizes,), its standard error over folds; NaN with fewer than two.
    """

    size: int
    sensitivity: np.ndarray
    error: np.ndarray

    def as_record(self, sizes: tuple[int, ...]) -> dict:
        """Return the choice as it is written.

        Args:
            sizes: numbers of markers, as in the settings.
        """
        return {"sizes": list(sizes), "backcross_sensitivity": _or_none(self.sensitivity),
                "standard_error": _or_none(self.error)}  # fmt: skip


def size_from_curve(dealt: DealtAnimals, draws: Draws, *without: int) -> SizeChoice:
    """Return the smallest size whose sensitivity for a backcross is within one standard error of the best.

    Every other fold is left out in turn; crosses of its animals are judged by a panel, with cut-offs, from the rest.
    Accuracy on pure animals alone would stop at a handful of markers, which miss most backcrosses.

    Args:
        dealt: the animals and how a panel is made.
        draws: source of randomness, by task.
        without: folds that have no say at all, for the outer figures.

    Returns:
        The choice; the panel's fixed size where no cross could be bred.

    Source: the rule of one standard error, Breiman, Friedman, Olshen & Stone (1984) Classification and Regression
        Trees, section 3.4.3.
    """
    by_fold = []
    for fold in range(dealt.n_folds):
        training = None if fold in without else dealt.trained(*without, fold)
        if training is None:
            continue
        rng = draws(f"size {sorted(without)} {fold}")
        sizes = reached(dealt.settings.sizes, training.dosages.shape[1])
        model = training.panel(dealt)
        cutoffs = cutoffs_of(model, dealt.classes, sizes, dealt.ratio_level, rng)
        rows = dealt.of(dealt.fold) == fold
        found, bred = sensitivity(
            model, dealt.classes, training.dosages[rows], dealt.of(dealt.unit)[rows], cutoffs, sizes, rng
        )
        if bred:
            by_fold.append(found["backcross_a"] / bred)
    return smallest_near_best(np.array(by_fold).reshape(-1, len(dealt.settings.sizes)), dealt.settings)


def smallest_near_best(by_fold: np.ndarray, settings: PanelSettings) -> SizeChoice:
    """Return the smallest size within one standard error of the best.

    Args:
        by_fold: float64 (n_folds, n_sizes), share of backcrosses found in each fold at each size.
        settings: the sizes, and the fixed size that is taken where no fold could be judged.
    """
    n_folds, n_sizes = by_fold.shape
    if not n_folds:
        return SizeChoice(settings.n_markers, np.full(n_sizes, np.nan), np.full(n_sizes, np.nan))
    mean = by_fold.mean(axis=0)
    error = by_fold.std(axis=0, ddof=1) / np.sqrt(n_folds) if n_folds > 1 else np.full(n_sizes, np.nan)
    best = int(np.argmax(mean))
    enough = mean >= mean[best] - np.nan_to_num(error[best])
    return SizeChoice(settings.sizes[int(np.argmax(enough))], mean, error)


def _or_none(values: np.ndarray) -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in values]
