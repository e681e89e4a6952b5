"""Who is the same animal, and who is close kin: pairs of animals compared over many markers."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from scipy import special

from homewater.genotypes.bit_planes import WORD, Layout, pack, popcount
from homewater.tables.kept_animals import evenly_spaced

MIN_MARKERS = 100  # called in both; fewer tell too little of a pair
MAX_MARKERS = 20_000  # more add nothing to a pair and cost time
MIN_INFORMATIVE_FREQUENCY = 0.1
CLOSE_KIN = 2.0**-2.5  # kinship above which a pair is parent and offspring, full sibs, or the same animal
DUPLICATE_KIN = 2.0**-1.5  # above: the same genotype


@dataclass(frozen=True)
class Pairs:
    """All pairs i < j of some animals, in the order (0,1), (0,2), .., (1,2), ..

    Attributes:
        first: int64 (n_pairs,).
        second: int64 (n_pairs,).
        identity: float64 (n_pairs,), share of equal genotypes among markers called in both; NaN below MIN_MARKERS.
        kinship: float64 (n_pairs,), kinship coefficient; NaN where undefined.
    """

    first: np.ndarray
    second: np.ndarray
    identity: np.ndarray
    kinship: np.ndarray


def informative_markers(frequency: np.ndarray, called: np.ndarray) -> np.ndarray:
    """Return the indices of the markers on which animals are compared.

    Args:
        frequency: float64 (n_markers,), minor allele frequency; NaN where unknown.
        called: bool (n_markers,), whether the marker is called often enough.

    Returns:
        int64: markers with a frequency of at least MIN_INFORMATIVE_FREQUENCY. Rarer alleles are left out: nearly all
        animals lack them, so that even unrelated animals would look alike. Of more than MAX_MARKERS markers that many
        are taken, evenly spaced.
    """
    chosen = np.flatnonzero(called & (np.nan_to_num(frequency) >= MIN_INFORMATIVE_FREQUENCY))
    return evenly_spaced(chosen, MAX_MARKERS)


@numba.njit(cache=True)
def _compare(planes, valid, identity, kinship):
    n, words = planes.shape[0], planes.shape[2]
    k = 0
    for i in range(n):
        for j in range(i + 1, n):
            both, differ, het_het, opposite, het_i, het_j = 0, 0, 0, 0, 0, 0
            for w in range(words):
                called = valid[w] & ~(planes[i, 2, w] | planes[j, 2, w])
                hi, hj = planes[i, 0, w] & called, planes[j, 0, w] & called
                ai, aj = planes[i, 1, w] & called, planes[j, 1, w] & called
                both += popcount(called)
                differ += popcount((hi ^ hj) | (ai ^ aj))
                het_het += popcount(hi & hj)
                # alternate homozygous against reference homozygous
                opposite += popcount((ai & ~(hj | aj)) | (aj & ~(hi | ai)))
                het_i += popcount(hi)
                het_j += popcount(hj)
            if both >= MIN_MARKERS:
                identity[k] = (both - differ) / both
                fewer = min(het_i, het_j)
                if fewer > 0:
                    kinship[k] = (het_het - 2.0 * opposite) / (2.0 * fewer) + 0.5 - 0.25 * (het_i + het_j) / fewer
            k += 1


def compare_pairs(dosages: np.ndarray) -> Pairs:
    """Compare every pair of animals.

    Args:
        dosages: int8 (n_markers, n_animals), alternate-allele copies; MISSING = -1.

    Source: identity by counting; kinship by Manichaikul et al. (2010) Bioinformatics 26:2867-2873, equation 11, which
    needs no allele frequencies and so is not misled by differences between sites.
    """
    n_markers, n = dosages.shape
    first, second = np.triu_indices(n, 1)
    identity, kinship = np.full(first.size, np.nan), np.full(first.size, np.nan)
    if n > 1 and n_markers >= MIN_MARKERS:
        layout = Layout(np.arange(n_markers), -(-n_markers // WORD))
        valid = np.zeros(layout.n_words, dtype=np.uint64)
        np.bitwise_or.at(valid, layout.bits // WORD, np.uint64(1) << (layout.bits % WORD).astype(np.uint64))
        _compare(pack(np.ascontiguousarray(dosages.T), layout), valid, identity, kinship)
    return Pairs(first, second, identity, kinship)


def expected_above(values: np.ndarray, limit: float) -> float:
    """Return how many pairs chance would put above a limit if all pairs were unrelated.

    Args:
        values: float64 (n,), one a pair; NaN is left out. Most pairs must be unrelated.
        limit: the limit of the flag.

    Returns:
        n x P(normal > limit); NaN with fewer than 10 values. The normal's mean is the median of the values, and its
        standard deviation comes from their upper decile. So pairs of different stocks, which lie far below, do not
        count, and related pairs hardly do.
    """
    values = values[np.isfinite(values)]
    if values.size < 10:
        return float("nan")
    middle = np.median(values)
    spread = (np.quantile(values, 0.9) - middle) / special.ndtri(0.9)
    if spread == 0:
        return float("nan")
    return float(values.size * special.ndtr(-(limit - middle) / spread))
