"""How mixed each animal is, for its own pair of units, and which classes its verdict names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.assignment.hybrid_index import hybrid_index, interclass_heterozygosity
from homewater.crosses.likelihood import CLASSES, KnownUnits, left_out_counts, pair_table, unit_pairs, with_error


@dataclass(frozen=True)
class OriginClasses:
    """What each animal is made of, for its own pair of units.

    Attributes:
        unit_a: int (n_animals,), local or best unit; -1 where nothing is typed.
        unit_b: int (n_animals,), unit compared with; -1 for none.
        probability: float64 (n_animals, 8), posterior over CLASSES.
        verdict_class: object (n_animals,), from `verdict_classes`.
        coordinates: float64 (n_animals, 4), from `hybrid_coordinates`.
    """

    unit_a: np.ndarray
    unit_b: np.ndarray
    probability: np.ndarray
    verdict_class: np.ndarray
    coordinates: np.ndarray


def verdict_classes(probability: np.ndarray, groups: list[list[str]], support: float) -> np.ndarray:
    """Return each animal's verdict: the class, with what the panel cannot tell from it, joined by +.

    Groups of classes that the panel as a whole cannot tell apart stay together; where the most probable group does not
    reach `support`, the next ones join it until they do.

    Args:
        probability: (n_animals, 8), posterior over CLASSES; NaN rows give "".
        groups: a partition of CLASSES.
        support: least posterior for a group to be named alone.

    Returns:
        object (n_animals,), names in the order of CLASSES.
    """
    member = np.array([[name in group for name in CLASSES] for group in groups])
    verdict = np.full(len(probability), "", dtype=object)
    for i, p in enumerate(probability):
        if np.isnan(p).any():
            continue
        of_group = member @ p
        own = int(np.flatnonzero(member[:, int(np.argmax(p))])[0])
        named, total = member[own].copy(), of_group[own]
        for group in np.argsort(-of_group, kind="stable"):
            if total >= support:
                break
            if group != own:
                named |= member[group]
                total += of_group[group]
        verdict[i] = "+".join(name for name, inside in zip(CLASSES, named, strict=True) if inside)
    return verdict


def verdicts_by_pair(
    probability: np.ndarray,
    unit_a: np.ndarray,
    unit_b: np.ndarray,
    groups: dict[tuple[int, int], list[list[str]]],
    support: float,
) -> np.ndarray:
    """Return `verdict_classes`, each animal by the groups of its own pair of units; "" without a pair.

    Args:
        probability: (n_animals, 8), posterior over CLASSES.
        unit_a: int (n_animals,), -1 for none.
        unit_b: int (n_animals,), -1 for none.
        groups: {(unit_a, unit_b): partition of CLASSES}.
        support: least posterior for a group to be named alone.
    """
    verdict = np.full(len(probability), "", dtype=object)
    for (a, b), partition in groups.items():
        rows = (unit_a == a) & (unit_b == b)
        verdict[rows] = verdict_classes(probability[rows], partition, support)
    return verdict


def hybrid_coordinates(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    unit_a: np.ndarray,
    unit_b: np.ndarray,
    known: KnownUnits,
) -> np.ndarray:
    """Return hybrid index, its interval and interclass heterozygosity of every animal, for its own pair of units.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none. It is taken out first.
        unit_a: int (n_animals,), -1 for none.
        unit_b: int (n_animals,), -1 for none.
        known: what is known of the units.

    Returns:
        float64 (n_animals, 4); NaN without a pair or where nothing is typed.
    """
    out = np.full((len(dosages), 4), np.nan)
    pairs = unit_pairs(known.n_units)
    tables = {-1: np.repeat(pair_table(known.counts, known.prior)[:, None], 3, axis=1)}
    keys = zip(unit_a.tolist(), unit_b.tolist(), counted_in.tolist(), strict=True)
    for a, b, counted in sorted({key for key in keys if key[0] >= 0 and key[1] >= 0}):
        if counted not in tables:  # by the dosage of the animal that is taken out
            left = [pair_table(left_out_counts(known.counts, counted, g), known.prior) for g in range(3)]
            tables[counted] = np.stack(left, axis=1)
        rows = np.flatnonzero((unit_a == a) & (unit_b == b) & (counted_in == counted))
        columns = [pairs.index((a, a)), pairs.index((min(a, b), max(a, b))), pairs.index((b, b))]
        of_pair = tables[counted][..., columns]
        own = np.stack([with_error(of_pair[:, g], known.error)[:, g] for g in range(3)], axis=1)
        out[rows, :3] = np.stack(hybrid_index(dosages[rows], own), axis=1)
        out[rows, 3] = interclass_heterozygosity(dosages[rows], own)
    return out


def origin_table(
    animals: pd.DataFrame, found: OriginClasses, has_local: np.ndarray, is_local: np.ndarray, names: list[str]
) -> pd.DataFrame:
    """Return the table origin_classes.

    Args:
        animals: materialSampleID, locationID.
        found: classes of the animals.
        has_local: bool (n_animals,), there is a local unit; without one there is no hybrid index.
        is_local: bool (n_animals,), called local; unit_b is then left empty.
        names: unit names.
    """
    name, probability = np.array([*names, ""], dtype=object), found.probability
    known = ~np.isnan(probability).any(axis=1)
    best = np.argmax(np.nan_to_num(probability, nan=-1.0), axis=1)
    index = np.where(has_local[:, None], found.coordinates[:, :3], np.nan)
    return pd.DataFrame(
        {
            "materialSampleID": animals["materialSampleID"].to_numpy(),
            "locationID": animals["locationID"].to_numpy(),
            "unit_a": name[np.where(known, found.unit_a, -1)],
            "unit_b": name[np.where(known & ~is_local, found.unit_b, -1)],
            "class": np.where(known, np.array(CLASSES, dtype=object)[best], ""),
            "verdict_class": found.verdict_class,
            "posterior": np.where(known, probability[np.arange(len(best)), best], np.nan),
            **{f"p_{c}": probability[:, k] for k, c in enumerate(CLASSES)},
            "hybrid_index": index[:, 0],
            "hybrid_index_ci_low": index[:, 1],
            "hybrid_index_ci_high": index[:, 2],
            "interclass_heterozygosity": found.coordinates[:, 3],
            "compared_unit": name[np.where(known, found.unit_b, -1)],
        }
    )
