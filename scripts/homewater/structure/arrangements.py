"""The three arrangements of a block: animals in three clusters along its axis, the middle one the most heterozygous.

Where a stretch does not recombine between two arrangements, an animal has two copies of the one, one of each, or two of
the other. Animals with one of each lie half-way, and are heterozygous wherever the arrangements differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MIN_SEPARATION = 2.2  # standard deviations between neighbouring clusters: fewer, and they run into one another
MIN_OUTER = 3  # animals in the smaller of the outer clusters
MIN_POSTERIOR = 0.8  # below it an animal lies between clusters
EM_ROUNDS = 200


@dataclass(frozen=True)
class Clusters:
    """Three normal clusters of one spread along an axis, the middle one half-way between the others.

    Attributes:
        means: float64 (3,), rising.
        spread: their standard deviation.
        shares: float64 (3,), of the animals.
    """

    means: np.ndarray
    spread: float
    shares: np.ndarray

    def posterior(self, score: np.ndarray) -> np.ndarray:
        """Return the chance of each cluster for each animal, float64 (n_animals, 3)."""
        with np.errstate(divide="ignore"):
            log = np.log(self.shares) - (score[:, None] - self.means) ** 2 / (2 * self.spread**2)
        odds = np.exp(log - log.max(axis=1, keepdims=True))
        return odds / odds.sum(axis=1, keepdims=True)

    @property
    def separation(self) -> float:
        """Smaller gap between neighbouring clusters, in standard deviations."""
        return float(np.diff(self.means).min() / self.spread)


def three_clusters(score: np.ndarray) -> Clusters | None:
    """Fit three normal clusters of one spread by expectation and maximisation; None with too few animals or no spread.

    Args:
        score: float64 (n_animals,), finite.

    Source: Dempster, Laird & Rubin (1977) J R Stat Soc B 39:1-38.
    """
    if score.size < 3 * MIN_OUTER or np.ptp(score) <= 0:
        return None
    best, likelihood = None, -np.inf
    low, high = np.quantile(score, [0.02, 0.98])
    starts = [(low, (low + high) / 2, high), tuple(np.quantile(score, [0.1, 0.5, 0.9]))]
    starts += [(score.min(), (score.min() + score.max()) / 2, score.max())]
    for start in starts:
        fit, value = _climb(score, np.sort(np.array(start, dtype=np.float64)))
        if fit is not None and value > likelihood + 1e-9:
            best, likelihood = fit, value
    return best


def _climb(score: np.ndarray, means: np.ndarray) -> tuple[Clusters | None, float]:
    """Return the fit that a start leads to, and its log likelihood up to a constant."""
    fit = Clusters(means, max(float(np.ptp(score)) / 8, 1e-12), np.full(3, 1 / 3))
    floor = 1e-3 * float(score.std())
    for _ in range(EM_ROUNDS):
        held = fit.posterior(score)
        total = held.sum(axis=0)
        # an animal with one copy of each lies half-way: centre and gap by weighted least squares on 0, 1 and 2 copies
        copies = total @ np.arange(3.0) / score.size
        about = np.arange(3.0) - copies
        gap = float(((held.T @ (score - score.mean())) @ about) / (total @ about**2))
        means = score.mean() + gap * about
        spread = np.sqrt((held * (score[:, None] - means) ** 2).sum() / score.size)
        new = Clusters(means, max(float(spread), floor), total / score.size)
        moved = np.abs(new.means - fit.means).max()
        fit = new
        if moved < 1e-7 * np.ptp(score):
            break
    if not (np.diff(fit.means) > 0).all():
        return None, -np.inf
    density = (fit.shares * np.exp(-((score[:, None] - fit.means) ** 2) / (2 * fit.spread**2))).sum(axis=1)
    return fit, float(np.log(np.maximum(density, 1e-300)).sum() - score.size * np.log(fit.spread))


def are_arrangements(fit: Clusters | None, score: np.ndarray, heterozygosity: np.ndarray) -> bool:
    """Return whether three clusters are the three genotypes of two arrangements.

    The clusters must stand apart, each hold animals, and the middle one be more heterozygous than the mean of the other
    two, by more than two standard errors: two copies of different arrangements differ by more than two of one do, as a
    mean of both arrangements; one of the two may by itself be as diverse as that.

    Args:
        fit: from `three_clusters`.
        score: float64 (n_animals,).
        heterozygosity: float64 (n_animals,), of each animal at the markers of the block that tell it.

    Source: the net difference between two groups of copies is not negative, Nei & Li (1979) Proc Natl Acad Sci USA
        76:5269-5273 (from memory).
    """
    if fit is None or fit.separation < MIN_SEPARATION:
        return False
    cluster = fit.posterior(score).argmax(axis=1)
    size = np.bincount(cluster, minlength=3)
    if min(size[0], size[2]) < MIN_OUTER or size[1] < MIN_OUTER:
        return False
    groups = [heterozygosity[cluster == k] for k in range(3)]
    mean = [one.mean() for one in groups]
    error = [one.std(ddof=1) / np.sqrt(one.size) for one in groups]
    more = mean[1] - (mean[0] + mean[2]) / 2
    return bool(more > 2 * np.hypot(error[1], np.hypot(error[0], error[2]) / 2))
