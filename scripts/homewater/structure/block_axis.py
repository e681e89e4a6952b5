"""Where animals lie along a block: their arrangements where there are three, else a place on one axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.structure.arrangements import MIN_POSTERIOR, are_arrangements, three_clusters
from homewater.structure.linked_markers import MIN_STRENGTH, linkage_of, within_sites

MIN_ANIMALS = 10  # that define something: fewer show no clusters
MIN_LENGTH_CM = 2.0  # in a shorter stretch any two old haplotypes look like arrangements
MIN_TYPED = 0.5  # of the weight of the block's markers: an animal with less has no place


@dataclass(frozen=True)
class BlockAxis:
    """The animals along a block.

    Attributes:
        score: float64 (n_animals,), 0 at one end and 1 at the other; NaN for animals with few genotypes.
        copies: float64 (n_animals,), expected copies of the second arrangement; None without three clusters.
        arrangement: float64 (n_animals,), copies where one number is likely enough, else NaN; None without clusters.
    """

    score: np.ndarray
    copies: np.ndarray | None = None
    arrangement: np.ndarray | None = None


def arrangement_axis(
    dosages: np.ndarray, site: np.ndarray, position_cm: np.ndarray, weight: np.ndarray | None = None
) -> BlockAxis | None:
    """Return the animals by arrangement; None where they do not fall into the three clusters of two arrangements.

    The axis is the leading pattern of correlation between distant markers within sites, so that differences between
    stocks, or unlinked markers that change along the coast together, have no part in it. Where every site is fixed for
    either arrangement there is no such pattern: genotypes then cannot tell arrangements from any other difference.
    Where there is one, but old copies of a single arrangement blur it, the direction in which sites differ may show the
    clusters.

    Args:
        dosages: int8 (n_markers, n_animals), of the block, MISSING = -1.
        site: int (n_animals,), -1 for animals that define nothing: they are placed, and make no axis.
        position_cm: float64 (n_markers,).
        weight: float64 (n_markers,), how far each marker's alternate allele goes with the direction in which the sites
            of the block differ beyond the rest; None where they do not.
    """
    ours = site >= 0
    if dosages.shape[0] < 3 or ours.sum() < MIN_ANIMALS or np.ptp(position_cm) < MIN_LENGTH_CM:
        return None
    degrees = max(1, int(ours.sum()) - np.unique(site[ours]).size)
    within = linkage_of(within_sites(dosages[:, ours], site[ours]), np.arange(len(dosages)), position_cm, degrees)
    if within.strength < MIN_STRENGTH:
        return None
    spread = _spread(dosages[:, ours])
    axis = _clusters_along(dosages, site, within.loading / np.maximum(spread, 1e-9), within.loading**2)
    if axis is None and weight is not None:
        axis = _clusters_along(dosages, site, weight, (weight * spread) ** 2)
    return axis


def _clusters_along(
    dosages: np.ndarray, site: np.ndarray, weight: np.ndarray, marker_share: np.ndarray
) -> BlockAxis | None:
    """Return the animals by arrangement along an axis, None without three clusters.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        site: int (n_animals,), -1 for animals that define nothing.
        weight: float64 (n_markers,), of a copy of the alternate allele in the place of an animal.
        marker_share: float64 (n_markers,), how much of the axis is each marker's, for heterozygosity.
    """
    place = along(dosages, weight)
    known = (site >= 0) & np.isfinite(place)
    if known.sum() < MIN_ANIMALS:
        return None
    fit = three_clusters(place[known])
    if not are_arrangements(fit, place[known], _heterozygosity(dosages, marker_share)[known]):
        return None
    rising = _rises(place, site)
    chance = np.full((len(place), 3), np.nan)
    typed = np.isfinite(place)
    chance[typed] = fit.posterior(place[typed])[:, :: 1 if rising else -1]
    scaled = np.clip((place - fit.means[0]) / (fit.means[2] - fit.means[0]), 0, 1)
    copies = chance @ np.arange(3.0)
    sure = np.nan_to_num(chance.max(axis=1)) >= MIN_POSTERIOR
    arrangement = np.where(sure, np.nan_to_num(chance).argmax(axis=1), np.nan)
    return BlockAxis(scaled if rising else 1 - scaled, copies, arrangement)


def difference_axis(dosages: np.ndarray, site: np.ndarray, weight: np.ndarray) -> BlockAxis:
    """Return the animals along the direction in which a block's sites differ.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        site: int (n_animals,), -1 for animals that define nothing.
        weight: float64 (n_markers,), how far each marker's alternate allele goes with the direction.
    """
    place = along(dosages, weight)
    low, high = 2 * np.minimum(weight, 0).sum(), 2 * np.maximum(weight, 0).sum()
    middle = (np.where(dosages >= 0, dosages, 0).sum(axis=1) / np.maximum((dosages >= 0).sum(axis=1), 1)) @ weight
    share = np.clip((place + middle - low) / max(high - low, 1e-12), 0, 1)
    return BlockAxis(share if _rises(place, site) else 1 - share)


def along(dosages: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the sum of an animal's dosages, less their means, times weights; scaled up for missing genotypes.

    Args:
        dosages: int8 (n_markers, n_animals), MISSING = -1.
        weight: float64 (n_markers,).

    Returns:
        float64 (n_animals,); NaN where less than MIN_TYPED of the weight is typed.
    """
    typed = dosages >= 0
    mean = np.where(typed, dosages, 0).sum(axis=1) / np.maximum(typed.sum(axis=1), 1)
    centred = np.where(typed, dosages - mean[:, None], 0.0)
    size = np.abs(weight)
    share = (size @ typed) / max(size.sum(), 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(share >= MIN_TYPED, weight @ centred / share, np.nan)


def _spread(dosages: np.ndarray) -> np.ndarray:
    """Return the standard deviation of each marker's dosages, missing ones left out."""
    values = np.where(dosages >= 0, dosages, np.nan)
    with np.errstate(invalid="ignore"):
        n = (dosages >= 0).sum(axis=1)
        mean = np.nansum(values, axis=1) / np.maximum(n, 1)
        return np.sqrt(np.nansum((values - mean[:, None]) ** 2, axis=1) / np.maximum(n, 1))


def _heterozygosity(dosages: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return each animal's share of heterozygous genotypes, markers by weight; 0 without genotypes."""
    typed = weight @ (dosages >= 0)
    return (weight @ (dosages == 1)) / np.maximum(typed, 1e-12)


def _rises(place: np.ndarray, site: np.ndarray) -> bool:
    """Tell whether places rise with the number of the site: the way round in which a block is written."""
    known = (site >= 0) & np.isfinite(place)
    number = site[known] - site[known].mean() if known.any() else np.zeros(0)
    return float((number * place[known]).sum()) >= 0
