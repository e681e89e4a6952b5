"""Planted faults of an invented study: what laboratories and sample sheets do to true genotypes."""

from __future__ import annotations

import numpy as np


def genotyping_errors(dosages: np.ndarray, rate: float, rng: np.random.Generator) -> np.ndarray:
    """Return genotypes of which a share was read wrong.

    Args:
        dosages: int8 (n_loci, n), alternate alleles in {0, 1, 2}.
        rate: chance that a genotype is read as one of its neighbours; of a heterozygote either homozygote alike.
        rng: source of randomness.

    Returns:
        int8 (n_loci, n), a new array.
    """
    read = dosages.copy()
    wrong = rng.random(dosages.shape) < rate
    ends = rng.integers(0, 2, size=int(wrong.sum()), dtype=np.int8) * 2
    read[wrong] = np.where(dosages[wrong] == 1, ends, 1)
    return read


def missing_genotypes(
    shape: tuple[int, int],
    rate: float,
    rng: np.random.Generator,
    failed_samples: np.ndarray | None = None,
    bad_marker_share: float = 0.0,
) -> np.ndarray:
    """Return which genotypes are missing: markers and animals differ in how often they fail.

    Args:
        shape: (n_loci, n).
        rate: mean share that is missing among ordinary markers and animals.
        rng: source of randomness.
        failed_samples: int, animals whose sample failed: 40 to 70 per cent missing.
        bad_marker_share: share of markers that fail in 15 to 40 per cent of animals.

    Returns:
        bool (n_loci, n).
    """
    n_loci, n = shape
    # half of the loss belongs to markers, half to animals; gamma shape 2: a long tail, few that fail outright
    of_marker = np.minimum(rng.gamma(2.0, rate / 4, size=n_loci), 0.5)
    of_animal = np.minimum(rng.gamma(2.0, rate / 4, size=n), 0.15)
    bad = rng.random(n_loci) < bad_marker_share
    of_marker[bad] = rng.uniform(0.15, 0.4, size=int(bad.sum()))
    if failed_samples is not None and len(failed_samples):
        of_animal[failed_samples] = rng.uniform(0.4, 0.7, size=len(failed_samples))
    missing = np.empty(shape, dtype=bool)
    for start in range(0, n_loci, 4096):
        rows = slice(start, min(start + 4096, n_loci))
        chance = 1 - (1 - of_marker[rows, None]) * (1 - of_animal[None, :])
        missing[rows] = rng.random(chance.shape) < chance
    return missing


def collapsed_repeats(dosages: np.ndarray, share: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return genotypes in which some markers read two places of the genome as one, so that most look heterozygous.

    Args:
        dosages: int8 (n_loci, n).
        share: share of markers so read.
        rng: source of randomness.

    Returns:
        int8 (n_loci, n), a new array, and int64, the markers.
    """
    markers = np.flatnonzero(rng.random(len(dosages)) < share)
    read = dosages.copy()
    read[markers] = np.where(rng.random((len(markers), dosages.shape[1])) < 0.9, 1, dosages[markers])
    return read, markers


def contaminate(dosages: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return int8 (n_loci,): what is read from a tube that holds two animals: homozygous only where both are alike."""
    return np.where(dosages == other, dosages, 1).astype(np.int8)
