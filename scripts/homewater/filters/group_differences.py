"""Markers that differ between groups of animals within sites: batches of the laboratory, or the sexes.

Groups are compared within each site only, so that differences between sites do not count. A marker at fault differs at
every site; movers among the animals of one batch make a difference there, and largest at the very markers that tell the
stocks apart. So a difference counts only if it is still there without the quarter of the sites where it is largest, and
beyond what most markers show.
"""

from __future__ import annotations

import numba
import numpy as np
import pandas as pd
from scipy import special

from homewater.filters.batch_effects import cells
from homewater.genotypes.store import Genotypes
from homewater.statistics.intervals import CHI_SQUARE_MEDIAN

MIN_ANIMALS = 10  # typed at a marker, at sites with more than one group
MIN_SCORE = 10  # copies of the rarer allele (or heterozygotes, or others) among them: fewer and the test is approximate
_NOTHING = 1e-9  # beyond what is expected: rounding alone
ALLELES, HETEROZYGOTES = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 0.0])


@numba.njit(cache=True)
def _rank_and_form(matrix, vector, size):
    """Return the rank of a covariance and vector' inverse vector, by elimination without the redundant rows."""
    form, rank = 0.0, 0
    largest = 0.0
    for i in range(size):
        largest = max(largest, matrix[i, i])
    for i in range(size):
        pivot = matrix[i, i]
        if pivot <= 1e-9 * largest or pivot <= 0:
            continue
        rank += 1
        form += vector[i] * vector[i] / pivot
        for j in range(i + 1, size):
            factor = matrix[j, i] / pivot
            if factor != 0.0:
                vector[j] -= factor * vector[i]
                for k in range(i + 1, size):
                    matrix[j, k] -= factor * matrix[i, k]
    return form, rank


@numba.njit(cache=True)
def _marker(counts, first, group, n_groups, score, matrix, vector, excess, usable, skip):
    """Return (statistic, degrees of freedom, informative strata) over the strata not skipped.

    Many parameters: the arrays in which the kernel works are made once and handed in.
    """
    matrix[:] = 0.0
    vector[:] = 0.0
    n_used = 0
    for s in range(first.size - 1):
        if skip[s]:
            continue
        n, total, squares, present = 0.0, 0.0, 0.0, 0
        for c in range(first[s], first[s + 1]):
            here = 0.0
            for g in range(3):
                here += counts[c, g]
                total += counts[c, g] * score[g]
                squares += counts[c, g] * score[g] * score[g]
            n += here
            present += here > 0
        variance = (squares - total * total / n) / (n - 1) if n > 1 else 0.0
        usable[s] = present > 1 and variance > 1e-12
        excess[s] = 0.0
        if not usable[s]:
            continue
        n_used += 1
        own = 0.0
        for c in range(first[s], first[s + 1]):
            here = counts[c, 0] + counts[c, 1] + counts[c, 2]
            if here == 0:
                continue
            difference = -here * total / n
            for g in range(3):
                difference += counts[c, g] * score[g]
            own += difference * difference / here / variance
            vector[group[c]] += difference
            matrix[group[c], group[c]] += here * variance
            for d in range(first[s], first[s + 1]):
                there = counts[d, 0] + counts[d, 1] + counts[d, 2]
                matrix[group[c], group[d]] -= here * there / n * variance
        excess[s] = (own - (present - 1)) / np.sqrt(2.0 * (present - 1))
    form, rank = _rank_and_form(matrix, vector, n_groups)
    return form, rank, n_used


@numba.njit(cache=True)
def _all(counts, first, group, n_groups, score, least_n, least_score, out, degrees, informative):
    """Fill the results of `differences` marker by marker; many parameters, since a kernel takes arrays one by one."""
    n_strata = first.size - 1
    matrix, vector = np.zeros((n_groups, n_groups)), np.zeros(n_groups)
    excess, usable, skip = np.zeros(n_strata), np.zeros(n_strata, dtype=np.bool_), np.zeros(n_strata, dtype=np.bool_)
    spare, spared = np.zeros(n_strata), np.zeros(n_strata, dtype=np.bool_)
    top = max(score[0], score[1], score[2])
    for m in range(counts.shape[0]):
        skip[:] = False
        form, rank, n_used = _marker(counts[m], first, group, n_groups, score, matrix, vector, excess, usable, skip)
        n, total = 0.0, 0.0
        for s in range(n_strata):
            if usable[s]:
                for c in range(first[s], first[s + 1]):
                    for g in range(3):
                        n += counts[m, c, g]
                        total += counts[m, c, g] * score[g]
        informative[m] = n_used
        if n_used == 0 or n < least_n or min(total, top * n - total) < least_score:
            continue
        out[m, 0], degrees[m, 0] = form, rank
        if n_used == 1:
            out[m, 1], degrees[m, 1] = form, rank
            continue
        for _ in range(max(1, n_used // 4)):
            worst = -1
            for s in range(n_strata):
                if usable[s] and not skip[s] and excess[s] > _NOTHING and (worst < 0 or excess[s] > excess[worst]):
                    worst = s
            if worst < 0:
                break
            skip[worst] = True
        out[m, 1], degrees[m, 1], _ = _marker(
            counts[m], first, group, n_groups, score, matrix, vector, spare, spared, skip
        )


def differences(
    counts: np.ndarray, stratum: np.ndarray, group: np.ndarray, score: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Test, at each marker, whether groups of animals differ within strata.

    If groups do not matter, the animals of a stratum were dealt out to them at random. The mean score of each group is
    held against that, whatever the proportions of genotypes. Deviations are summed over strata before they are squared.

    Args:
        counts: int (n_markers, n_cells, 3 or more), genotype counts of the animals of one group in one stratum:
            homozygous reference, heterozygous, homozygous alternate; what follows is not used.
        stratum: int (n_cells,), stratum (site) of each cell.
        group: int (n_cells,), group of each cell, from 0.
        score: float64 (3,), value of each genotype: ALLELES or HETEROZYGOTES.

    Returns:
        p of all strata, float64 (n_markers,); p without the quarter of the informative strata (one at least) that
        differ most, the same as the first where one stratum alone is informative; number of informative strata, int64.
        NaN where fewer than MIN_ANIMALS animals, or MIN_SCORE of the rarer score, are in informative strata.

    Source: mean-score statistic over strata, Landis, Heyman & Koch (1978) Int Stat Rev 46:237-254 (from memory).
    """
    n_markers = counts.shape[0]
    order = np.lexsort((group, stratum))
    _, first = np.unique(np.asarray(stratum)[order], return_index=True)
    first = np.append(first, order.size).astype(np.int64)
    out, degrees = np.full((n_markers, 2), np.nan), np.zeros((n_markers, 2))
    informative = np.zeros(n_markers, dtype=np.int64)
    if counts.size:
        sorted_counts = np.ascontiguousarray(counts[:, order, :3], dtype=np.float64)
        groups = np.asarray(group)[order].astype(np.int64)
        _all(sorted_counts, first, groups, int(groups.max()) + 1, np.asarray(score, dtype=np.float64),
             float(MIN_ANIMALS), float(MIN_SCORE), out, degrees, informative)  # fmt: skip
    # nothing left without the largest differences: no evidence
    p = np.where(np.isnan(out), np.nan, np.where(degrees > 0, special.chdtrc(np.maximum(degrees, 1), out), 1.0))
    return p[:, 0], p[:, 1], informative


def beyond_most(p_all: np.ndarray, p_without: np.ndarray) -> tuple[np.ndarray, float]:
    """Return p values corrected for what most markers show, and the factor by which statistics were lowered.

    Args:
        p_all: float64 (n_markers,), of all strata; NaN where not tested.
        p_without: float64 (n_markers,), without the strata that differ most.

    Returns:
        The larger p of the two, its chi-square (one degree of freedom) divided by the factor; the factor is the median
        chi-square of `p_all` over the median expected, at least 1.

    Source: genomic control, Devlin & Roeder (1999) Biometrics 55:997-1004.
    """
    tested = np.isfinite(p_all)
    if not tested.any():
        return np.full(p_all.shape, np.nan), 1.0
    factor = max(1.0, float(np.median(_chi_square(p_all[tested]))) / CHI_SQUARE_MEDIAN)
    return special.chdtrc(1, _chi_square(np.maximum(p_all, p_without)) / factor), factor


def _chi_square(p: np.ndarray) -> np.ndarray:
    return special.chdtri(1, np.clip(p, 1e-300, 1.0))


SEXES = {"female": 0, "f": 0, "male": 1, "m": 1}


# movers and crosses among the animals of one batch are no fault of a marker
APART = "fits_another_site|high_heterozygosity|unlike_any_site"


def sexes(sheet: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_animals,): 0 female, 1 male, -1 unknown, as the column `sex` says it in any case."""
    known = sheet["sex"].fillna("").str.strip().str.lower() if "sex" in sheet else pd.Series("", index=sheet.index)
    return known.map(SEXES).fillna(-1).to_numpy(dtype=np.int64)


def differing_markers(
    store: Genotypes, animals: pd.DataFrame, place: np.ndarray, batch: np.ndarray, sex: np.ndarray, n_sites: int
) -> dict[str, np.ndarray]:
    """Return the p values of the markers' differences between batches and between sexes, within sites.

    Args:
        store: the genotypes.
        animals: table with `defines` and `flags`, rows as the store's animals.
        place: int (n_animals,), site of each animal among those that define anything, -1 for none.
        batch: int (n_animals,), -1 where unknown.
        sex: int (n_animals,), as `sexes` gives it.
        n_sites: sites that define anything.

    Returns:
        float64 (n_markers,) by name, `batch` and `sex_linked`; a name is absent where no site has two groups.
    """
    defines = animals["defines"].to_numpy(dtype=bool)
    apart = animals["flags"].str.contains(APART).to_numpy(dtype=bool)
    found = {}
    for name, group, scores in (("batch", batch, (ALLELES,)), ("sex_linked", sex, (ALLELES, HETEROZYGOTES))):
        cell, cell_site, cell_group, _ = cells(place, group, defines & ~apart)
        if not cell_site.size:
            continue
        results = [[] for _ in scores]
        for _, counts in store.genotype_count_blocks(cell, cell_site.size):
            for result, score in zip(results, scores, strict=True):
                result.append(differences(counts, cell_site, cell_group, score))
        held = []
        for result in results:
            p_all, p_without, informative = (np.concatenate(part) for part in zip(*result, strict=True))
            if name == "batch" and n_sites > 1:
                # at one site of several a batch cannot be told from what was taken there
                p_without = np.where(informative > 1, p_without, np.where(np.isnan(p_without), np.nan, 1.0))
            held.append(beyond_most(p_all, p_without)[0])
        lowest = np.fmin.reduce(held)
        found[name] = np.minimum(len(held) * lowest, 1.0)
    return found
