"""The proof of the panel: how often it is right on animals that had no part in its making.

Each fold of animals is left out in turn. A panel is made from the others in just the way in which the real one was
made, and the animals left out are called with it (nested cross-validation).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from homewater.crosses.flag_rates import exclusion_markers
from homewater.crosses.likelihood import KnownUnits, class_list, class_table, log_likelihoods, posterior
from homewater.crosses.odds import local_ratio
from homewater.crosses.opened_panel import OpenedPanel
from homewater.genotypes.genetic_map import GeneticMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.panel.candidates import EligibleMarkers
from homewater.panel.controls import (
    HeldOut,
    calibration_error,
    calibration_table,
    controls_table,
    logistic_calls,
    random_calls,
)
from homewater.panel.folds import DealtAnimals, Training, deal_species
from homewater.panel.settings import PanelSettings
from homewater.panel.size import cutoffs_of, reached, sensitivity, size_from_curve
from homewater.running.seeds import Draws
from homewater.statistics.intervals import wilson
from homewater.tables.schema_tables import empty_table


@dataclass
class Tally:
    """Counts over folds, one entry a size.

    Attributes:
        right: held-out animals called to their unit.
        tested: held-out animals.
        random_right: the same with random markers.
        flagged: held-out animals beyond the cut-off of their unit.
        found: crosses flagged, by class.
        crosses: crosses bred.
        confusion: int64 (n_units, n_units), true by called unit, at the panel's size.
        held: each animal as judged when its fold was left out, at the panel's size.
        by_site: site number to [right, tested], at the panel's size.
        size_of_fold: fold to the size at which it was judged.
        at_own_size: int64 (2,), backcrosses flagged and bred, each fold at its own size.
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
    size_of_fold: dict[int, int] = field(default_factory=dict)
    at_own_size: np.ndarray = field(default_factory=lambda: np.zeros(2, dtype=np.int64))

    def own_sizes(self) -> dict:
        """Return the size of each fold, and the backcrosses found and bred with each fold at its own size."""
        found, bred = self.at_own_size.tolist()
        low, high = (float(bound) if bred else None for bound in wilson(found, bred))
        return {"sizes": [self.size_of_fold[fold] for fold in sorted(self.size_of_fold)], "backcrosses_found": found,
                "backcrosses": bred, "ci_low": low, "ci_high": high}  # fmt: skip


def nested_validation(dealt: DealtAnimals, draws: Draws) -> Tally:
    """Return what the panel does on animals that had no part in it.

    Where the size comes from the curve, each fold is judged at the size that the other folds alone would choose.

    Args:
        dealt: the animals and how a panel is made.
        draws: source of randomness, by task.
    """
    zeros = np.zeros(len(dealt.settings.sizes), dtype=np.int64)
    n_units = dealt.n_units
    tally = Tally(*(zeros.copy() for _ in range(4)), {"F1": zeros.copy(), "backcross_a": zeros.copy()}, zeros.copy(),
                  np.zeros((n_units, n_units), dtype=np.int64),
                  HeldOut.nobody_yet(dealt.of(dealt.unit), n_units))  # fmt: skip
    for fold in range(dealt.n_folds):
        training = dealt.trained(fold)
        if training is None:
            continue  # a unit without animals outside this fold cannot be chosen for
        size = dealt.settings.n_markers
        if dealt.settings.size_from_curve:
            size = size_from_curve(dealt, draws, fold).size
        tally.size_of_fold[fold] = size
        rng = draws(f"part {fold}")
        tested = dealt.of(dealt.fold) == fold
        drawn = dealt.drawn_markers(training.usable, max(dealt.settings.sizes), rng)
        _judge_fold(tally, dealt, training, dealt.take(drawn), tested, size, rng)
        _judge_controls(tally.held, dealt, training, tested, size, partial(_task, draws, fold))
    return tally


def _task(draws: Draws, fold: int, number: int) -> np.random.Generator:
    return draws(f"part {fold} random panel {number}")


def _judge_controls(
    held: HeldOut,
    dealt: DealtAnimals,
    training: Training,
    tested: np.ndarray,
    size: int,
    draw_of: Callable[[int], np.random.Generator],
) -> None:
    """Call the tested animals in other ways, on as many markers as the panel has."""
    held.logistic[tested] = logistic_calls(training.dosages[:, :size], training.local, tested)

    def draw(number: int) -> np.ndarray:
        return dealt.drawn_markers(training.usable, size, draw_of(number))

    def judge(markers: np.ndarray) -> np.ndarray:
        dosages = dealt.take(markers)
        table = class_table(training.known(dosages, dealt), dealt.classes)
        return np.argmax(log_likelihoods(dosages[tested], table)[:, : dealt.n_units], axis=1)

    held.random[:, tested] = random_calls(draw, judge, int(tested.sum()))


def _judge_fold(
    tally: Tally,
    dealt: DealtAnimals,
    training: Training,
    random_dosages: np.ndarray,
    tested: np.ndarray,
    size: int,
    rng: np.random.Generator,
) -> None:
    """Judge the tested animals by the panel that was made without them, and by markers drawn at random."""
    n_units, classes, settings = dealt.n_units, dealt.classes, dealt.settings
    sizes = reached(settings.sizes, training.dosages.shape[1])
    rows, true = np.flatnonzero(tested), dealt.of(dealt.unit)[tested]
    model = training.panel(dealt)
    likelihood = log_likelihoods(training.dosages[rows], model.class_table(classes), sizes)
    called = np.argmax(likelihood[..., :n_units], axis=-1)
    right = called == true[:, None]
    cutoffs = cutoffs_of(model, classes, sizes, dealt.ratio_level, rng)
    tally.right += right.sum(axis=0)
    tally.tested += len(rows)
    tally.flagged += (local_ratio(likelihood, true) > cutoffs[true]).sum(axis=0)
    at = settings.sizes.index(size)
    np.add.at(tally.confusion, (true, called[:, at]), 1)
    tally.held.posterior[rows] = posterior(likelihood[:, at, :n_units], np.full(n_units, 1 / n_units))
    for place, good in zip(dealt.of(dealt.site)[rows].tolist(), right[:, at].tolist(), strict=True):
        entry = tally.by_site.setdefault(place, [0, 0])
        entry[0] += good
        entry[1] += 1
    by_chance = class_table(training.known(random_dosages, dealt), classes)
    likelihood = log_likelihoods(random_dosages[rows], by_chance, reached(settings.sizes, random_dosages.shape[1]))
    tally.random_right += (np.argmax(likelihood[..., :n_units], axis=-1) == true[:, None]).sum(axis=0)
    found, bred = sensitivity(model, classes, training.dosages[rows], true, cutoffs, sizes, rng)
    for name, count in found.items():
        tally.found[name] += count
    tally.crosses += bred
    tally.at_own_size += [int(found["backcross_a"][at]), bred]


def resubstitution_calls(dosages: np.ndarray, known: KnownUnits, sizes: Sequence[int]) -> np.ndarray:
    """Return the unit called for each animal by a panel and frequencies that it helped to make.

    Args:
        dosages: int8 (n_animals, n_loci), reference animals on the ranked markers, MISSING = -1.
        known: what is known of the units at these markers, these animals counted in.
        sizes: numbers of leading markers, ascending.

    Returns:
        int64 (n_animals, n_sizes).
    """
    table = class_table(known, class_list(known.n_units))
    likelihood = log_likelihoods(dosages, table, reached(sizes, dosages.shape[1]))
    return np.argmax(likelihood[..., : known.n_units], axis=-1)


def size_curve(tally: Tally, resubstitution: np.ndarray, sizes: list[int]) -> pd.DataFrame:
    """Return the table size_curve; NaN where no fold could be judged.

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


@dataclass(frozen=True)
class Proof:
    """What the panel does on animals that had no part in it, as tables.

    Attributes:
        size_curve: table size_curve.
        confusion: table confusion.
        controls: table controls.
        calibration: table calibration.
        summary: figures by site, of the calibration and of the folds at their own sizes.
    """

    size_curve: pd.DataFrame
    confusion: pd.DataFrame
    controls: pd.DataFrame
    calibration: pd.DataFrame
    summary: dict


def no_proof(n_units: int) -> Proof:
    """Return the proof where there is no panel: no row.

    Args:
        n_units: number of units.
    """
    tables = {name: empty_table(name) for name in ("size_curve", "confusion", "controls", "calibration")}
    return Proof(**tables, summary={"n_units": n_units, "folds": 0})


def prove_panel(
    species: OpenedSpecies,
    panel: OpenedPanel,
    genetic_map: GeneticMap,
    settings: PanelSettings,
    blocks: pd.DataFrame,
    draws: Draws,
) -> Proof:
    """Return the proof of a panel: it is made anew without each fold of animals, and judges that fold.

    Args:
        species: the opened species.
        panel: the panel to be proved.
        genetic_map: of the species.
        settings: how the panel was made, and in how many folds it is proved.
        blocks: table genome_blocks.
        draws: source of randomness, by task.
    """
    unit, n_units, names = panel.reference.unit, panel.n_units, panel.names
    unchosen = exclusion_markers(species.thinned_markers, panel.rows, settings.rates.n_exclusion_markers)
    markers = EligibleMarkers.of_species(species, settings.rules.min_clear_bases, blocks)
    site, fold = deal_species(species, unit, settings.folds, draws("folds"))
    recombination, ratio_level = genetic_map.of(species.store.markers), settings.rates.ratio_level(len(unchosen))
    tally = nested_validation(
        DealtAnimals(species.store, unit, site, fold, n_units, markers, recombination, settings, ratio_level), draws
    )
    listed, size, sizes = panel.reference.listed, panel.n_wanted, settings.sizes
    dosages = panel.dosages(panel.ranked, listed)  # the reserve too: sizes reach into it
    own = resubstitution_calls(dosages, panel.known(dosages, panel.reference.counted_in[listed]), sizes)
    optimistic = (own == unit[listed][:, None]).mean(axis=0)
    return Proof(
        size_curve=size_curve(tally, optimistic, list(sizes)),
        confusion=confusion_table(tally.confusion, names),
        controls=controls_table(tally.held, own[:, sizes.index(size)], min(size, len(panel.ranked))),
        calibration=calibration_table(tally.held),
        summary={
            "n_units": n_units,
            "folds": settings.folds,
            "n_markers": size,
            "size_from": settings.size_from,
            "by_site": by_site(tally, np.unique(species.store.location_ids)),
            "calibration": calibration_error(tally.held, draws("calibration")),
            "at_own_size": tally.own_sizes(),
        },
    )


def confusion_table(confusion: np.ndarray, names: list[str]) -> pd.DataFrame:
    """Return the table confusion.

    Args:
        confusion: int (n_units, n_units), animals by true and called unit.
        names: unit names.
    """
    cells = [(true, called, int(confusion[a, b])) for a, true in enumerate(names) for b, called in enumerate(names)]
    return pd.DataFrame(cells, columns=["true_unit", "called_unit", "n"])


def by_site(tally: Tally, location_ids: np.ndarray) -> dict[str, dict[str, float]]:
    """Return how many animals of each site were called rightly, with the 95 % interval of their share.

    Args:
        tally: from `nested_validation`.
        location_ids: str (n_sites,), sites by their numbers.
    """
    out = {}
    for place, (right, n) in sorted(tally.by_site.items()):
        low, high = wilson(right, n)
        out[str(location_ids[place])] = {"right": right, "n": n, "ci_low": float(low), "ci_high": float(high)}
    return out
