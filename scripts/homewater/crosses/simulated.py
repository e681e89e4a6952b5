"""Simulated animals of every class, as a panel would see them.

Simulated locals show how large a ratio chance alone gives (the cut-offs); simulated crosses show what the panel finds.
One animal is drawn in this order: the frequencies of its units from their posterior; the frequencies of its site, which
drift around those of the unit (Balding & Nichols 1995, Genetica 96:3-12); which copies come from which unit, by gene
drop along the map; the genotypes; genotyping errors; and the gaps of a real animal. Alleles are independent given
ancestry, because panel markers lie too far apart for linkage within a unit to matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.crosses.frequency_prior import FrequencyPrior, ancestral_posterior, flat_prior
from homewater.crosses.gene_drop import draw_class_from_frequencies
from homewater.crosses.likelihood import MISSING, ClassList, KnownUnits, class_table
from homewater.genotypes.genetic_map import RecombinationMap
from homewater.statistics.allele_counts import AlleleCounts

BLOCK = 100  # animals that share one draw of frequencies: one simulated site
CHUNK = 5000  # animals drawn at a time


def draw_frequencies(
    counts: AlleleCounts,
    drift: np.ndarray,
    n: int,
    rng: np.random.Generator,
    prior: FrequencyPrior | None = None,
) -> np.ndarray:
    """Return site frequencies in every unit: unit frequencies from their joint posterior, then drift within the unit.

    Args:
        counts: alleles counted at each locus in each unit, (n_loci, n_units).
        drift: (n_units,), F_ST among the sites of each unit, in [0, 1).
        n: number of sites.
        rng: source of randomness.
        prior: fitted prior; Dirichlet(1/2, 1/2) by default.

    Returns:
        float64 (n_units, n_loci, n).
    """
    n_loci, n_units = counts.alternate.shape
    prior = flat_prior(n_units) if prior is None else prior
    below = np.cumsum(ancestral_posterior(counts, prior), axis=1)
    pick = (rng.random((n_loci, n, 1)) > below[:, None, :-1]).sum(axis=2)
    ancestral = prior.ancestral[pick]
    sites = np.empty((n_units, n_loci, n))
    for u, c in enumerate(prior.concentration):
        first = counts.alternate[:, [u]] + c * ancestral
        sites[u] = rng.beta(first, counts.reference[:, [u]] + c * (1 - ancestral))
        if drift[u] > 0:
            scale = (1 - drift[u]) / drift[u]
            frequency = np.clip(sites[u], 1e-6, 1 - 1e-6)  # a shape of 0 is not defined
            sites[u] = rng.beta(frequency * scale, (1 - frequency) * scale)
    return sites


def spoil(dosages: np.ndarray, missing: np.ndarray, error: float, rng: np.random.Generator) -> np.ndarray:
    """Return the genotypes as called: errors put in, then the missing pattern of a real animal drawn for each.

    Args:
        dosages: int8 (n_animals, n_loci), all known.
        missing: bool (n_patterns, n_loci); no pattern leaves everything called.
        error: chance that a genotype is called as either of the two others.
        rng: source of randomness.

    Returns:
        int8 (n_animals, n_loci), MISSING = -1.
    """
    wrong = rng.random(dosages.shape) < error
    step = rng.integers(1, 3, size=dosages.shape, dtype=np.int8)
    called = np.where(wrong, (dosages + step) % 3, dosages).astype(np.int8)
    if len(missing):
        called[missing[rng.integers(len(missing), size=len(called))]] = MISSING
    return called


@dataclass(frozen=True)
class PanelModel:
    """What is known of a panel: enough to judge animals, and to simulate them.

    Attributes:
        known: what is known of the units at the panel's loci.
        drift: float64 (n_units,), F_ST among the sites of each unit, in [0, 1).
        recombination: map of the loci.
        missing: bool (n_patterns, n_loci), patterns of missing genotypes of real animals.
    """

    known: KnownUnits
    drift: np.ndarray
    recombination: RecombinationMap
    missing: np.ndarray

    @property
    def n_loci(self) -> int:
        """Number of markers on the panel."""
        return self.known.n_loci

    @property
    def n_units(self) -> int:
        """Number of units."""
        return self.known.n_units

    def class_table(self, classes: ClassList) -> np.ndarray:
        """Return `likelihood.class_table` of the panel."""
        return class_table(self.known, classes)

    def draw(self, class_name: str, unit_a: int, unit_b: int, n: int, rng: np.random.Generator) -> np.ndarray:
        """Return simulated animals of one class between two units, as called.

        Args:
            class_name: one of `likelihood.CLASSES`.
            unit_a: number of unit a.
            unit_b: number of unit b (any for `pure_a`).
            n: number of animals.
            rng: source of randomness.

        Returns:
            int8 (n, n_loci), MISSING = -1.
        """
        parts = [np.empty((0, self.n_loci), dtype=np.int8)]
        for start in range(0, n, CHUNK):
            size = min(CHUNK, n - start)
            site = np.arange(size) // BLOCK
            pair = [unit_a, unit_b]
            frequency = draw_frequencies(self.known.counts, self.drift, int(site[-1]) + 1, rng, self.known.prior)
            freq_a, freq_b = frequency[pair][:, :, site]
            dosages, _ = draw_class_from_frequencies(class_name, freq_a, freq_b, self.recombination, size, rng)
            parts.append(spoil(np.ascontiguousarray(dosages.T), self.missing, self.known.error, rng))
        return np.concatenate(parts)
