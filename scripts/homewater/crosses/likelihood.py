"""How probable a genotype is, given the units that an animal's ancestors came from: the base of panel and verdicts.

The true frequencies of a unit are not known. Each probability is therefore an average over all frequencies that agree
with the alleles counted. Two copies from one unit follow the beta-binomial predictive of Rannala & Mountain (1997, PNAS
94:9197-9201); copies from two units are independent draws. The prior of the frequencies is Dirichlet(1/2, 1/2) in each
unit, or the one that `frequency_prior` fits. Classes of mixed animals (first hybrids, backcrosses) are mixtures of
ancestry pairs (Anderson & Thompson 2002, Genetics 160:1217-1229).

Arrays: dosage is int8 (n_animals, n_loci), copies of the alternate allele, MISSING = -1; allele counts are
(n_loci, n_units); tables are float64 (n_loci, 3, n), the probability of dosage 0, 1, 2 under each of n hypotheses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numba
import numpy as np

from homewater.crosses.frequency_prior import FrequencyPrior, ancestral_posterior, flat_prior
from homewater.statistics.allele_counts import AlleleCounts

MISSING = -1
CLASSES = (
    "pure_a",
    "pure_b",
    "F1",
    "F2",
    "backcross_a",
    "backcross_b",
    "second_backcross_a",
    "second_backcross_b",
)
MIXED_CLASSES = CLASSES[2:]
#: Share of the genome with ancestry pair (AA, AB, BB), by class: Mendel's rules.
ANCESTRY_PAIRS = np.array(
    [
        [1.0, 0.0, 0.0],
        [0.0, 0.0, 1.0],
        [0.0, 1.0, 0.0],
        [0.25, 0.5, 0.25],
        [0.5, 0.5, 0.0],
        [0.0, 0.5, 0.5],
        [0.75, 0.25, 0.0],
        [0.0, 0.25, 0.75],
    ]
)


@dataclass(frozen=True)
class KnownUnits:
    """What is known of the units at some loci: all that an animal's genotypes are judged by.

    Attributes:
        counts: alleles counted in each unit, (n_loci, n_units).
        error: chance that a called genotype is wrong.
        prior: fitted prior of the frequencies; Dirichlet(1/2, 1/2) where None.
    """

    counts: AlleleCounts
    error: float
    prior: FrequencyPrior | None = None

    @property
    def n_loci(self) -> int:
        """Number of loci."""
        return len(self.counts.alternate)

    @property
    def n_units(self) -> int:
        """Number of units."""
        return self.counts.n_groups


@dataclass(frozen=True)
class ClassList:
    """Every class over any number of units: the pure ones first, then six mixed classes for each pair of units.

    Attributes:
        n_units: number of units.
        kind: int64 (n_classes,), index into CLASSES; pure classes have kind 0.
        unit_a: int64 (n_classes,), first unit (the unit itself for a pure class).
        unit_b: int64 (n_classes,), second unit; equal to unit_a for a pure class. unit_a < unit_b otherwise.
        weights: float64 (n_pairs, n_classes), share of each ancestry pair in each class; columns sum to 1.
    """

    n_units: int
    kind: np.ndarray
    unit_a: np.ndarray
    unit_b: np.ndarray
    weights: np.ndarray

    @property
    def is_pure(self) -> np.ndarray:
        """Bool (n_classes,): all ancestry from one unit."""
        return self.unit_a == self.unit_b

    def of_pair(self, unit_a: int, unit_b: int) -> np.ndarray:
        """Return int64 (8,): where the classes of CLASSES stand for `unit_a` against `unit_b`, in that order.

        Args:
            unit_a: number of the unit that CLASSES calls a.
            unit_b: number of the unit that CLASSES calls b.
        """
        low, high = min(unit_a, unit_b), max(unit_a, unit_b)
        pair = np.flatnonzero((self.unit_a == low) & (self.unit_b == high))
        if unit_a > unit_b:  # exchange backcross_a with backcross_b, and the second backcrosses
            pair = pair[[0, 1, 3, 2, 5, 4]]
        return np.concatenate(([unit_a, unit_b], pair))


def unit_pairs(n_units: int) -> list[tuple[int, int]]:
    """Return the ancestry pairs (u, v) with u <= v: first the pairs of a unit with itself, then u < v in order.

    Args:
        n_units: number of units.
    """
    return [(u, u) for u in range(n_units)] + [(u, v) for u in range(n_units) for v in range(u + 1, n_units)]


def class_list(n_units: int) -> ClassList:
    """Return all classes over some units: a pure one for each, and six mixed ones for each pair.

    Args:
        n_units: number of units.
    """
    pairs = unit_pairs(n_units)
    kind = [0] * n_units
    members = pairs[:n_units]
    columns = [np.eye(len(pairs))[u] for u in range(n_units)]
    for index, (u, v) in enumerate(pairs[n_units:], start=n_units):
        for k in range(2, len(CLASSES)):
            column = np.zeros(len(pairs))
            column[[u, index, v]] = ANCESTRY_PAIRS[k]
            kind.append(k)
            members.append((u, v))
            columns.append(column)
    first, second = np.array(members, dtype=np.int64).reshape(-1, 2).T
    weights = np.array(columns, dtype=float).reshape(-1, len(pairs)).T
    return ClassList(n_units, np.array(kind, dtype=np.int64), first, second, weights)


def two_copy_predictive(alternate: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """Return the chance of dosage 0, 1, 2 when both copies come from one gene pool.

    Args:
        alternate: posterior weight of the alternate allele, copies counted plus prior, any shape.
        reference: the same for the reference allele.

    Returns:
        float64 (..., 3); sums to 1 over the last axis.
    Source: Rannala & Mountain (1997), the Dirichlet-multinomial for two copies.
    """
    total = alternate + reference
    divisor = total * (total + 1)
    return np.stack(
        [
            reference * (reference + 1) / divisor,
            2 * alternate * reference / divisor,
            alternate * (alternate + 1) / divisor,
        ],
        axis=-1,
    )


def one_copy_each(share_a: np.ndarray, share_b: np.ndarray) -> np.ndarray:
    """Return the chance of dosage 0, 1, 2 when one copy comes from each of two gene pools.

    Args:
        share_a: chance that a copy of pool a is the alternate allele, any shape.
        share_b: the same for pool b.

    Returns:
        float64 (..., 3); sums to 1 over the last axis.
    """
    return np.stack(
        [(1 - share_a) * (1 - share_b), share_a * (1 - share_b) + share_b * (1 - share_a), share_a * share_b], axis=-1
    )


def pair_table(
    counts: AlleleCounts, prior: FrequencyPrior | None = None, wanted: np.ndarray | None = None
) -> np.ndarray:
    """Return the chance of each dosage under every ancestry pair, frequencies integrated.

    Args:
        counts: alleles counted at each locus in each unit, (n_loci, n_units).
        prior: fitted prior; Dirichlet(1/2, 1/2) by default.
        wanted: bool (n_pairs,), pairs to compute; all by default.

    Returns:
        float64 (n_loci, 3, n_wanted), pairs in the order of `unit_pairs`.
    """
    alternate, copies = np.asarray(counts.alternate, dtype=float), np.asarray(counts.copies, dtype=float)
    n_units = counts.n_groups
    prior = flat_prior(n_units) if prior is None else prior
    pairs = [pair for place, pair in enumerate(unit_pairs(n_units)) if wanted is None or wanted[place]]
    weight = ancestral_posterior(AlleleCounts(alternate, copies), prior)[:, :, None]
    concentration, first, second = prior.concentration, {}, {}
    for u in {unit for pair in pairs for unit in pair}:
        first[u] = alternate[:, [u]] + concentration[u] * prior.ancestral
        second[u] = (copies[:, [u]] - alternate[:, [u]]) + concentration[u] * (1 - prior.ancestral)
    share = {u: first[u] / (first[u] + second[u]) for u in first}
    columns = [
        weight * (two_copy_predictive(first[u], second[u]) if u == v else one_copy_each(share[u], share[v]))
        for u, v in pairs
    ]
    return np.stack([column.sum(axis=1) for column in columns], axis=-1)


def allele_share(table: np.ndarray) -> np.ndarray:
    """Return the chance that a copy is the alternate allele, from the chances of dosages 0, 1, 2.

    Args:
        table: (n_loci, 3, n).

    Returns:
        float64 (n_loci, n).
    """
    return table[:, 1] / 2 + table[:, 2]


def with_error(table: np.ndarray, error: float) -> np.ndarray:
    """Return the chance of the dosage called: right with 1 - `error`, else either of the two others with equal chance.

    Args:
        table: (n_loci, 3, n), chance of the true dosage.
        error: chance that a called genotype is wrong, 0 to 2/3.
    """
    return (1 - error) * table + error / 2 * (1 - table)


def class_table(known: KnownUnits, classes: ClassList, wanted: np.ndarray | None = None) -> np.ndarray:
    """Return the chance of each called dosage under every class, for animals outside the counts.

    Args:
        known: what is known of the units.
        classes: from `class_list`.
        wanted: int (n_wanted,), classes to compute; all by default.

    Returns:
        float64 (n_loci, 3, n_wanted); sums to 1 over the second axis.
    """
    weights = classes.weights if wanted is None else classes.weights[:, wanted]
    pairs = weights.any(axis=1)  # few where only some classes are asked for, or only pure ones are listed
    return with_error(pair_table(known.counts, known.prior, pairs) @ weights[pairs], known.error)


def left_out_counts(counts: AlleleCounts, unit: int, dosage: int) -> AlleleCounts:
    """Return the counts without one animal of `unit` that has `dosage` at every locus, float64.

    Loci where the unit holds no such animal are clipped at zero; a caller never looks them up.

    Args:
        counts: alleles counted at each locus in each unit, (n_loci, n_units), the animal included.
        unit: the animal's unit.
        dosage: its copies of the alternate allele, 0 to 2.
    """
    alternate, copies = np.array(counts.alternate, dtype=float), np.array(counts.copies, dtype=float)
    copies[:, unit] = np.maximum(copies[:, unit] - 2, 0)
    alternate[:, unit] = np.clip(alternate[:, unit] - dosage, 0, copies[:, unit])
    return AlleleCounts(alternate, copies)


def left_out_table(known: KnownUnits, unit: int, classes: ClassList, whole: np.ndarray | None = None) -> np.ndarray:
    """Return `class_table` for the animals that are counted in `unit`, each without its own two copies.

    What is left after taking an animal out depends, at a locus, on its dosage alone: entry [l, g] holds the chance of
    dosage g when an animal of dosage g has been taken out of the counts. This replaces a refit for each animal.

    Args:
        known: what is known of the units, the animals included.
        unit: the animals' unit.
        classes: from `class_list`.
        whole: `class_table` of the same counts, where the caller has it; unit after unit it saves most of the work.

    Returns:
        float64 (n_loci, 3, n_classes); does not sum to 1 over the second axis, since the counts differ along it.
    """
    involved = np.arange(len(classes.kind))
    if (
        known.prior is None or len(known.prior.weight) == 1
    ):  # units are independent, so only classes with the unit in them change
        involved = np.flatnonzero((classes.unit_a == unit) | (classes.unit_b == unit))
    table = np.empty((known.n_loci, 3, len(classes.kind)))
    if involved.size < len(classes.kind):
        table[:] = class_table(known, classes) if whole is None else whole
    left = [left_out_counts(known.counts, unit, dosage) for dosage in range(3)]
    one_below_another = AlleleCounts(
        np.concatenate([one.alternate for one in left]), np.concatenate([one.copies for one in left])
    )
    stacked = class_table(replace(known, counts=one_below_another), classes, involved)
    for dosage, part in enumerate(np.split(stacked, 3)):
        table[:, dosage, involved] = part[:, dosage]
    return table


@numba.njit(cache=True)
def _sum_over_loci(dosages: np.ndarray, table: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    n_animals, n_loci = dosages.shape
    n_classes = table.shape[2]
    out = np.zeros((n_animals, sizes.size, n_classes))
    for i in range(n_animals):
        total = np.zeros(n_classes)
        done = 0
        for locus in range(n_loci):
            g = dosages[i, locus]
            if g >= 0:
                for c in range(n_classes):
                    total[c] += table[locus, g, c]
            while done < sizes.size and sizes[done] == locus + 1:
                out[i, done] = total
                done += 1
    return out


def sum_over_loci(dosages: np.ndarray, table: np.ndarray, sizes: Sequence[int] | None = None) -> np.ndarray:
    """Return, for each animal, the sum over its typed loci of the entries for its dosages.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1 adds nothing.
        table: (n_loci, 3, n), what each dosage adds.
        sizes: numbers of leading loci, ascending, at most n_loci; all sizes in one pass. All loci by default.

    Returns:
        float64 (n_animals, n), or (n_animals, n_sizes, n) where sizes are given.
    """
    wanted = np.asarray([dosages.shape[1]] if sizes is None else list(sizes), dtype=np.int64)
    if dosages.shape[1]:
        out = _sum_over_loci(np.ascontiguousarray(dosages, dtype=np.int8), np.ascontiguousarray(table, float), wanted)
    else:
        out = np.zeros((len(dosages), len(wanted), table.shape[2]))
    return out[:, 0] if sizes is None else out


def log_likelihoods(dosages: np.ndarray, table: np.ndarray, sizes: Sequence[int] | None = None) -> np.ndarray:
    """Return each animal's log likelihood (natural) under each hypothesis; a missing genotype counts as 1.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        table: (n_loci, 3, n), probabilities.
        sizes: as in `sum_over_loci`.
    """
    return sum_over_loci(dosages, np.log(table), sizes)


def posterior(log_likelihood: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return posterior probabilities over the last axis.

    Args:
        log_likelihood: (..., n).
        prior: (n,) or (..., n); a zero leaves a hypothesis out. At least one must be above zero.
    """
    with np.errstate(divide="ignore"):
        scaled = log_likelihood + np.log(prior)
    scaled = np.exp(scaled - scaled.max(axis=-1, keepdims=True))
    return scaled / scaled.sum(axis=-1, keepdims=True)


def log_likelihoods_left_out(
    dosages: np.ndarray,
    counted_in: np.ndarray,
    known: KnownUnits,
    classes: ClassList,
    sizes: Sequence[int] | None = None,
) -> np.ndarray:
    """Return log likelihoods under every class; an animal that is counted in a unit is taken out of it first.

    Args:
        dosages: int8 (n_animals, n_loci), MISSING = -1.
        counted_in: int (n_animals,), unit in whose counts the animal is; -1 if in none.
        known: what is known of the units.
        classes: from `class_list`.
        sizes: numbers of leading loci, ascending; all loci by default.

    Returns:
        float64 (n_animals, n_classes), or (n_animals, n_sizes, n_classes) where sizes are given.
    """
    shape = (len(dosages), len(classes.kind)) if sizes is None else (len(dosages), len(sizes), len(classes.kind))
    out = np.zeros(shape)
    whole = class_table(known, classes)
    for unit in range(-1, classes.n_units):
        rows = np.flatnonzero(counted_in == unit)
        if not len(rows):
            continue
        table = whole if unit < 0 else left_out_table(known, unit, classes, whole)
        out[rows] = log_likelihoods(dosages[rows], table, sizes)
    return out
