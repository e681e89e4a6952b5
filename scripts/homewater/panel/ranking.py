"""What each marker tells of a backcross, and the order in which a panel takes markers.

A few markers of any kind tell pure animals apart. Backcrosses are what a panel lacks markers for, so markers are valued
by them. The worth of a marker is the log-likelihood ratio that a backcross is expected to gain on a pure local, summed
over both units. It is not the difference in allele frequency: a difference of 0.3 from an allele that one unit lacks
says more of an animal than a difference of 0.3 between 0.35 and 0.65.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from homewater.crosses.frequency_prior import FrequencyPrior, fit_prior
from homewater.crosses.likelihood import pair_table, unit_pairs, with_error
from homewater.panel.candidates import BlockLimit, EligibleMarkers, candidates, falling, rank_markers
from homewater.panel.settings import PanelRules
from homewater.statistics.allele_counts import AlleleCounts

POOL = 20  # markers weighed for each one wanted; the rest differ too little to be taken


@dataclass(frozen=True)
class Ranking:
    """Markers in the order in which a panel takes them, and what the order rests on.

    Attributes:
        markers: int64 (at most n,), indices.
        usable: bool (n_markers,), candidates.
        worth: float64 (n_pairs, n_markers), from `backcross_information`.
        prior: of the frequencies.
    """

    markers: np.ndarray
    usable: np.ndarray
    worth: np.ndarray
    prior: FrequencyPrior


def ranked(
    counts: np.ndarray,
    markers: EligibleMarkers,
    rules: PanelRules,
    n: int,
    start: FrequencyPrior | None = None,
) -> Ranking:
    """Return the best markers by genotype counts alone; the panel and its proof both choose so.

    Args:
        counts: int (n_markers, n_units, 4), genotype counts of the animals that may choose.
        markers: which of them may be taken.
        rules: what makes a marker fit.
        n: markers wanted.
        start: a prior fitted on nearly the same counts.
    """
    usable = candidates(counts, markers.kept, rules.min_call_rate)
    tells_prior = candidates(counts, markers.varied, rules.min_call_rate)
    prior = fit_prior(AlleleCounts.of_genotypes(counts[tells_prior]), start)
    worth = backcross_information(counts, usable, n, prior, rules.error)
    limit = BlockLimit(markers.block, rules.max_block_markers)
    chosen = rank_markers(worth, usable, markers.chrom, markers.pos, n, rules.min_spacing_bp, limit)
    return Ranking(chosen, usable, worth, prior)


def backcross_information(
    counts: np.ndarray, candidate: np.ndarray, n: int, prior: FrequencyPrior, error: float
) -> np.ndarray:
    """Return what each marker tells of a backcross between each pair of units, in nats.

    The sum over both directions of the relative entropy (Kullback & Leibler 1951, Ann Math Stat 22:79-86) of a
    backcross from a pure animal of the unit to which it was crossed back, frequencies integrated over their posterior
    and genotyping error counted. Only the `n` times POOL candidates of each pair that differ most on the angular scale,
    on which sampling noise is even, are weighed; the others come after all of those, by that difference.

    Args:
        counts: int (n_markers, n_units, 4), genotype counts.
        candidate: bool (n_markers,), which may be taken.
        n: markers wanted.
        prior: of the frequencies.
        error: chance that a called genotype is wrong.

    Returns:
        float64 (n_pairs, n_markers), pairs of units in order; 0 for markers that are no candidates.
    """
    alleles = AlleleCounts.of_genotypes(counts)
    angle = np.arcsin(np.sqrt((alleles.alternate + 0.5) / (alleles.copies + 1.0)))
    pairs = list(combinations(range(counts.shape[1]), 2))
    rough = np.stack([np.where(candidate, np.abs(angle[:, a] - angle[:, b]), 0.0) for a, b in pairs])
    place = {pair: column for column, pair in enumerate(unit_pairs(counts.shape[1]))}
    out = np.zeros(rough.shape)
    for row, (a, b) in enumerate(pairs):
        pool = most_different(rough[row], candidate, n * POOL)
        if not pool.size:
            continue
        chances = pair_table(alleles.take(pool), prior)
        nats = np.zeros(pool.size)
        for unit in (a, b):
            own, crossed = chances[:, :, place[unit, unit]], chances[:, :, place[a, b]]
            pure, backcross = with_error(own, error), with_error((own + crossed) / 2, error)
            nats += (backcross * np.log(backcross / pure)).sum(axis=1)
        out[row] = rough[row] / np.pi * nats.min()
        out[row, pool] = nats
    return out


def most_different(difference: np.ndarray, candidate: np.ndarray, n: int) -> np.ndarray:
    """Return the `n` candidates of largest difference, int64 (at most n,), in genome order; of ties the first.

    Args:
        difference: float64 (n_markers,).
        candidate: bool (n_markers,), which may be taken.
        n: markers wanted.
    """
    indices = np.flatnonzero(candidate)
    return np.sort(indices[falling(difference[indices], n)[: max(n, 0)]])
