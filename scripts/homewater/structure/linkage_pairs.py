"""Pairs of markers by the distance between them, and their squared correlation within sites."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from homewater.genotypes.bit_planes import group_words
from homewater.genotypes.pair_correlation import pair_sums
from homewater.genotypes.store import Genotypes

PAIRS_A_CLASS = 2000  # the mean of r2 is then known to about .0003 where 12 sites of 30 animals show no linkage
MIN_ANIMALS = 10  # called at both markers, of a site; fewer say next to nothing of one correlation
MIN_FREQUENCY = 0.05  # rarer alleles cannot be correlated with common ones, and hide linkage
# Bounds of the classes of distance in base pairs, three a decade; whole numbers, so that no class loses a pair to
# rounding
CLASS_EDGES_BP = np.array([0, *(m * 10**e for e in range(2, 9) for m in (1, 2, 5))], dtype=np.float64)
_GOLDEN = (np.sqrt(5) - 1) / 2  # multiples of it fill an interval evenly


@dataclass(frozen=True)
class MarkerPairs:
    """Pairs of markers.

    Attributes:
        first: int64 (n_pairs,), marker of each pair.
        second: int64 (n_pairs,), the other marker.
    """

    first: np.ndarray
    second: np.ndarray


def pairs_at_distance(chrom: np.ndarray, place: np.ndarray, low: float, high: float, at_most: int) -> MarkerPairs:
    """Return pairs of markers of one chromosome at a distance of `low` or more and less than `high`.

    All such pairs stand in a row, by the first marker and then by the second; with more than `at_most` of them, so many
    are taken evenly along the row. Nothing is drawn, so no seed is needed. The time is that of sorting the markers.

    Args:
        chrom: int (n_markers,), chromosome of each marker; markers of one chromosome lie together.
        place: float64 (n_markers,), place along it, never falling within a chromosome.
        low: in the unit of `place`.
        high: as `low`.
        at_most: pairs wanted.
    """
    begin, end = np.zeros(len(place), dtype=np.int64), np.zeros(len(place), dtype=np.int64)
    for stretch in np.split(np.arange(len(place)), np.flatnonzero(np.diff(chrom)) + 1):
        if stretch.size:
            along, offset = place[stretch], stretch[0]
            # a marker is no pair with itself, nor with one before it at the same place
            after = np.arange(1, stretch.size + 1)
            begin[stretch] = offset + np.maximum(np.searchsorted(along, along + low, side="left"), after)
            end[stretch] = offset + np.maximum(np.searchsorted(along, along + high, side="left"), after)
    ends = np.cumsum(np.maximum(end - begin, 0))
    total = int(ends[-1]) if len(ends) else 0
    wanted = np.arange(min(total, at_most)) * total // max(1, min(total, at_most))
    first = np.searchsorted(ends, wanted, side="right")
    before = np.concatenate([[0], ends])[first]
    return MarkerPairs(first, begin[first] + wanted - before)


def pairs_of_other_chromosomes(chrom: np.ndarray, at_most: int) -> MarkerPairs:
    """Return pairs of markers of different chromosomes, spread evenly over both; none where there is one chromosome.

    Args:
        chrom: int (n_markers,), chromosome of each marker; markers of one chromosome lie together.
        at_most: pairs wanted; with few markers a pair may come twice.
    """
    n = len(chrom)
    if n == 0 or (chrom == chrom[0]).all():
        return MarkerPairs(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    starts = np.concatenate([[0], np.flatnonzero(np.diff(chrom)) + 1])
    number = np.searchsorted(starts, np.arange(n), side="right") - 1
    size = np.diff(np.append(starts, n))
    k = np.arange(at_most)
    first = k * n // at_most
    own = number[first]
    others = n - size[own]
    # the place among the markers that are left when the first marker's chromosome is cut out
    second = np.minimum((others * ((k * _GOLDEN) % 1.0)).astype(np.int64), others - 1)
    return MarkerPairs(first, np.where(second >= starts[own], second + size[own], second))


def site_correlations(
    store: Genotypes, site: np.ndarray, n_sites: int, rows: np.ndarray, pairs: MarkerPairs
) -> tuple[np.ndarray, np.ndarray]:
    """Return the squared correlation within sites of each pair, corrected for the number of animals, and its weight.

    A site's r2 of n animals called at both markers becomes (r2 - 1 / (n - 1)) / (1 - 1 / (n - 1)): over all orders of
    the animals r2 averages exactly 1 / (n - 1) whatever the genotypes, so the corrected figure averages 0 without
    linkage, and is 1 at complete linkage. Sites of one marker's alleles under MIN_FREQUENCY, or of fewer than
    MIN_ANIMALS, say nothing. The others are averaged, each by its animals.

    Args:
        store: the genotypes.
        site: int (n_animals,), site of each animal of the store, -1 for animals that are left out.
        n_sites: number of sites.
        rows: int (n_markers,), the store's markers that `pairs` are numbers of.
        pairs: the pairs.

    Returns:
        r2 times weight, float64 (n_pairs,), and weight, float64 (n_pairs,): animals of the sites that could tell.

    Source: Weir & Hill (1980) Genetics 95:477-488 for the correlation of dosages as linkage without phase (from
        memory); the correction is the adjusted coefficient of determination of one regressor.
    """
    used = np.unique(np.concatenate([pairs.first, pairs.second]))
    planes = store.planes(rows[used])
    start, word, mask, _ = group_words(store.layout, site, n_sites)
    return _correlations(
        planes, np.searchsorted(used, pairs.first), np.searchsorted(used, pairs.second), start, word, mask
    )


@numba.njit(cache=True, nogil=True)
def _correlations(planes, first, second, start, word, mask):
    """Sum over sites of n times corrected r2, and of n, for each pair."""
    total, weight = np.zeros(first.size), np.zeros(first.size)
    widest = 0
    for s in range(start.size - 1):
        widest = max(widest, start[s + 1] - start[s])
    x, y = np.empty((3, widest), dtype=np.uint64), np.empty((3, widest), dtype=np.uint64)
    for k in range(first.size):
        for s in range(start.size - 1):
            width = start[s + 1] - start[s]
            for w in range(width):
                at, bits = word[start[s] + w], mask[start[s] + w]
                for marker, out in ((first[k], x), (second[k], y)):
                    out[0, w] = planes[marker, 0, at] & bits
                    out[1, w] = planes[marker, 1, at] & bits
                    out[2, w] = bits & ~planes[marker, 2, at]
            n, sum_x, sum_y, squares_x, squares_y, products = pair_sums(x[:, :width], y[:, :width])
            least = 2 * n * MIN_FREQUENCY
            if n < MIN_ANIMALS or min(sum_x, 2 * n - sum_x) < least or min(sum_y, 2 * n - sum_y) < least:
                continue
            spread = (n * squares_x - sum_x * sum_x) * (n * squares_y - sum_y * sum_y)
            if spread <= 0:  # all heterozygous
                continue
            covariance = n * products - sum_x * sum_y
            chance = 1.0 / (n - 1)
            total[k] += n * (covariance * covariance / spread - chance) / (1.0 - chance)
            weight[k] += n
    return total, weight
