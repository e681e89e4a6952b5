"""Halves of the animals of each site, drawn as whole animals: what the study would have been with half as many.

Animals are linked across markers, so genotypes of each marker cannot be drawn by themselves. The animals of each site
are dealt at random into six parts, once; any three parts are a half. That gives twenty halves by one reading of the
store, each the other half of one of them.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.fst import block_weights, pair_components
from homewater.statistics.intervals import blocks_among
from homewater.units.replicates import Replicates, replicates_of_sums

PARTS = 6
HALVES = tuple(combinations(range(PARTS), PARTS // 2))


def dealt(site: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the part, 0 to PARTS - 1, of each animal, int64 (n_animals,): at each site the parts are equal within one.

    Args:
        site: int64 (n_animals,), site of each animal, -1 for those that take no part.
        rng: deals them.

    Returns:
        -1 for animals that take no part.
    """
    part = np.full(len(site), -1, dtype=np.int64)
    for number in np.unique(site[site >= 0]).tolist():
        here = np.flatnonzero(site == number)
        part[here] = (rng.permutation(len(here)) + rng.integers(PARTS)) % PARTS
    return part


def halved_replicates(species: OpenedSpecies, ids: list[str], rng: np.random.Generator) -> list[Replicates]:
    """Return the pairwise figures of the sites with each half of the animals.

    Args:
        species: genotypes, animals and markers; the technically sound markers count, and the animals that define units.
        ids: locationIDs of the sites, in the order of their numbers.
        rng: deals the animals into parts.
    """
    n, store = len(ids), species.store
    site = np.where(species.kept["defines"].to_numpy(), species.site_numbers(np.array(ids, dtype=str)), -1)
    part = dealt(site, rng)
    group = np.full(store.n_samples, -1, dtype=np.int64)
    group[species.place] = np.where(site >= 0, site * PARTS + part, -1)
    block = blocks_among(species.technical_markers, store.loci)
    weights = block_weights(block)
    sums = np.zeros((len(HALVES), 2, len(weights), n * (n - 1) // 2))
    for rows, counts in store.genotype_count_blocks(group, n * PARTS):
        by_part = counts.reshape(len(counts), n, PARTS, counts.shape[-1])
        for k, half in enumerate(HALVES):
            sums[k] += pair_components(by_part[:, :, half].sum(axis=2), block[rows], len(weights))
    return [replicates_of_sums(numerator, denominator, weights, n) for numerator, denominator in sums]
