"""The verdict on an animal: what is decided in which order, for real and for simulated animals alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.crosses.likelihood import CLASSES, MIXED_CLASSES, ClassList, posterior
from homewater.crosses.odds import class_prior, local_ratio

LOCAL, NON_LOCAL, MIXED, UNRESOLVED, UNSAMPLED = "local", "non_local", "mixed", "unresolved", "unsampled_origin"
OUTCOMES = (LOCAL, NON_LOCAL, MIXED, UNRESOLVED, UNSAMPLED)
TOO_FEW, NOT_TOLD_APART = "too_few_markers", "not_told_apart"


@dataclass(frozen=True)
class Verdicts:
    """Verdicts on animals, one entry each.

    Attributes:
        outcome: object (n,), one of OUTCOMES.
        reason: object (n,), TOO_FEW or NOT_TOLD_APART where unresolved, else "".
        ratio: float64 (n,), log likelihood ratio against the local unit; NaN without one.
        best_unit: int64 (n,), most probable pure unit; -1 where nothing is typed.
        posterior: float64 (n,), its probability among pure units, equal prior.
        n_typed: int64 (n,), panel markers typed.
    """

    outcome: np.ndarray
    reason: np.ndarray
    ratio: np.ndarray
    best_unit: np.ndarray
    posterior: np.ndarray
    n_typed: np.ndarray


@dataclass(frozen=True)
class VerdictRules:
    """Limits that animals are held against.

    Attributes:
        cutoffs: float64 (n_units,), log likelihood ratio above which an animal is not local.
        min_typed: least number of markers typed.
        support: least posterior of what a verdict names.
    """

    cutoffs: np.ndarray
    min_typed: float
    support: float


def verdicts(
    log_likelihood: np.ndarray,
    n_typed: np.ndarray,
    local: np.ndarray,
    classes: ClassList,
    rules: VerdictRules,
    excluded: np.ndarray | None = None,
) -> Verdicts:
    """Return the verdicts: too few markers, unsampled origin, local, non-local, mixed, unresolved, in this order.

    Once the local unit is rejected, the rest is decided by the posterior over all other classes. `non_local` where pure
    foreign units reach `support` together; also where a foreign unit and the backcrosses to it do, and that unit's own
    cut-off does not reject the animal: in those waters it would have been called local. `mixed` where mixed classes
    reach `support`.

    Args:
        log_likelihood: (n_animals, n_classes).
        n_typed: int (n_animals,), panel markers typed.
        local: int (n_animals,), local unit; -1 where there is no local stock, and then none is `local`.
        classes: from `class_list`.
        rules: limits that an animal is held against.
        excluded: bool (n_animals,), excluded from every class; nobody by default.
    """
    n, pure, cutoffs, support = len(log_likelihood), classes.is_pure, rules.cutoffs, rules.support
    ratio = local_ratio(log_likelihood, local)
    few = (n_typed < rules.min_typed) | (n_typed == 0)
    excluded = np.zeros(n, dtype=bool) if excluded is None else excluded
    is_local = (local >= 0) & (np.nan_to_num(ratio, nan=np.inf) <= cutoffs[local])
    foreign, mixed = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for unit in np.unique(local):
        rows = np.flatnonzero(local == unit)
        prior = class_prior(classes, int(unit))
        if unit >= 0:
            prior[unit] = 0
        share = posterior(log_likelihood[rows], prior)
        pure_share = share[:, pure].sum(axis=1)
        foreign[rows] = pure_share >= support
        mixed[rows] = 1 - pure_share >= support
        for other in range(classes.n_units):
            if other != unit:
                near = share[:, _near(classes, other)].sum(axis=1) >= support
                at_home = local_ratio(log_likelihood[rows], np.full(len(rows), other)) <= cutoffs[other]
                foreign[rows] |= near & at_home
    unsettled = np.where(foreign, NON_LOCAL, np.where(mixed, MIXED, UNRESOLVED))
    outcome = np.select([few, excluded, is_local], [UNRESOLVED, UNSAMPLED, LOCAL], unsettled).astype(object)
    reason = np.where(outcome == UNRESOLVED, np.where(few, TOO_FEW, NOT_TOLD_APART), "").astype(object)
    among_pure = posterior(log_likelihood[:, pure], np.ones(classes.n_units))
    best = np.argmax(among_pure, axis=1)
    typed = n_typed > 0
    return Verdicts(
        outcome,
        reason,
        np.where(typed, ratio, np.nan),
        np.where(typed, best, -1),
        np.where(typed, among_pure[np.arange(n), best], np.nan),
        np.asarray(n_typed, dtype=np.int64),
    )


def _near(classes: ClassList, unit: int) -> np.ndarray:
    """Return bool (n_classes,): the unit itself and every backcross to it."""
    to_a = np.isin(classes.kind, [CLASSES.index("backcross_a"), CLASSES.index("second_backcross_a")])
    to_b = np.isin(classes.kind, [CLASSES.index("backcross_b"), CLASSES.index("second_backcross_b")])
    own = classes.is_pure & (classes.unit_a == unit)
    return own | (to_a & (classes.unit_a == unit)) | (to_b & (classes.unit_b == unit))


def called_class(outcome: np.ndarray, class_probability: np.ndarray) -> np.ndarray:
    """Return how each animal counts in class_power and rates: its outcome, and if mixed its most probable mixed class.

    Args:
        outcome: object (n_animals,).
        class_probability: (n_animals, 8), posterior over CLASSES.

    Returns:
        object (n_animals,).
    """
    mixed = class_probability[:, [CLASSES.index(name) for name in MIXED_CLASSES]]
    best = np.array(MIXED_CLASSES, dtype=object)[np.argmax(np.nan_to_num(mixed, nan=-1.0), axis=1)]
    return np.where(outcome == MIXED, best, outcome)


def calls_table(
    animals: pd.DataFrame, local: np.ndarray, found: Verdicts, exclusion: np.ndarray, names: list[str]
) -> pd.DataFrame:
    """Return the table calls.

    Args:
        animals: materialSampleID, locationID, role.
        local: int (n_animals,), local unit or -1.
        found: the verdicts.
        exclusion: float64 (n_animals,), p of the test for an unsampled origin, NaN where not made.
        names: unit names.
    """
    name = np.array([*names, ""], dtype=object)
    return pd.DataFrame(
        {
            "materialSampleID": animals["materialSampleID"].to_numpy(),
            "locationID": animals["locationID"].to_numpy(),
            "role": animals["role"].to_numpy(),
            "local_unit": name[local],
            "best_unit": name[found.best_unit],
            "posterior": found.posterior,
            "log_likelihood_ratio": found.ratio,
            "outcome": found.outcome,
            "reason": found.reason,
            "n_typed": found.n_typed,
            "exclusion_p": exclusion,
        }
    )
