"""Gene drop: what parents pass on, with crossing-over along a map, and the crosses of two stocks built from it.

Crossing-over follows Haldane (1919) J Genet 8:299-309: no interference, so between two loci d Morgans apart an odd
number of exchanges happens with chance (1 - exp(-2 d)) / 2, and chromosomes assort independently (chance 1/2).
"""

from __future__ import annotations

import numpy as np

from homewater.genotypes.genetic_map import RecombinationMap

CLASSES = ("pure_a", "pure_b", "F1", "F2", "backcross_a", "backcross_b", "second_backcross_a", "second_backcross_b")

# An animal is a pair of gametes; a gamete is a founder haplotype of a stock, or comes from a parent written likewise.
PEDIGREES = {
    "pure_a": ("a", "a"),
    "pure_b": ("b", "b"),
    "F1": ("a", "b"),
    "F2": (("a", "b"), ("a", "b")),
    "backcross_a": (("a", "b"), "a"),
    "backcross_b": (("a", "b"), "b"),
    "second_backcross_a": ((("a", "b"), "a"), "a"),
    "second_backcross_b": ((("a", "b"), "b"), "b"),
}


def transmit(
    parents: np.ndarray, recombination: RecombinationMap, rng: np.random.Generator, n: int | None = None
) -> np.ndarray:
    """Return the gametes that parents pass on.

    Args:
        parents: (2, n_loci), one parent, or (2, n_loci, n), a parent a gamete; any dtype (alleles, ancestry, labels).
        recombination: map of the n_loci loci.
        rng: source of randomness.
        n: number of gametes from one parent; 1 by default, and then the result has no last axis.

    Returns:
        (n_loci,) or (n_loci, n), dtype of `parents`.

    Raises:
        ValueError: where shapes disagree.
    """
    parents = np.asarray(parents)
    if parents.ndim not in (2, 3) or parents.shape[:2] != (2, recombination.n_loci):
        raise ValueError(f"parents must be (2, {recombination.n_loci}[, n]), got {parents.shape}")
    single = parents.ndim == 2
    if single:
        n_gametes = 1 if n is None else n
        parents = np.broadcast_to(parents[:, :, None], (2, recombination.n_loci, n_gametes))
    elif n is not None and n != parents.shape[2]:
        raise ValueError(f"n must be the number of parents, {parents.shape[2]}, got {n}")
    strand = _strands(recombination, parents.shape[2], rng)
    gametes = np.where(strand, parents[1], parents[0])
    return gametes[:, 0] if single and n is None else gametes


def _strands(recombination: RecombinationMap, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return bool (n_loci, n): which of the parent's two strands each gamete carries at each locus."""
    switches = rng.random((recombination.n_loci, n)) < recombination.switch_probabilities()[:, None]
    strand = np.empty_like(switches)
    strand[recombination.order()] = np.logical_xor.accumulate(switches, axis=0)
    return strand


def draw_founders(
    class_name: str, recombination: RecombinationMap, n: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return which founder gamete each animal of a class carries, locus by locus.

    Args:
        class_name: one of CLASSES.
        recombination: map of the loci.
        n: number of animals.
        rng: source of randomness.

    Returns:
        labels, int8 (2, n_loci, n): founder gamete of the animal's pedigree, numbered from 0;
        origin, int8 (n_founders,): 0 where that founder gamete comes from stock a, 1 from b.

    Raises:
        ValueError: on an unknown class.
    """
    if class_name not in PEDIGREES:
        raise ValueError(f"class must be one of {', '.join(CLASSES)}, got {class_name}")
    origin: list[int] = []

    def gamete(source: str | tuple) -> np.ndarray:
        if isinstance(source, str):
            origin.append("ab".index(source))
            return np.broadcast_to(np.int8(len(origin) - 1), (recombination.n_loci, n))
        return transmit(np.stack([gamete(parent) for parent in source]), recombination, rng)

    labels = np.stack([gamete(parent) for parent in PEDIGREES[class_name]])
    return labels, np.array(origin, dtype=np.int8)


def draw_class(
    class_name: str,
    haplotypes_a: np.ndarray,
    haplotypes_b: np.ndarray,
    recombination: RecombinationMap,
    n: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return animals of one class, bred from founder haplotypes of two stocks; linkage within the haplotypes is kept.

    Args:
        class_name: one of CLASSES.
        haplotypes_a: int8 (n_loci, n_haplotypes), alternate alleles (0, 1) of stock a; may be empty for `pure_b`.
        haplotypes_b: the same for stock b.
        recombination: map of the loci.
        n: number of animals.
        rng: source of randomness.

    Returns:
        dosages, int8 (n_loci, n), alternate alleles in {0, 1, 2};
        ancestry, int8 (2, n_loci, n), 0 where the copy comes from stock a, 1 from b.
        An animal's founders are different haplotypes where the stock has enough of them.

    Raises:
        ValueError: on an unknown class, or where the shapes disagree with the map.
    """
    labels, origin = draw_founders(class_name, recombination, n, rng)
    pools = [np.asarray(haplotypes_a), np.asarray(haplotypes_b)]
    chosen = np.zeros((len(origin), n), dtype=np.int64)
    for stock, pool in enumerate(pools):
        wanted = np.flatnonzero(origin == stock)
        if len(wanted):
            if pool.ndim != 2 or pool.shape[0] != recombination.n_loci or not pool.shape[1]:
                raise ValueError(f"haplotypes must be ({recombination.n_loci}, 1 or more), got {pool.shape}")
            chosen[wanted] = _choose(pool.shape[1], len(wanted), n, rng)
    dosages = np.zeros((recombination.n_loci, n), dtype=np.int8)
    loci = np.arange(recombination.n_loci)[:, None]
    for copy in labels:
        for founder, stock in enumerate(origin):
            carried = copy == founder
            if carried.any():
                dosages += np.where(carried, pools[stock][loci, chosen[founder]], 0).astype(np.int8)
    return dosages, origin[labels]


def _choose(n_haplotypes: int, n_wanted: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return int64 (n_wanted, n) haplotypes, different within an animal where there are enough."""
    if n_wanted > n_haplotypes:
        return rng.integers(n_haplotypes, size=(n_wanted, n))
    picks = np.empty((n_wanted, n), dtype=np.int64)
    for row in range(n_wanted):
        # drawn from those left: the r-th pick skips, in rising order, those that the animal has already
        pick = rng.integers(n_haplotypes - row, size=n)
        for taken in np.sort(picks[:row], axis=0):
            pick += pick >= taken
        picks[row] = pick
    return picks


def draw_class_from_frequencies(
    class_name: str,
    freq_a: np.ndarray,
    freq_b: np.ndarray,
    recombination: RecombinationMap,
    n: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return animals of one class where only frequencies are known: alleles are independent, given their ancestry.

    Args:
        class_name: one of CLASSES.
        freq_a: float (n_loci,) or (n_loci, n), alternate-allele frequency in stock a, one for all or one an animal.
        freq_b: the same for stock b.
        recombination: map of the loci; ancestry changes along it as in `draw_class`.
        n: number of animals.
        rng: source of randomness.

    Returns:
        dosages, int8 (n_loci, n), in {0, 1, 2}, and ancestry, int8 (2, n_loci, n), 0 for a and 1 for b.

    Raises:
        ValueError: on an unknown class, a frequency outside [0, 1] or NaN, or shapes that disagree.
    """
    shape = (recombination.n_loci, n)
    frequencies = []
    for frequency in (freq_a, freq_b):
        frequency = np.asarray(frequency, dtype=np.float64)
        frequency = frequency[:, None] if frequency.ndim == 1 else frequency
        if not ((frequency >= 0) & (frequency <= 1)).all():
            raise ValueError("frequencies must lie in [0, 1]")
        frequencies.append(np.broadcast_to(frequency, shape))
    labels, origin = draw_founders(class_name, recombination, n, rng)
    ancestry = origin[labels]
    dosages = np.zeros(shape, dtype=np.int8)
    for copy in ancestry:
        dosages += rng.random(shape) < np.where(copy == 1, frequencies[1], frequencies[0])
    return dosages, ancestry
