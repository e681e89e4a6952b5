"""Studies drawn with the sites, animals, markers, linkage, own drift and distance of this one, and two stocks put in.

Frequencies start from those of the data, all sites together. Two stocks drift from there by F each, so that F_ST
between them is F. Each site holds one of them or, in a contact, a mixture. Then frequencies walk along the tree, at
what distance was found to change, and each site drifts by itself as much as it was found to. Markers are drawn
independently, a few thousand at most. What linkage adds to the noise of a chromosome's sums, and what the number of
markers takes from it, is made up for: the departures of these sums from their mean over studies are enlarged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.statistics.allele_counts import AlleleCounts, n_called
from homewater.statistics.fst import block_weights, pair_components
from homewater.units.breaks import Lines
from homewater.units.linkage_inflation import linkage_inflation
from homewater.units.replicates import Replicates, replicates_of_sums
from homewater.units.tested_sites import TestedSites

MAX_MARKERS = 2000  # markers drawn, evenly spaced: with fewer, sums over a chromosome would be far from normal
MOST_DRIFT = 0.9  # more leaves no variation to drift


@dataclass(frozen=True)
class Coast:
    """What studies are drawn from.

    Attributes:
        typed: int64 (n_markers, n_sites), animals typed at each marker drawn.
        frequency: float64 (n_markers,), in all sites together.
        block: int64 (n_markers,), jackknife block.
        edges: int64 (n_edges, 2), the tree.
        walk: float64 (n_edges,), drift of frequencies from one end of each edge to the other.
        own: float64 (n_sites,), drift of each site's own.
        noise: by how much the departures of block sums are enlarged.
    """

    typed: np.ndarray
    frequency: np.ndarray
    block: np.ndarray
    edges: np.ndarray
    walk: np.ndarray
    own: np.ndarray
    noise: float


def coast_of(tested: TestedSites, lines: Lines) -> Coast:
    """Return what studies like this one are drawn from.

    A change of y = F / (1 - F) is a walk by 2 y, since y is half of the squared difference. So is own drift. Where own
    drift was not measured, in a contact, that of the other sites stands for it (their median).

    Args:
        tested: the sites that have animals enough.
        lines: what was found on them.
    """
    typed = n_called(tested.counts).astype(np.int64)
    alleles = AlleleCounts.of_genotypes(tested.counts)
    alternate, copies = alleles.alternate.sum(axis=1), alleles.copies.sum(axis=1)
    usable = np.flatnonzero((alternate > 0) & (alternate < copies))
    chosen = usable[:: max(1, -(-len(usable) // MAX_MARKERS))]
    inflation = linkage_inflation(tested.counts, tested.block, lines.search.edges)
    search, cut = lines.search, lines.boundaries | lines.contact[lines.search.edges].any(axis=1)
    rate = float(np.maximum(np.nan_to_num(search.median_rate(None, cut)[0]), 0.0))
    own = np.full(len(tested.ids), np.nan)
    for drift in lines.drifts:
        own[drift.site] = drift.own[0] / (1 - drift.own[0])
    own = np.where(np.isfinite(own), own, np.median(own[np.isfinite(own)]) if np.isfinite(own).any() else 0.0)
    return Coast(
        typed=typed[chosen],
        frequency=alternate[chosen] / copies[chosen],
        block=np.unique(tested.block[chosen], return_inverse=True)[1],
        edges=search.edges,
        walk=np.clip(2 * rate * search.lengths, 0, MOST_DRIFT),
        own=np.clip(2 * own, 0, MOST_DRIFT),
        noise=inflation * float(np.sqrt(len(chosen) / len(usable))) if len(usable) else 1.0,
    )


def drifted(rng: np.random.Generator, p: np.ndarray, f: float) -> np.ndarray:
    """Return frequencies after drift of size F from p; fixed ones stay.

    Source: Balding & Nichols (1995) Genetica 96:3-12.
    """
    if f <= 0:
        return p
    open_ = (p > 0) & (p < 1)
    out, scale = p.copy(), (1 - f) / f
    out[open_] = rng.beta(p[open_] * scale, (1 - p[open_]) * scale)
    return out


def frequencies(coast: Coast, fst: float, share: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return frequencies of each site in one study, float64 (n_markers, n_sites).

    Args:
        coast: what the study is drawn from.
        fst: F_ST between the two stocks beyond distance.
        share: float64 (n_sites,), share of the second stock at each site.
        rng: draws them.
    """
    start = coast.frequency
    one, other = (drifted(rng, start, fst) for _ in range(2))
    walked = {0: start}
    pending = coast.edges.tolist()
    while pending:  # each edge once one of its ends has been reached, from the first site outwards
        k = next(k for k, (i, j) in enumerate(pending) if i in walked or j in walked)
        i, j = pending.pop(k)
        at = int(np.flatnonzero((coast.edges == [i, j]).all(axis=1))[0])
        known, new = (i, j) if i in walked else (j, i)
        walked[new] = drifted(rng, walked[known], float(coast.walk[at]))
    columns = []
    for site in range(len(share)):
        p = (1 - share[site]) * one + share[site] * other
        with np.errstate(divide="ignore", invalid="ignore"):
            # what was walked, in proportion to what is left to vary at these frequencies
            moved = (walked[site] - start) * np.sqrt(p * (1 - p) / (start * (1 - start)))
        columns.append(drifted(rng, np.clip(p + moved, 0.0, 1.0), float(coast.own[site])))
    return np.stack(columns, axis=1)


def drawn_studies(
    coast: Coast, fst: float, share: np.ndarray, replicates: int, rng: np.random.Generator
) -> list[Replicates]:
    """Return the pairwise figures of studies drawn.

    Args:
        coast: as in `frequencies`.
        fst: as in `frequencies`.
        share: as in `frequencies`.
        replicates: studies, two or more where `Coast.noise` is not 1.
        rng: draws them.
    """
    sums = []
    for _ in range(replicates):
        p = frequencies(coast, fst, share, rng)
        both = rng.binomial(coast.typed, p**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            het = rng.binomial(coast.typed - both, np.where(p < 1, 2 * p / (1 + p), 0.0))
        counts = np.stack([coast.typed - both - het, het, both, 0 * het], axis=-1).astype(np.int32)
        sums.append(pair_components(counts, coast.block))
    numerator, denominator = (np.stack(part) for part in zip(*sums, strict=True))
    # the mean over studies takes a share of their scatter with it
    more = 1.0 if replicates < 2 else coast.noise * float(np.sqrt(replicates / (replicates - 1)))
    spread = [part.mean(axis=0) + more * (part - part.mean(axis=0)) for part in (numerator, denominator)]
    weights = block_weights(coast.block)
    return [replicates_of_sums(*pair, weights, len(share)) for pair in zip(*spread, strict=True)]
