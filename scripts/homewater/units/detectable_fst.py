"""The smallest F_ST that this study would have found between two contiguous halves of its sites, by simulation.

What is simulated: both halves drifted from one ancestor that had the frequencies of the data. The test asks whether
F_ST is above 0 by Student's t, with an error from leaving out chromosomes. Markers are drawn independently, so what
linkage adds to the error is taken from the data. It is the error between chromosomes over the error of as many
independent markers, averaged over all cuts of the tree and never below 1. One cut alone would tell it badly, since
chromosomes are few.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.running.seeds import Draws
from homewater.statistics.allele_counts import AlleleCounts, n_animals
from homewater.statistics.intervals import jackknife
from homewater.water.site_tree import sides

MAX_MARKERS = 5000  # markers simulated, evenly spaced; the ratio of errors makes up for the rest
GRID = np.geomspace(0.0002, 0.5, 120)  # F_ST tried, 6.8 % apart: fine enough for two figures
LEVEL = 0.05


@dataclass(frozen=True)
class DetectableSettings:
    """Settings of the smallest detectable F_ST.

    Attributes:
        power: power wanted, in (0, 1).
        replicates: simulated studies at each F_ST tried.
    """

    power: float
    replicates: int

    @classmethod
    def of_study(cls, settings: dict) -> DetectableSettings:
        """Return the settings of a study.

        Args:
            settings: section `units` of the settings.
        """
        return cls(settings["detectable_power"], settings["detectable_replicates"])


@dataclass(frozen=True)
class Detectable:
    """The smallest F_ST found with the power wanted.

    Attributes:
        value: F_ST; NaN where no F_ST up to 0.5 is found so often, or the sites cannot be halved.
        power: power at `value`, by simulation.
        inflation: error between blocks over error of independent markers, at least 1.
        half_a, half_b: site numbers of the halves.
    """

    value: float
    power: float
    inflation: float
    half_a: np.ndarray
    half_b: np.ndarray


def contiguous_halves(edges: np.ndarray, animals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the two sides of the edge that divides the animals most evenly, ties to the first edge.

    Args:
        edges: int64 (n - 1, 2), the tree.
        animals: int (n,), animals of each site.
    """
    everyone = np.arange(len(animals))
    halves = [sides(edges, everyone, e) for e in range(len(edges))]
    return min(halves, key=lambda pair: abs(int(animals[pair[0]].sum()) - int(animals[pair[1]].sum())))


def smallest_detectable(
    counts: np.ndarray,
    block: np.ndarray,
    edges: np.ndarray,
    settings: DetectableSettings,
    draws: Draws,
) -> Detectable:
    """Return the smallest F_ST between two contiguous halves that the test finds with the power wanted.

    Args:
        counts: int32 (n_markers, n_sites, 4), genotype counts by site.
        block: int64 (n_markers,), block of each marker.
        edges: int64 (n_sites - 1, 2), the tree.
        settings: power wanted and simulated studies.
        draws: gives the generator of each F_ST tried.

    Source: Balding & Nichols (1995) Genetica 96:3-12 for the frequencies of halves that drifted apart.
    """
    nobody = np.zeros(0, dtype=np.int64)
    if not len(edges) or len(np.unique(block)) < 2:
        return Detectable(float("nan"), float("nan"), float("nan"), nobody, nobody)
    animals = n_animals(counts)
    half_a, half_b = contiguous_halves(edges, animals)
    halves, kept = _polymorphic_copies(counts, (half_a, half_b))
    block_of = block[kept]
    if len(np.unique(block_of)) < 2:
        return Detectable(float("nan"), float("nan"), float("nan"), half_a, half_b)
    inflation = linkage_inflation(counts, block, edges)
    n_markers = len(kept)
    chosen = np.arange(0, n_markers, max(1, -(-n_markers // MAX_MARKERS)))
    some = halves.take(chosen)
    pooled = some.alternate.sum(1) / some.copies.sum(1)
    study = _Study(some.copies, pooled, block_of[chosen], settings.replicates, draws)
    # fewer markers are drawn than there are: the error shrinks with their number as far as linkage lets it
    inflation_drawn = inflation * float(np.sqrt(len(chosen) / n_markers))
    low, high = -1, len(GRID)
    reached = {len(GRID): float("nan")}
    while high - low > 1:  # power rises with F_ST
        middle = (low + high) // 2
        got = study.power(middle, inflation_drawn)
        low, high = (low, middle) if got >= settings.power else (middle, high)
        reached[middle] = got
    value = float(GRID[high]) if high < len(GRID) else float("nan")
    return Detectable(value, reached[high], inflation, half_a, half_b)


def _polymorphic_copies(counts: np.ndarray, groups: tuple[np.ndarray, np.ndarray]) -> tuple[AlleleCounts, np.ndarray]:
    """Return the allele counts of two groups of sites, int64 (n_kept, 2), and the markers kept.

    A marker is kept where both groups have somebody typed and both alleles occur.
    """
    pooled = np.stack([counts[:, group].sum(axis=1) for group in groups], axis=1).astype(np.int64)
    alleles = AlleleCounts.of_genotypes(pooled)
    total = alleles.alternate.sum(axis=1)
    kept = np.flatnonzero((alleles.copies.min(axis=1) >= 2) & (total > 0) & (total < alleles.copies.sum(axis=1)))
    return alleles.take(kept), kept


def linkage_inflation(counts: np.ndarray, block: np.ndarray, edges: np.ndarray) -> float:
    """Return by how much linkage enlarges the error of F_ST: root of the mean ratio of variances over the tree's cuts.

    Args:
        counts: int32 (n_markers, n_sites, 4).
        block: int64 (n_markers,).
        edges: int64 (n_sites - 1, 2), the tree.
    """
    ratios = []
    for edge in range(len(edges)):
        alleles, kept = _polymorphic_copies(counts, sides(edges, np.arange(counts.shape[1]), edge))
        x, n = alleles.alternate, alleles.copies
        if len(np.unique(block[kept])) < 2:
            continue
        found, error = estimate(x[None], n, block[kept])
        top, bottom = _parts(x, n)
        alone = np.sqrt(((top - found[0] * bottom) ** 2).sum()) / bottom.sum()
        ratios.append(float((error[0] / alone) ** 2))
    return max(1.0, float(np.sqrt(np.mean(ratios)))) if ratios else 1.0


def _parts(x: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return numerator and denominator of each marker, float64 (..., n_markers)."""
    p = x / n
    within = p * (1 - p) / (n - 1)
    top = (p[..., 0] - p[..., 1]) ** 2 - within.sum(axis=-1)
    return top, p[..., 0] * (1 - p[..., 1]) + p[..., 1] * (1 - p[..., 0])


def estimate(x: np.ndarray, n: np.ndarray, block: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return F_ST of two samples of allele copies and its jackknife error, for many draws of the same size.

    Args:
        x: int (draws, n_markers, 2), alternate copies.
        n: int (n_markers, 2), copies.
        block: int (n_markers,), block of each marker.

    Returns:
        (estimate, error), float64 (draws,).

    Source: Bhatia et al. (2013) Genome Res 23:1514-1521, equation 10, Hudson's estimator as a ratio of sums.
    """
    top, bottom = _parts(x, n)
    blocks = np.unique(block)
    sums = [np.stack([values[:, block == b].sum(axis=1) for b in blocks]) for values in (top, bottom)]
    whole = sums[0].sum(axis=0) / sums[1].sum(axis=0)
    without = (sums[0].sum(axis=0) - sums[0]) / (sums[1].sum(axis=0) - sums[1])
    return whole, jackknife(without, whole, np.bincount(block)[blocks])


@dataclass(frozen=True)
class _Study:
    """What is simulated: sample sizes, frequencies and blocks of the data."""

    n: np.ndarray
    p: np.ndarray
    block: np.ndarray
    replicates: int
    draws: Draws

    def draw(self, fst: float, task: str) -> tuple[np.ndarray, np.ndarray]:
        """Return the estimates and their errors in the simulated studies, float64 (replicates,) each."""
        rng = self.draws(task)
        estimates, errors = [], []
        for start in range(0, self.replicates, 20):  # few at a time: bounds memory
            shape = (min(20, self.replicates - start), *self.n.shape)
            p = np.broadcast_to(self.p[:, None], shape)
            if fst > 0:
                scale = (1 - fst) / fst
                p = rng.beta(p * scale, (1 - p) * scale)
            found, error = estimate(rng.binomial(self.n, p), self.n, self.block)
            estimates.append(found)
            errors.append(error)
        return np.concatenate(estimates), np.concatenate(errors)

    def power(self, step: int, inflation: float) -> float:
        """Return the share of simulated studies that find the F_ST at a place of GRID, errors enlarged by linkage."""
        found, error = self.draw(float(GRID[step]), f"F {step}")
        scattered = found.mean() + inflation * (found - found.mean())
        threshold = special.stdtrit(len(np.unique(self.block)) - 1, 1 - LEVEL)
        return float(np.mean(scattered > threshold * inflation * error))
