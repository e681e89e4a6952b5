"""What the panel can tell apart: the cut-off of each unit, and how simulated crosses of every class are called."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pandas as pd

from homewater.assignment.settings import AssignmentSettings
from homewater.assignment.verdict import LOCAL, NON_LOCAL, UNRESOLVED, UNSAMPLED, VerdictRules, called_class, verdicts
from homewater.crosses.flag_rates import exclusion_markers
from homewater.crosses.likelihood import CLASSES, MIXED_CLASSES, ClassList, log_likelihoods
from homewater.crosses.odds import CLASS_PRIOR, class_posterior, cutoff, local_ratio, pair_log_likelihoods
from homewater.crosses.opened_panel import OpenedPanel
from homewater.crosses.simulated import PanelModel
from homewater.genotypes.genetic_map import GeneticMap
from homewater.running.seeds import Draws
from homewater.statistics.intervals import wilson
from homewater.tables.schema_tables import empty_table

CALLED = (LOCAL, NON_LOCAL, UNRESOLVED, UNSAMPLED, *MIXED_CLASSES)
TOLD_APART = 0.8  # two groups of classes that equal numbers of animals are sorted into with less success are merged


def simulated_cutoffs(
    model: PanelModel, classes: ClassList, n: int, rate: float, draws: Draws
) -> tuple[np.ndarray, np.ndarray]:
    """Return each unit's cut-off, from locals drawn from its predictive.

    Args:
        model: the panel.
        classes: from `class_list`.
        n: locals drawn for each unit.
        rate: highest share of locals that may exceed the cut-off.
        draws: source of randomness, by task.

    Returns:
        cutoff float64 (n_units,); share of the simulated locals above it float64 (n_units,).
    """
    table = model.class_table(classes)
    cutoffs, shares = np.zeros(model.n_units), np.zeros(model.n_units)
    for unit in range(model.n_units):
        animals = model.draw("pure_a", unit, unit, n, draws(f"locals {unit}"))
        ratio = local_ratio(log_likelihoods(animals, table), np.full(n, unit))
        cutoffs[unit] = cutoff(ratio, rate)
        shares[unit] = np.mean(ratio > cutoffs[unit])
    return cutoffs, shares


def simulated_calls(
    model: PanelModel,
    classes: ClassList,
    pair: tuple[int, int],
    cutoffs: np.ndarray,
    n: int,
    support: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how crosses between two units are called in the waters of the first.

    Args:
        model: the panel.
        classes: from `class_list`.
        pair: numbers of the local unit and of the other.
        cutoffs: (n_units,).
        n: animals of each class.
        support: least posterior, as for real animals.
        rng: source of randomness.

    Returns:
        counts int64 (8, n_called), true class by CALLED; log likelihoods float64 (8, n, 8) of CLASSES for this pair.
    """
    table = model.class_table(classes)
    counts = np.zeros((len(CLASSES), len(CALLED)), dtype=np.int64)
    ratios = np.empty((len(CLASSES), n, len(CLASSES)))
    local, other = np.full(n, pair[0]), np.full(n, pair[1])
    rules = VerdictRules(cutoffs, 0, support)
    for true, name in enumerate(CLASSES):
        animals = model.draw(name, *pair, n, rng)
        likelihood = log_likelihoods(animals, table)
        found = verdicts(likelihood, (animals >= 0).sum(axis=1), local, classes, rules)
        ratios[true] = pair_log_likelihoods(likelihood, local, other, classes)
        called = called_class(found.outcome, class_posterior(ratios[true]))
        counts[true] = [(called == c).sum() for c in CALLED]
    return counts, ratios


def indistinct_groups(log_likelihood: np.ndarray, told_apart: float = TOLD_APART) -> list[list[str]]:
    """Return the classes in groups that the panel can tell apart.

    Of all pairs of groups, the one that is sorted with least success is merged, until every pair is sorted well enough.
    Success is the share of equal numbers of both that the larger likelihood calls rightly; members of a group weigh
    equally.

    Args:
        log_likelihood: (8, n, 8), of n simulated animals of each class under each class.
        told_apart: least success, between 0.5 (blind) and 1.

    Returns:
        A partition of CLASSES, each group and the groups themselves in the order of CLASSES.
    """
    groups = [[c] for c in range(len(CLASSES))]

    def success(first: list[int], second: list[int]) -> float:
        shares = []
        for own, other in ((first, second), (second, first)):
            mine = [np.logaddexp.reduce(log_likelihood[own][..., g], axis=-1) - np.log(len(g)) for g in (own, other)]
            shares.append(np.mean((mine[0] > mine[1]) + 0.5 * (mine[0] == mine[1])))
        return float(np.mean(shares))

    while len(groups) > 1:
        pairs = [(i, j) for i in range(len(groups)) for j in range(i + 1, len(groups))]
        successes = [success(groups[i], groups[j]) for i, j in pairs]
        worst = int(np.argmin(successes))
        if successes[worst] >= told_apart:
            break
        i, j = pairs[worst]
        groups[i] = sorted(groups[i] + groups.pop(j))
    return [[CLASSES[c] for c in group] for group in sorted(groups)]


def power_table(counts: dict[tuple[int, int], np.ndarray], exclusion_level: float, names: list[str]) -> pd.DataFrame:
    """Return the table class_power.

    The test for an unsampled origin comes before the verdict and takes `exclusion_level` of the animals of any class
    (fewer where several classes fit): the other rates share what it leaves.

    Args:
        counts: {(unit_a, unit_b): int64 (8, n_called)}.
        exclusion_level: level of the test for an unsampled origin; 0 where it is not made.
        names: unit names.
    """
    rows = []
    for (a, b), table in counts.items():
        for true, line in enumerate(table):
            n = int(line.sum())
            low, high = wilson(line, n)
            for called, count, ends in zip(CALLED, line.tolist(), zip(low, high, strict=True), strict=True):
                share = [count / n, *map(float, ends)]
                share = [exclusion_level if called == UNSAMPLED else s * (1 - exclusion_level) for s in share]
                rows.append((CLASSES[true], called, share[0], names[a], names[b], n, share[1], share[2]))
    columns = ["true_class", "called_class", "rate", "unit_a", "unit_b", "n", "ci_low", "ci_high"]
    return pd.DataFrame(rows, columns=columns)


@dataclass(frozen=True)
class PanelPower:
    """What the panel can tell apart.

    Attributes:
        table: table class_power.
        limits: cut-offs by unit, how they came about, and groups of classes that are not told apart.
    """

    table: pd.DataFrame
    limits: dict


def no_power(n_units: int) -> PanelPower:
    """Return what a species without a panel can tell apart: nothing.

    Args:
        n_units: number of units.
    """
    return PanelPower(empty_table("class_power"), {"n_units": n_units, "cutoffs": {}})


def panel_power(
    panel: OpenedPanel, thinned: np.ndarray, genetic_map: GeneticMap, settings: AssignmentSettings, draws: Draws
) -> PanelPower:
    """Return the cut-offs of a panel, and how it calls simulated crosses of every class and pair of units.

    Args:
        panel: the panel.
        thinned: bool (n_markers,), kept markers that linkage thinning left.
        genetic_map: of the species.
        settings: how animals are judged, and how many are simulated.
        draws: source of randomness, by task.
    """
    classes, names, n = panel.classes, panel.names, settings.simulated_locals
    model = panel.model(genetic_map, settings.min_markers_share)
    n_exclusion = len(exclusion_markers(thinned, panel.rows, settings.rates.n_exclusion_markers))
    ratio_level = settings.rates.ratio_level(n_exclusion)
    exclusion_level = settings.rates.exclusion_level(n_exclusion)
    cutoffs, above = simulated_cutoffs(model, classes, n, ratio_level, draws)
    counts, groups = {}, []
    for pair in permutations(range(panel.n_units), 2):
        rng = draws(f"crosses {pair[0]} {pair[1]}")
        counts[pair], likelihood = simulated_calls(
            model, classes, pair, cutoffs, settings.simulated_crosses, settings.support, rng
        )
        unit_a, unit_b = (names[unit] for unit in pair)
        groups.append({"unit_a": unit_a, "unit_b": unit_b, "groups": indistinct_groups(likelihood)})
    limits = {
        "n_units": panel.n_units,
        "n_markers": len(panel.rows),
        "cutoffs": dict(zip(names, cutoffs.tolist(), strict=True)),
        "share_of_simulated_locals_above": dict(zip(names, above.tolist(), strict=True)),
        "simulated_locals": n,
        "false_flag_rate": settings.rates.false_flag_rate,
        "ratio_level": ratio_level,
        "exclusion_level": exclusion_level,
        "exclusion_markers": n_exclusion,
        "drift_within_unit": dict(zip(names, model.drift.tolist(), strict=True)),
        "class_prior": CLASS_PRIOR,
        "told_apart": TOLD_APART,
        "groups": groups,
    }
    return PanelPower(power_table(counts, exclusion_level, names), limits)
