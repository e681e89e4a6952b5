"""Allele counts of groups of animals: how many copies were called, and how many of them carry the alternate allele."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.statistics.intervals import divide_or_nan

# where each genotype stands along the last axis of genotype counts
HOM_REF, HET, HOM_ALT, NOT_CALLED = range(4)


@dataclass(frozen=True)
class AlleleCounts:
    """Copies counted at each marker in each group of animals (sites, units, or one group of all).

    Attributes:
        alternate: int or float (n_markers, n_groups) or (n_markers,), alternate copies.
        copies: the same shape, all copies called; an animal that is called at a marker has two.
    """

    alternate: np.ndarray
    copies: np.ndarray

    @classmethod
    def of_genotypes(cls, counts: np.ndarray) -> AlleleCounts:
        """Return the allele counts behind genotype counts.

        Args:
            counts: int (..., 4), animals that are homozygous for the reference, heterozygous, homozygous for the
                alternate, missing.
        """
        return cls(counts[..., HET] + 2 * counts[..., HOM_ALT], 2 * n_called(counts))

    @property
    def reference(self) -> np.ndarray:
        """Reference copies, shape as `copies`."""
        return self.copies - self.alternate

    @property
    def frequency(self) -> np.ndarray:
        """Frequency of the alternate allele, float64, shape as `copies`; NaN where nobody is called."""
        return divide_or_nan(self.alternate, self.copies)

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return self.alternate.shape[-1]

    def take(self, markers: np.ndarray) -> AlleleCounts:
        """Return the counts of some markers (bool mask or indices)."""
        return AlleleCounts(self.alternate[markers], self.copies[markers])


def n_animals(counts: np.ndarray) -> np.ndarray:
    """Return how many animals each group has, called or not: int64 (n_groups,); 0 without markers.

    Args:
        counts: int (n_markers, n_groups, 4); the four counts of a marker add up to the animals of the group.
    """
    return counts[0].sum(axis=1).astype(np.int64) if len(counts) else np.zeros(counts.shape[1], dtype=np.int64)


def expected_heterozygosity(alleles: AlleleCounts) -> np.ndarray:
    """Return the chance that two allele copies drawn at random from the population differ, at each marker and group.

    Args:
        alleles: counts of any shape.

    Returns:
        float64, shape as the counts, in [0, 1]; NaN where nobody is called.

    Source: Nei (1978) Genetics 89:583-590, small-sample form for diploids.
    """
    p = alleles.frequency
    return 2 * p * (1 - p) * divide_or_nan(alleles.copies, alleles.copies - 1)


def n_called(counts: np.ndarray) -> np.ndarray:
    """Return how many animals have a genotype, int64 (...,).

    Args:
        counts: int (..., 3 or more): homozygous reference, heterozygous, homozygous alternate; more is not used.
    """
    # a sum along so short an axis takes five times as long
    return (counts[..., 0] + counts[..., 1] + counts[..., 2]).astype(np.int64, copy=False)
