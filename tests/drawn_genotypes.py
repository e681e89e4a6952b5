"""Genotypes of invented stocks, drawn from frequencies that drifted from one ancestor, as arrays in memory."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.genotypes.genetic_map import RecombinationMap, map_from_positions
from homewater.panel.candidates import EligibleMarkers


def drawn_dosages(seed, sizes, n_markers=600, fst=0.05, missing=0.03):
    """Genotypes of sites that drifted from one ancestor: frequencies from the beta distribution of an island model."""
    rng = np.random.default_rng(seed)
    ancestral = rng.uniform(0.1, 0.9, n_markers)
    scale = (1 - fst) / fst if fst else None
    columns = []
    for size in sizes:
        p = ancestral if scale is None else rng.beta(ancestral * scale, (1 - ancestral) * scale)
        columns.append(rng.binomial(2, p[:, None], (n_markers, size)))
    dosages = np.concatenate(columns, axis=1).astype(np.int8)
    dosages[rng.random(dosages.shape) < missing] = -1
    return dosages


def drifted(rng, n_markers, fst, n_units=2):
    """Frequencies of units that drifted from one ancestor by `fst` (beta distribution of an island model)."""
    ancestral = rng.uniform(0.1, 0.9, n_markers)
    if fst == 0:
        return np.repeat(ancestral[:, None], n_units, axis=1)
    scale = (1 - fst) / fst
    drawn = rng.beta(ancestral[:, None] * scale, (1 - ancestral[:, None]) * scale, (n_markers, n_units))
    return np.clip(drawn, 0.001, 0.999)


def with_errors(rng, dosages, missing=0.03, error=0.005):
    """Genotypes as called."""
    wrong = rng.random(dosages.shape) < error
    called = np.where(wrong, (dosages + rng.integers(1, 3, dosages.shape)) % 3, dosages).astype(np.int8)
    called[rng.random(dosages.shape) < missing] = -1
    return called


def positions(n_markers, n_chromosomes=10, length=20_000_000):
    """Chromosome and position of markers, evenly spread."""
    chrom = np.arange(n_markers) * n_chromosomes // max(n_markers, 1)
    pos = np.zeros(n_markers, dtype=np.int64)
    for c in range(n_chromosomes):
        pos[chrom == c] = np.linspace(1, length, (chrom == c).sum()).astype(np.int64)
    return np.array([f"chr{c + 1}" for c in chrom]), pos


def even_map(n_markers, n_chromosomes=10, centimorgans=50) -> RecombinationMap:
    """Map of `positions`."""
    return map_from_positions(*positions(n_markers, n_chromosomes), centimorgans)


class Arrays:
    """What the library asks of a genotype store, over arrays in memory: the slow second version of counting."""

    def __init__(self, dosages, location_ids=None, n_chromosomes=10):
        self.dosages, (self.n_markers, self.n_samples) = dosages, dosages.shape
        chrom, pos = positions(self.n_markers, n_chromosomes)
        names = [f"m{i}" for i in range(self.n_markers)]
        self.markers = pd.DataFrame({"marker": names, "chrom": chrom, "pos": pos, "ref": "A", "alt": "C"})
        self.sample_ids = np.array([f"S-{i:03d}/ä" for i in range(self.n_samples)])
        self.location_ids = np.asarray(location_ids if location_ids is not None else ["x"] * self.n_samples)

    def select(self, markers, mask=None):
        """Return the genotypes of chosen markers, of all animals or of those of a mask."""
        return self.dosages[markers][:, slice(None) if mask is None else mask]

    def genotype_counts(self, group, n_groups):
        """Count genotypes by group, one group and one value at a time."""
        counts = np.zeros((self.n_markers, n_groups, 4), dtype=np.int32)
        for g in range(n_groups):
            here = self.dosages[:, group == g]
            for k, value in enumerate((0, 1, 2, -1)):
                counts[:, g, k] = (here == value).sum(axis=1)
        return counts


def all_eligible(store) -> EligibleMarkers:
    """Return the markers of a store as a panel may take them: every one, and every one tells the prior."""
    chrom, pos = (store.markers[name].to_numpy() for name in ("chrom", "pos"))
    everything = np.ones(store.n_markers, dtype=bool)
    return EligibleMarkers(everything, everything, chrom, pos)
