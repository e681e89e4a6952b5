"""How well each animal fits the frequencies of each site: animals that fit none, and animals that fit another site.

An animal that fits another site than its own is a mover, or its label was swapped; one animal cannot tell which. Labels
are more likely where two sites seem to have exchanged animals, or where a whole batch or row of neighbours fits one
other site. All of it is flagged, and nobody is moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.filters.heterozygosity import MIN_ANIMALS, SPREADS
from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD, divide_or_nan

MIN_MARKERS = 100  # called in an animal that is judged
FALSE_FLAGS = 0.1  # animals expected by chance, in all, to be flagged as fitting another site
TAIL_DEGREES = 20  # of Student's t: linked markers and few animals a site give longer tails than the normal's
ABOUT_AS_WELL = 0.25  # of the gain over the own site: sites that lose no more than this fit about as well as the best
MIN_ROW = 3  # neighbours in the sample sheet, or animals of a batch, that all fit one other site
_BLOCK = 4096


@dataclass(frozen=True)
class SiteFit:
    """Log-likelihoods of animals under the frequencies of sites.

    Attributes:
        log_likelihood: float64 (n_animals, n_sites), mean over the animal's called markers, the animal itself taken out
            of its own site; NaN with fewer than MIN_MARKERS.
        called: int64 (n_animals,), markers called.
        expected: float64 (n_sites, n_sites): row s, column t: what a first cross of s and t gives on average under the
            frequencies of s; on the diagonal a local.
        spread: float64 (n_sites, n_sites), standard deviation of the difference (t minus s) of one local of s, over
            independent markers, for one marker.
    """

    log_likelihood: np.ndarray
    called: np.ndarray
    expected: np.ndarray
    spread: np.ndarray


def _log_tables(reference: np.ndarray, alternate: np.ndarray) -> np.ndarray:
    """Return the log-probability of the genotypes 0, 1, 2 given a sample's copies; float64 (3, ...)."""
    r, a = np.maximum(reference, 0.0) + 0.5, np.maximum(alternate, 0.0) + 0.5
    base = np.log(r + a) + np.log(r + a + 1)
    return np.stack([np.log(r) + np.log(r + 1), np.log(2 * r) + np.log(a), np.log(a) + np.log(a + 1)]) - base


def fit_to_sites(dosages: np.ndarray, own: np.ndarray, counted: np.ndarray, n_sites: int) -> SiteFit:
    """Return how well each animal fits each site.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        own: int (n_animals,), index of the animal's site among those that define frequencies, -1 where it is none.
        counted: bool (n_animals,), whether the animal defines the frequencies of its site.
        n_sites: number of sites that define frequencies.

    Source: Rannala & Mountain (1997) PNAS 94:9197-9201, two alleles, with the animal's own copies taken out first.
    """
    n = dosages.shape[1]
    membership = ((own[:, None] == np.arange(n_sites)) & counted[:, None]).astype(np.float64)
    total, called = np.zeros((n, n_sites)), np.zeros(n, dtype=np.int64)
    expected, square, mean = (np.zeros((n_sites, n_sites)) for _ in range(3))
    for start in range(0, dosages.shape[0], _BLOCK):
        block = dosages[start : start + _BLOCK]
        genotypes = [(block == value).astype(np.float64) for value in (0, 1, 2)]
        homozygous, het, other = (g @ membership for g in genotypes)
        reference, alternate = 2 * homozygous + het, het + 2 * other
        copies = reference + alternate
        tables = _log_tables(reference, alternate)
        called += (block >= 0).sum(axis=0)
        here = sum(g.T @ table for g, table in zip(genotypes, tables, strict=True))
        for s in np.unique(own[counted & (own >= 0)]):
            rows = counted & (own == s)
            here[rows, s] = 0
            for value, g in enumerate(genotypes):
                without = _log_tables(reference[:, s] - (2 - value), alternate[:, s] - value)[value]
                here[rows, s] += g[:, rows].T @ without
        total += here
        p = (alternate + 0.5) / (copies + 1)
        chances = (1 - p) ** 2, 2 * p * (1 - p), p**2
        expected += ((1 - p) * tables[0] + p * tables[1]).T @ (1 - p) + ((1 - p) * tables[1] + p * tables[2]).T @ p
        # mean and mean square of the difference t - s over genotypes of locals of s
        for chance, table in zip(chances, tables, strict=True):
            own_part = (chance * table).sum(axis=0)[:, None]
            mean += chance.T @ table - own_part
            square += chance.T @ table**2 - 2 * (chance * table).T @ table + (chance * table**2).sum(axis=0)[:, None]
    used = called >= MIN_MARKERS
    n_markers = max(1, dosages.shape[0])
    value = np.where(used[:, None], divide_or_nan(total, called[:, None]), np.nan)
    variance = np.maximum(square / n_markers - (mean / n_markers) ** 2, 0.0)
    return SiteFit(value, called, expected / n_markers, np.sqrt(variance))


def unlike_any_site(fit: SiteFit, own: np.ndarray, counted: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return who fits no site: less than a first cross of any two sites would.

    Args:
        fit: result of `fit_to_sites`.
        own: int (n_animals,), as there.
        counted: bool (n_animals,), as there; these tell what is usual.

    Returns:
        flagged bool (n_animals,); value float64 (n_animals,), log-likelihood a marker under the best site; limit
        float64 (n_animals,). With fewer than MIN_ANIMALS at every site nobody is flagged.
    """
    value = np.full(own.size, np.nan)
    known = np.isfinite(fit.log_likelihood).any(axis=1)
    value[known] = np.nanmax(fit.log_likelihood[known], axis=1)
    shifts, deviations = [], []
    for s in range(fit.expected.shape[0]):
        rows = counted & (own == s) & known
        if rows.sum() >= MIN_ANIMALS:
            middle = float(np.median(value[rows]))
            shifts.append(middle - fit.expected[s, s])  # frequencies are known from few animals
            deviations.append((value[rows] - middle) * np.sqrt(fit.called[rows]))
    if not deviations:
        return np.zeros(own.size, dtype=bool), value, np.full(own.size, np.nan)
    spread = MEDIAN_DEVIATION_TO_SD * float(np.median(np.abs(np.concatenate(deviations))))
    lowest = float(np.maximum(fit.expected, fit.expected.T).min())
    limit = lowest + min(0.0, float(np.median(shifts))) - SPREADS * spread / np.sqrt(np.maximum(fit.called, 1))
    return np.nan_to_num(value, nan=np.inf) < limit, value, limit


@dataclass(frozen=True)
class OtherSite:
    """Animals that fit another site.

    Attributes:
        flagged: bool (n_animals,).
        best: int64 (n_animals,), index of the site that fits best; -1 where not flagged.
        fits: bool (n_animals, n_sites), of flagged animals the sites that fit about as well as the best.
        expected_false_flags: animals expected to be flagged by chance; NaN where none was judged.
    """

    flagged: np.ndarray
    best: np.ndarray
    fits: np.ndarray
    expected_false_flags: float


def fits_another_site(fit: SiteFit, own: np.ndarray, judged: np.ndarray, counted: np.ndarray) -> OtherSite:
    """Return who fits another site better than its own, by more than chance, and no worse than a cross would.

    Judged is how much better an animal fits another site than its own. That is held against the same difference in the
    animals of its own site: against their median, and the spread that independent markers give. The spread is widened
    where the animals really scatter more than that. The animal must also lie nearer to the animals of the other site
    than a first cross of the two would.

    Args:
        fit: result of `fit_to_sites`.
        own: int (n_animals,), as there.
        judged: bool (n_animals,), animals to judge; those of sites with fewer than MIN_ANIMALS counted are not.
        counted: bool (n_animals,), as in `fit_to_sites`.
    """
    n, n_sites = fit.log_likelihood.shape
    flagged, best, fits = np.zeros(n, dtype=bool), np.full(n, -1), np.zeros((n, n_sites), dtype=bool)
    middles, ratios = np.full((n_sites, n_sites), np.nan), {}
    known = np.isfinite(fit.log_likelihood).all(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        for s in range(n_sites):
            rows = np.flatnonzero(counted & (own == s) & known)
            if rows.size < MIN_ANIMALS:
                continue
            difference = fit.log_likelihood[rows] - fit.log_likelihood[rows, s][:, None]
            middles[s] = np.median(difference, axis=0)
            units = (difference - middles[s]) * np.sqrt(fit.called[rows])[:, None] / fit.spread[s]
            ratios[s] = np.abs(np.delete(units, s, axis=1))
    tests = sum(int((judged & (own == s) & known).sum()) for s in ratios) * (n_sites - 1)
    if not tests:
        return OtherSite(flagged, best, fits, float("nan"))
    far = -float(special.stdtrit(TAIL_DEGREES, min(0.5, FALSE_FLAGS / tests)))
    pooled = max(1.0, MEDIAN_DEVIATION_TO_SD * _median(np.concatenate([r.ravel() for r in ratios.values()])))
    for s, ratio in ratios.items():
        rows = np.flatnonzero(judged & (own == s) & known)
        widened = (
            max(pooled, MEDIAN_DEVIATION_TO_SD * _median(ratio.ravel()))
            if ratio.shape[0] >= 2 * MIN_ANIMALS
            else pooled
        )
        difference = fit.log_likelihood[rows] - fit.log_likelihood[rows, s][:, None]
        reach = far * widened * fit.spread[s] / np.sqrt(np.maximum(fit.called[rows], 1))[:, None]
        # halfway to the animals of the other site is where first crosses lie
        halfway = -np.nan_to_num(middles[:, s]) / 2
        passes = (difference - middles[s] > reach) & (difference > np.maximum(halfway, 0))
        passes[:, s] = False
        top = np.where(passes, difference, -np.inf)
        chosen = top.argmax(axis=1)
        gain = top[np.arange(rows.size), chosen]
        found = np.isfinite(gain)
        flagged[rows[found]], best[rows[found]] = True, chosen[found]
        fits[rows[found]] = passes[found] & (top[found] >= (1 - ABOUT_AS_WELL) * gain[found, None])
    return OtherSite(flagged, best, fits, FALSE_FLAGS)


def _median(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else 1.0


def swapped_labels(other: OtherSite, own: np.ndarray, judged: np.ndarray, batch: np.ndarray) -> np.ndarray:
    """Return which of the animals that fit another site may owe it to their labels.

    Two sites that exchanged animals; MIN_ROW and more neighbours in the sample sheet; or all animals (MIN_ROW and more)
    of a batch at a site, that fit one other site. Movers that came together can look the same.

    Args:
        other: result of `fits_another_site`.
        own: int (n_animals,), as there; rows are in the order of the sample sheet within sites.
        judged: bool (n_animals,), as there.
        batch: (n_animals,), text, empty where unknown.

    Returns:
        bool (n_animals,).
    """
    swapped = np.zeros(own.size, dtype=bool)
    flagged = np.flatnonzero(other.flagged)
    if not flagged.size:
        return swapped
    # i fits the site of j, and j fits the site of i
    towards = other.fits[flagged][:, own[flagged]]
    swapped[flagged] = (towards & towards.T).any(axis=1)
    for s in np.unique(own[flagged]):
        rows = np.flatnonzero(judged & (own == s))
        starts = np.flatnonzero(np.diff(np.concatenate([[0], other.flagged[rows].astype(int)])) == 1)
        for start in starts:
            run, common = [], np.ones(other.fits.shape[1], dtype=bool)
            for row in rows[start:]:
                joint = common & other.fits[row]
                if not joint.any():
                    break
                run, common = [*run, row], joint
            if len(run) >= MIN_ROW:
                swapped[run] = True
        for name in np.unique(batch[rows]):
            of_batch = rows[batch[rows] == name]
            if name and of_batch.size >= MIN_ROW and other.fits[of_batch].all(axis=0).any():
                swapped[of_batch] = True
    return swapped
