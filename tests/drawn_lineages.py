"""Markers of two or three lineages, found in all animals or in a few of one lineage, by coalescent histories."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import msprime
import numpy as np
import pandas as pd

from homewater.structure.frequency_spectrum import DRAWN, SpectrumSums, with_spectra

CHROMOSOMES = 10


@dataclass(frozen=True)
class Lineages:
    """Counts of the alternate allele in samples of lineages that parted at one time.

    Attributes:
        alternate: int64 (n_markers, n_lineages).
        copies: int64 (n_lineages,), copies sampled.
        chrom: int64 (n_markers,), chromosome of each marker.
        discovery: int64 (n_markers, 60), haplotypes of 30 further animals of the first lineage.
    """

    alternate: np.ndarray
    copies: np.ndarray
    chrom: np.ndarray
    discovery: np.ndarray

    def take(self, chosen: np.ndarray) -> Lineages:
        """Return some markers (bool mask or indices)."""
        return Lineages(self.alternate[chosen], self.copies, self.chrom[chosen], self.discovery[chosen])

    @property
    def minor(self) -> np.ndarray:
        """Copies of the rarer allele among all sampled animals."""
        total = self.alternate.sum(axis=1)
        return np.minimum(total, self.copies.sum() - total)

    def in_file(self, least_frequency: float = 0.0, least_count: int = 1) -> Lineages:
        """Return the markers of a file that leaves out alleles rare among all animals."""
        limit = max(least_count, least_frequency * self.copies.sum())
        return self.take(self.minor >= limit)

    def found_in(self, animals: int) -> Lineages:
        """Return the markers that vary in so many further animals of the first lineage, and among those sampled."""
        seen = self.discovery[:, : 2 * animals].sum(axis=1)
        return self.take((seen > 0) & (seen < 2 * animals) & (self.minor > 0))

    def genotype_counts(self) -> np.ndarray:
        """Return int64 (n_markers, n_lineages + 1, 4) with these allele counts; nobody in the last group."""
        het, hom = self.alternate % 2, self.alternate // 2
        counts = np.stack([self.copies // 2 - het - hom, het, hom, np.zeros_like(het)], axis=2)
        return np.concatenate([counts, np.zeros((len(counts), 1, 4), dtype=counts.dtype)], axis=1)


def lineages(
    seed: int, fst: float, sizes: tuple[int, ...] = (40, 40), later_size: float = 1.0, bottleneck: float = 1.0
) -> Lineages:
    """Return lineages of 5,000 that parted so long ago that F_ST is `fst`, on CHROMOSOMES of one million bases.

    Args:
        seed: seed of the history, from 0.
        fst: F_ST between lineages of equal size.
        sizes: animals sampled of each.
        later_size: size of the lineages after the first since they parted, as a multiple.
        bottleneck: size of the ancestor during the 500 generations before they parted, as a multiple.
    """
    size, time = 5000, 2 * 5000 * fst / (1 - fst)
    history = msprime.Demography()
    names = [f"lineage_{k}" for k in range(len(sizes))]
    for k, name in enumerate(names):
        history.add_population(name=name, initial_size=size * (later_size if k else 1))
    history.add_population(name="ancestor", initial_size=size * bottleneck)
    history.add_population_split(time=time, derived=names, ancestral="ancestor")
    history.add_population_parameters_change(time=time + 500, initial_size=size, population="ancestor")
    samples = [
        msprime.SampleSet(n + 30 * (k == 0), population=name)
        for k, (n, name) in enumerate(zip(sizes, names, strict=True))
    ]
    parts = []
    for trees in msprime.sim_ancestry(
        samples, demography=history, sequence_length=1e6, recombination_rate=1e-8,
        random_seed=seed + 1, num_replicates=CHROMOSOMES,
    ):  # fmt: skip
        mutated = msprime.sim_mutations(trees, rate=1e-8, random_seed=seed + 1, model=msprime.BinaryMutationModel())
        parts.append(mutated.genotype_matrix().astype(np.int64))
    found = np.concatenate(parts)
    chrom = np.repeat(np.arange(CHROMOSOMES), [len(part) for part in parts])
    first = 2 * sizes[0]
    ends = np.cumsum([0, *[2 * n for n in sizes[1:]]]) + first + 60
    alternate = [found[:, :first].sum(axis=1)]
    alternate += [found[:, start:end].sum(axis=1) for start, end in itertools.pairwise(ends)]
    return Lineages(np.stack(alternate, axis=1), 2 * np.array(sizes), chrom, found[:, first : first + 60])


def readings(drawn: Lineages) -> pd.DataFrame:
    """Return table frequency_spectrum of units that are these lineages."""
    n_units = drawn.copies.size
    sums = SpectrumSums(drawn.copies // 2, DRAWN, CHROMOSOMES)
    sums.add(drawn.genotype_counts(), drawn.chrom)
    table = pd.DataFrame({"unit": [f"unit_{k + 1}" for k in range(n_units)], "reading": "too_few"})
    return with_spectra(table, np.arange(n_units), sums, int(drawn.copies.sum()) // 2)
