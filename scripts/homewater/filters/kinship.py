"""Close kin within sites: kinship against the allele frequencies that each animal's own origin leads to expect.

Kinship over frequencies of the whole study would call all animals of one stock kin. Kinship without frequencies is
noisy with a few hundred markers, and calls two crosses of the same stocks kin. So each animal is held against the
frequencies of its own site. Where another site's frequencies, added in some share, fit it better, it is held against
both in that share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from homewater.filters.identity import CLOSE_KIN
from homewater.statistics.allele_counts import HET, HOM_ALT, HOM_REF, NOT_CALLED, AlleleCounts, n_called
from homewater.statistics.fst import joint_components
from homewater.statistics.intervals import MEDIAN_DEVIATION_TO_SD, divide_or_nan
from homewater.statistics.linked_groups import linked_groups
from homewater.tables.kept_animals import evenly_spaced

MAX_MARKERS = 10_000  # more add nothing to a pair and cost time
MIN_MARKERS = 100  # of a pair; fewer tell too little
MIN_FREQUENCY = 0.02  # over all sites, of a marker that is looked at
MIN_EXPECTED = 0.05  # expected frequency below which a marker says nothing of this animal's kin
SURE_OF_CROSS = 3.0  # standard deviations by which another site must fit before an animal counts as of both
GROSS_EXCESS = 5.0  # standard deviations of heterozygotes beyond which a marker is two read as one
FALSE_SHARE = 0.0005  # animals expected to be thinned by chance, per animal
ROUNDS = 3  # frequencies without kin, kin from those frequencies, and again
_BLOCK = 4096


@dataclass(frozen=True)
class KinPairs:
    """Pairs i < j of animals of one site.

    Attributes:
        first: int64 (n_pairs,).
        second: int64 (n_pairs,).
        kinship: float64 (n_pairs,), 1/4 for full sibs and for parent and offspring, 0 for the unrelated on average; NaN
            where fewer than MIN_MARKERS say something of both.
        limit: float64 (n_pairs,), above it the pair is called close kin.
        expected: float64 (n_pairs,), chance that an unrelated pair lies above it; 0 where not compared.
    """

    first: np.ndarray
    second: np.ndarray
    kinship: np.ndarray
    limit: np.ndarray
    expected: np.ndarray

    @property
    def close(self) -> np.ndarray:
        """Bool (n_pairs,): called close kin."""
        return np.nan_to_num(self.kinship, nan=-1.0) > self.limit


def gross_excess(counts: np.ndarray) -> np.ndarray:
    """Return, as bool (n_markers,), where far more animals are heterozygous than random mating within sites gives.

    Such markers are two places of the genome read as one, and make everybody alike.

    Args:
        counts: int32 (n_markers, n_sites, 4), genotype counts by site.
    """
    typed = n_called(counts).astype(np.float64)
    p = np.nan_to_num(AlleleCounts.of_genotypes(counts).frequency)
    expected = 2 * p * (1 - p) * typed * np.nan_to_num(divide_or_nan(2 * typed, 2 * typed - 1))
    excess = (counts[..., HET] - expected).sum(axis=1)
    # given its alleles a site's heterozygotes vary by about (2 p q)^2 n
    return excess > GROSS_EXCESS * np.sqrt(((2 * p * (1 - p)) ** 2 * typed).sum(axis=1))


def kin_markers(frequency: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Return the indices of the markers from which kinship is read.

    Args:
        frequency: float64 (n_markers,), minor allele frequency; NaN where unknown.
        usable: bool (n_markers,), whether the marker is called often enough and free of `gross_excess`.

    Returns:
        int64, at most MAX_MARKERS, evenly spaced.
    """
    chosen = np.flatnonzero(usable & (np.nan_to_num(frequency) >= MIN_FREQUENCY))
    return evenly_spaced(chosen, MAX_MARKERS)


def kinship_within_sites(
    dosages: np.ndarray, site: np.ndarray, may_define: np.ndarray, reference: np.ndarray
) -> KinPairs:
    """Return the kinship of every pair of animals of one site, and which pairs are close kin.

    Args:
        dosages: int8 (n_markers, n_animals), of the markers of `kin_markers`; MISSING = -1.
        site: int (n_animals,), site of each animal.
        may_define: bool (n_animals,), whether the animal may lend its genotype to frequencies.
        reference: bool (n_animals,), animals for the first frequencies, thinned of what looks like kin.

    The frequencies of a site are those of one animal a family; families come from the pairs found in the round before.
    Few animals are drawn towards the mean of all sites as their differentiation says. The limit is CLOSE_KIN, or more
    where unrelated pairs vary so much that FALSE_SHARE of the animals would lie above it by chance.

    Source: kinship as the covariance of genotypes over its expectation, with expectations of each animal's own, as in
    Conomos et al. (2016) Am J Hum Genet 98:127-148 (from memory); frequencies by the beta distribution of an island
    model (Wright 1951 Ann Eugen 15:323-354).
    """
    n = site.size
    pairs = _empty()
    first, second = _site_pairs(site)
    if not first.size or dosages.shape[0] < MIN_MARKERS or not (reference & may_define).any():
        return pairs
    reference = reference & may_define
    for _ in range(ROUNDS):
        sites = np.unique(site[reference])
        place = np.full(int(site.max()) + 1, -1)
        place[sites] = np.arange(sites.size)
        frequency, weight, squares = _frequencies(dosages, place[site], reference, sites.size)
        base, other, share = _origins(dosages, place[site], frequency)
        kinship, markers = np.full(first.size, np.nan), np.zeros(first.size, dtype=np.int64)
        start = 0
        for s in np.unique(site):
            members = np.flatnonzero(site == s)
            rows = slice(start, start + members.size * (members.size - 1) // 2)
            start = rows.stop
            kinship[rows], markers[rows] = _kinship(
                dosages, members, frequency, base[members], other[members], share[members]
            )
        own = reference & (base == place[site])  # part of the frequencies against which they are held
        kinship = _unbiased(kinship, own[first], own[second], weight[base[first]], squares[base[first]])
        pairs = _judged(first, second, kinship, markers, n)
        group = linked_groups(first[pairs.close], second[pairs.close], n)
        before, reference = reference, may_define & _one_of_each(group, may_define)
        if np.array_equal(before, reference):
            break
    return pairs


def _empty() -> KinPairs:
    none, real = np.empty(0, dtype=np.int64), np.empty(0)
    return KinPairs(none, none, real, real, real)


def _site_pairs(site: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    firsts, seconds = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for s in np.unique(site):
        members = np.flatnonzero(site == s)
        a, b = np.triu_indices(members.size, 1)
        firsts.append(members[a])
        seconds.append(members[b])
    return np.concatenate(firsts), np.concatenate(seconds)


def _one_of_each(group: np.ndarray, may: np.ndarray) -> np.ndarray:
    """Return, as bool, the first member of each group among those that may."""
    chosen = np.zeros(group.size, dtype=bool)
    members = np.flatnonzero(may)
    chosen[members[np.unique(group[members], return_index=True)[1]]] = True
    return chosen


def _frequencies(dosages: np.ndarray, place: np.ndarray, reference: np.ndarray, n_sites: int):
    """Return frequencies by site, the weight of one of its animals in them, and the sum of squares of all weights.

    float64 (n_markers, n_sites), (n_sites,) and (n_sites,); animals of other sites have a part through the mean.
    """
    counts = np.empty((dosages.shape[0], n_sites, 4), dtype=np.int32)
    for s in range(n_sites):
        own = dosages[:, reference & (place == s)]
        for column, value in ((HOM_REF, 0), (HET, 1), (HOM_ALT, 2), (NOT_CALLED, -1)):
            counts[:, s, column] = (own == value).sum(axis=1)
    top, bottom = joint_components(counts, np.zeros(len(counts), dtype=np.int64))
    fst = float(top[0] / bottom[0]) if n_sites > 1 and bottom[0] > 0 else 0.0
    copies_of_mean = 1 / np.clip(fst, 0.001, 0.5) - 1
    alleles = AlleleCounts.of_genotypes(counts)
    mean = (alleles.alternate.sum(axis=1) + 0.5) / (alleles.copies.sum(axis=1) + 1)
    frequency = (alleles.alternate + copies_of_mean * mean[:, None]) / (alleles.copies + copies_of_mean)
    size = np.bincount(place[reference], minlength=n_sites)
    typed = alleles.copies.mean(axis=0)
    of_mean = copies_of_mean * 2 / (typed.sum() + 1) / (typed + copies_of_mean)
    weight = 2 / (typed + copies_of_mean) + of_mean
    return frequency, weight, size * weight**2 + (size.sum() - size) * of_mean**2


def _blocks(dosages: np.ndarray, rows: np.ndarray):
    for start in range(0, dosages.shape[0], _BLOCK):
        block = dosages[start : start + _BLOCK, rows]
        typed = block >= 0
        yield slice(start, start + block.shape[0]), np.where(typed, block, 0) / 2.0, typed.astype(np.float64)


def _origins(dosages: np.ndarray, place: np.ndarray, frequency: np.ndarray):
    """Return the base site of each animal, the other site it comes from, and that one's share (0 to 1)."""
    n, n_sites = place.size, frequency.shape[1]
    base = place.copy()
    strangers = np.flatnonzero(place < 0)  # of sites without frequencies: the site that fits best
    if strangers.size:
        distance = np.zeros((strangers.size, n_sites))
        for rows, half, typed in _blocks(dosages, strangers):
            p = frequency[rows]
            distance += typed.T @ p**2 - 2 * half.T @ p
        base[strangers] = distance.argmin(axis=1)
    other, share = base.copy(), np.zeros(n)
    for s in np.unique(base):
        members = np.flatnonzero(base == s)
        top, called = np.zeros((members.size, n_sites)), np.zeros((members.size, 1))
        bottom, spread = np.zeros(n_sites), np.zeros(n_sites)
        for rows, half, typed in _blocks(dosages, members):
            p = frequency[rows, s]
            towards = frequency[rows] - p[:, None]
            top += (half - typed * p[:, None]).T @ towards
            called[:, 0] += typed.sum(axis=0)
            squares = towards**2
            bottom += squares.sum(axis=0)
            spread += (p * (1 - p) / 2) @ squares
        # an animal's missing calls are taken to lie anywhere
        share_called = called / dosages.shape[0]
        bottom, spread = bottom * share_called, spread * share_called
        score = np.nan_to_num(divide_or_nan(top, np.sqrt(spread)))
        score[:, s] = 0
        best = score.argmax(axis=1)
        at = np.arange(members.size)
        mixed = score[at, best] > SURE_OF_CROSS
        found = np.clip(np.nan_to_num(divide_or_nan(top[at, best], bottom[at, best])), 0, 1)
        other[members], share[members] = np.where(mixed, best, s), np.where(mixed, found, 0.0)
    return base, other, share


def _kinship(dosages, members, frequency, base, other, share):
    """Return kinship and number of telling markers of all pairs of the animals of one site."""
    n = members.size
    covariance, scale, telling = (np.zeros((n, n)) for _ in range(3))
    for rows, half, typed in _blocks(dosages, members):
        p = frequency[rows]
        expected = p[:, base] + share * (p[:, other] - p[:, base])
        used = typed * ((expected > MIN_EXPECTED) & (expected < 1 - MIN_EXPECTED))
        deviation, root = (half - expected) * used, np.sqrt(expected * (1 - expected)) * used
        covariance += deviation.T @ deviation
        scale += root.T @ root
        telling += used.T @ used
    pair = np.triu_indices(n, 1)
    markers = telling[pair].astype(np.int64)
    return np.where(markers >= MIN_MARKERS, divide_or_nan(covariance[pair], scale[pair]), np.nan), markers


def _unbiased(kinship, first_in, second_in, weight, squares):
    """Return kinship corrected for animals that are themselves part of the frequencies they are held against.

    Let w be the weight of an animal of the site in the frequency. Two unrelated animals that are both part of it have,
    in units of p (1 - p), the covariance -w (1 - w) + (sum of all squared weights) / 2. Where one of them is part of it
    the first term is half of that.
    """
    parts = first_in.astype(float) + second_in
    bias = squares / 2 - weight / 2 * (1 - weight) * parts
    return (kinship - bias) / ((1 - weight * first_in) * (1 - weight * second_in))


def _judged(first, second, kinship, markers, n):
    """Return the pairs with their limits.

    Chance scatters unrelated pairs the less the more markers two animals share: with one over the root of the number.
    """
    known = np.isfinite(kinship)
    if not known.any():
        return KinPairs(first, second, kinship, np.full(first.size, np.inf), np.zeros(first.size))
    root = np.sqrt(np.maximum(markers, 1))
    level = min(0.0, float(np.median(kinship[known])))
    # kin lie above the level only, so what lies below it tells how far chance alone scatters
    below = known & (kinship <= level)
    scatter = MEDIAN_DEVIATION_TO_SD * float(np.median((level - kinship[below]) * root[below])) / root
    far = -special.ndtri(min(0.5, FALSE_SHARE * n / known.sum()))
    limit = np.where(known, np.maximum(CLOSE_KIN, level + far * scatter), np.inf)
    with np.errstate(divide="ignore"):
        expected = special.ndtr(-divide_or_nan(limit - level, scatter))
    return KinPairs(first, second, kinship, limit, np.where(known, np.nan_to_num(expected), 0.0))


def thin_families(first: np.ndarray, second: np.ndarray, n: int, may_define: np.ndarray, call_rate: np.ndarray):
    """Return the families that pairs of kin form, and who stays when of each family one animal stays.

    Args:
        first: int (n_pairs,), pairs of close kin.
        second: int (n_pairs,).
        n: number of animals.
        may_define: bool (n,); the others are never thinned, and join no two families for the thinning.
        call_rate: float64 (n,); the best of a family stays, the first of equals.

    Returns:
        family int64 (n,), -1 for animals without kin, families numbered from the largest (the first met of equals); and
        bool (n,), animals to be left out.
    """
    group = linked_groups(first, second, n)
    sizes = np.bincount(group, minlength=n)
    order = [g for g in np.argsort(-sizes, kind="stable").tolist() if sizes[g] > 1]
    number = np.full(n, -1)
    number[order] = np.arange(len(order))
    both = may_define[first] & may_define[second]
    own = linked_groups(first[both], second[both], n)
    # the first of the best of each group: sort by group, then falling call rate, then row
    rank = np.lexsort((np.arange(n), -np.nan_to_num(call_rate), own))
    left_out = np.ones(n, dtype=bool)
    left_out[rank[np.unique(own[rank], return_index=True)[1]]] = False
    return number[group], left_out & may_define
