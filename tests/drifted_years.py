"""Samples of one site in several years, bred forward with linkage, so that the truth is known."""

from __future__ import annotations

import msprime
import numpy as np

from homewater.crosses.gene_drop import transmit
from homewater.genotypes.genetic_map import map_from_positions


def founders(rng: np.random.Generator, n_animals: int, n_markers: int) -> np.ndarray:
    """Return int8 (2, n_markers, n_animals), haplotypes in linkage equilibrium at frequencies of 0.05 to 0.95."""
    frequency = rng.uniform(0.05, 0.95, n_markers)
    return (rng.random((2, n_markers, n_animals)) < frequency[None, :, None]).astype(np.int8)


def next_generation(parents: np.ndarray, n: int, map_, rng: np.random.Generator) -> np.ndarray:
    """Return int8 (2, n_markers, n), young of parents that are drawn at random for each gamete (Wright-Fisher)."""
    drawn = rng.integers(0, parents.shape[2], (2, n))
    return np.stack([transmit(np.ascontiguousarray(parents[:, :, who]), map_, rng) for who in drawn])


def drifting_site(seed: int, size: int, generations: int, n_sampled: tuple[int, int], n_markers: int = 1000):
    """Breed a site forward; returns the dosages of both samples and the chromosome of each marker.

    Samples are young animals that breed no more (plan II); `size` other young breed.

    Args:
        seed: seed of the study.
        size: animals that breed in each generation: the effective size.
        generations: generations between the samples.
        n_sampled: animals in either sample.
        n_markers: markers, on 20 chromosomes of 50 centimorgan.
    """
    rng = np.random.default_rng(seed)
    chrom = np.arange(n_markers) * 20 // n_markers
    pos = np.concatenate([np.linspace(1, 20_000_000, n).astype(np.int64) for n in np.bincount(chrom)])
    map_ = map_from_positions(chrom, pos, 50)
    breeding = next_generation(founders(rng, 2000, n_markers), size + n_sampled[0], map_, rng)
    first, breeding = breeding[:, :, size:], breeding[:, :, :size]
    for _ in range(generations - 1):
        breeding = next_generation(breeding, size, map_, rng)
    second = next_generation(breeding, n_sampled[1], map_, rng)
    return first.sum(axis=0).astype(np.int8), second.sum(axis=0).astype(np.int8), chrom


def linked_animals(seed: int, n_animals: int, n_chromosomes: int = 10, size: int = 1000) -> np.ndarray:
    """Return int8 (n_markers, n_animals): one population with the linkage that its history left (msprime).

    Args:
        seed: seed of the study, from 0.
        n_animals: animals.
        n_chromosomes: chromosomes of 2 million bases, 1 centimorgan a million bases.
        size: effective size.
    """
    parts = []
    for trees in msprime.sim_ancestry(
        n_animals, population_size=size, sequence_length=2e6, recombination_rate=1e-8,
        random_seed=seed + 1, num_replicates=n_chromosomes,
    ):  # fmt: skip
        mutated = msprime.sim_mutations(trees, rate=2e-8, random_seed=seed + 1, model=msprime.BinaryMutationModel())
        haplotypes = mutated.genotype_matrix()
        parts.append(haplotypes[:, ::2] + haplotypes[:, 1::2])
    return np.concatenate(parts).astype(np.int8)
