"""Coasts drawn by coalescent histories (msprime), which no estimator of this project assumes.

12 chromosomes of 25 loci, far enough apart to be inherited independently; the markers of a locus (eight on average,
every variable site) share one genealogy. 15 animals a site. Mutations fall at one rate on all branches. So the expected
F_ST of two sites is one less the mean time to a common ancestor within them over that between them (Slatkin 1991 Genet
Res 58:167-175).
"""

from __future__ import annotations

import itertools

import msprime
import numpy as np
from tests.verification.coasts.additive import arrangement_frequency, own_drifts, with_gap
from tests.verification.coasts.study import (
    KM,
    PlantedBlock,
    Study,
    Truth,
    along,
    contact_truth,
    counts_of,
    logistic_shares,
)

CHROMOSOMES, LOCI, MARKERS, ANIMALS = 12, 25, 8, 15
LOCUS_BP = 2_000_000  # between loci: 50 cM a chromosome
ANCESTOR = 10_000  # diploid animals
FOUNDED = 100  # generations since sites went their own ways
ARRANGEMENT_AGE = 8_000  # generations since the two arrangements of a block parted: F about .3
MIXING = 0.005  # exchanged with each neighbour a generation, after a contact


def locus_variants(samples: list, demography: msprime.Demography, seed: int, n_loci: int = CHROMOSOMES * LOCI) -> list:
    """Return the variants of each locus, int8 (n_variants, n_copies) each.

    Genealogies are msprime's. Mutations are thrown on their branches here, for all loci at once: a call of msprime a
    locus would take as long as the genealogies.

    Args:
        samples: msprime's sample sets, of single copies.
        demography: the history.
        seed: of genealogies and mutations.
        n_loci: loci.
    """
    genealogies = msprime.sim_ancestry(
        samples, demography=demography, sequence_length=1, random_seed=1 + seed, num_replicates=n_loci
    )
    parent, length = [], []
    for one in genealogies:
        above, time = np.zeros(one.num_nodes, dtype=np.int64), one.nodes_time
        above[one.edges_child] = one.edges_parent
        above[-1] = one.num_nodes - 1  # the root is its own parent, on a branch of no length
        parent.append(above)
        length.append(time[above] - time)
    parent, length = np.array(parent), np.array(length)
    return mutated(parent, length, sum(one.num_samples for one in samples), np.random.default_rng([seed, 41]))


def mutated(parent: np.ndarray, length: np.ndarray, n_copies: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Return the variants of each locus after mutations at one rate on all branches, MARKERS a locus on average.

    Args:
        parent: int64 (n_loci, n_nodes), parent of each node; a parent's number is larger, the last node is the root.
        length: float64 (n_loci, n_nodes), length of the branch above each node.
        n_copies: the first so many nodes are the copies sampled.
        rng: draws the mutations.
    """
    total = length.sum(axis=1)
    number = rng.poisson(MARKERS * total / total.mean())
    carries = np.zeros((len(parent), parent.shape[1], number.max()), dtype=bool)
    for locus, n in enumerate(number.tolist()):
        cumulated = np.cumsum(length[locus])
        carries[locus, np.searchsorted(cumulated, rng.random(n) * cumulated[-1]), np.arange(n)] = True
    loci = np.arange(len(parent))
    for node in range(parent.shape[1] - 2, -1, -1):
        carries[:, node] |= carries[loci, parent[:, node]]
    return [here[:n_copies, :n].T.astype(np.int8) for here, n in zip(carries, number.tolist(), strict=True)]


def paired(copies: np.ndarray) -> np.ndarray:
    """Return genotypes of animals from their copies, which lie side by side."""
    return copies[:, 0::2] + copies[:, 1::2]


def placed(by_locus: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Return the chromosome and position of every marker of loci in order: those of a locus a kilobase apart."""
    numbers = [np.arange(len(one)) for one in by_locus]
    chromosome = [np.full(len(n), locus // LOCI) for locus, n in enumerate(numbers)]
    pos = [1 + LOCUS_BP * (locus % LOCI) + 1000 * n for locus, n in enumerate(numbers)]
    return np.concatenate(chromosome), np.concatenate(pos)


def told(
    seed: int, demography: msprime.Demography, populations: list[str], truth: Truth, places: np.ndarray | None = None
) -> Study:
    """Return the study of sites sampled from these populations, one a site; one may be sampled for several sites."""
    samples = [msprime.SampleSet(2 * ANIMALS, population=name, ploidy=1) for name in populations]
    by_locus = locus_variants(samples, demography, seed)
    n = len(populations)
    animals, site = paired(np.concatenate(by_locus)), np.repeat(np.arange(n), ANIMALS)
    places = KM * np.arange(n) if places is None else places
    return Study(counts_of(animals, site, n), *placed(by_locus), along(places), truth)


def size_for(f: float, generations: float) -> float:
    """Return the diploid size of a population that drifts by `f` in so many generations: f = 1 - exp(-t / 2N)."""
    return generations / (-2 * np.log1p(-f))


def added_fst(f: float, generations: float, own_drift: float) -> float:
    """Return what lies between two lineages beyond distance and own drift, F of F / (1 - F), by coalescent times.

    Two copies of different lineages meet after `generations` and 2 ANCESTOR more on average. Those of different sites
    of one lineage meet within the lineage or go back to the ancestor; those of one site likewise after its own drift.

    Args:
        f: drift of each lineage since it left the ancestor.
        generations: since then.
        own_drift: of each site, over the last FOUNDED generations; 0 where sites are samples of the lineage itself.
    """
    recent = FOUNDED if own_drift else 0
    across = generations + 2 * ANCESTOR
    in_lineage = recent + _meeting(size_for(f, generations), generations - recent, 2 * ANCESTOR)
    if not own_drift:
        return 1 - in_lineage / across
    in_site = _meeting(size_for(own_drift, FOUNDED), FOUNDED, in_lineage - recent)
    linear = (across - in_lineage) / in_site
    return linear / (1 + linear)


def _meeting(size: float, generations: float, later: float) -> float:
    """Return the mean time to meet of two copies in a population that lasts so long, `later` on average afterwards."""
    apart = np.exp(-generations / (2 * size))
    return 2 * size * (1 - apart) + apart * later


def one_population(seed: int, n_sites: int = 8, size: float = 4000) -> Study:
    """Return samples of one population."""
    demography = msprime.Demography()
    demography.add_population(name="all", initial_size=size)
    return told(seed, demography, ["all"] * n_sites, Truth(np.zeros(n_sites, dtype=np.int64)))


def islands(seed: int, fst: float, n_sites: int, kind: str) -> Study:
    """Return sites that left one ancestor together, each with a size that gives it the drift wanted."""
    own = own_drifts(np.random.default_rng([seed, 31]), fst, n_sites, kind)
    demography, names = msprime.Demography(), [f"site{i}" for i in range(n_sites)]
    for name, f in zip(names, own.tolist(), strict=True):
        demography.add_population(name=name, initial_size=size_for(max(f, 1e-4), FOUNDED))
    demography.add_population(name="ancestor", initial_size=ANCESTOR)
    demography.add_population_split(time=FOUNDED, derived=names, ancestral="ancestor")
    return told(seed, demography, names, Truth(np.zeros(n_sites, dtype=np.int64)))


def lineages(seed: int, fst: float, own_drift: float, n_left: int = 6, n_right: int = 4, gap: float = 1.0) -> Study:
    """Return two lineages whose sites then drifted on their own; arguments as in `additive.lineages`."""
    age, n = 1000, n_left + n_right
    demography = msprime.Demography()
    for side in ("left", "right"):
        demography.add_population(name=side, initial_size=size_for(fst, age))
    demography.add_population(name="ancestor", initial_size=ANCESTOR)
    names = ["left"] * n_left + ["right"] * n_right
    if own_drift:
        sides, names = names, [f"site{i}" for i in range(n)]
        for name in names:
            demography.add_population(name=name, initial_size=size_for(own_drift, FOUNDED))
        for side in ("left", "right"):
            derived = [name for name, of in zip(names, sides, strict=True) if of == side]
            demography.add_population_split(time=FOUNDED, derived=derived, ancestral=side)
    demography.add_population_split(time=age, derived=["left", "right"], ancestral="ancestor")
    demography.sort_events()
    truth = Truth(np.repeat([0, 1], [n_left, n_right]), line_fst=added_fst(fst, age, own_drift))
    return told(seed, demography, names, truth, with_gap(n_left, n_right, gap))


def isolate(seed: int, fst: float, place: int, n_sites: int = 8) -> Study:
    """Return samples of one population, and one site that left it and stayed small."""
    demography = msprime.Demography()
    demography.add_population(name="all", initial_size=ANCESTOR)
    demography.add_population(name="small", initial_size=size_for(fst, FOUNDED))
    demography.add_population(name="ancestor", initial_size=ANCESTOR)
    demography.add_population_split(time=FOUNDED, derived=["all", "small"], ancestral="ancestor")
    names = ["small" if i == place else "all" for i in range(n_sites)]
    return told(seed, demography, names, Truth((np.arange(n_sites) == place).astype(np.int64), isolates=(place,)))


def neighbours_exchange(demography: msprime.Demography, names: list[str], rate: float) -> None:
    """Let populations in a row exchange this share with each neighbour, a generation."""
    for pair in itertools.pairwise(names):
        demography.set_symmetric_migration_rate(list(pair), rate)


def stepping_stones(
    seed: int, n_side: int = 6, gap: int = 0, size: float = 500, migration: float = 0.03, age: float = 3000
) -> Study:
    """Return two stretches of a row of populations that exchange with their neighbours, `gap` populations between.

    Args:
        seed: of everything drawn.
        n_side: sites sampled on either side.
        gap: populations between that nobody sampled.
        size: diploid animals of each.
        migration: share from each neighbour, a generation.
        age: generations since all were one.
    """
    n = 2 * n_side + gap
    demography, names = msprime.Demography(), [f"site{i}" for i in range(n)]
    for name in names:
        demography.add_population(name=name, initial_size=size)
    neighbours_exchange(demography, names, migration)
    demography.add_population(name="ancestor", initial_size=size * n)
    demography.add_population_split(time=age, derived=names, ancestral="ancestor")
    truth = Truth(np.zeros(2 * n_side, dtype=np.int64))
    return told(seed, demography, names[:n_side] + names[n_side + gap :], truth, with_gap(n_side, n_side, gap + 1))


def contact(seed: int, width: int, fst: float, generations: int, n_flank: int = 5, size: float = 8000) -> Study:
    """Return two stocks that met so many generations ago over some sites, and have exchanged along the coast since.

    The cline of shares at the meeting is logistic; exchange has widened it since, and the truth is the share today.

    Args:
        seed: of everything drawn.
        width: sites in the contact when it began.
        fst: drift of either stock from their ancestor.
        generations: since the contact.
        n_flank: sites beyond, on either side.
        size: diploid animals of each site since then.
    """
    age, first = 2000, logistic_shares(n_flank, width)
    demography, names = msprime.Demography(), [f"site{i}" for i in range(len(first))]
    for name in names:
        demography.add_population(name=name, initial_size=size)
    neighbours_exchange(demography, names, MIXING)
    for side in ("left", "right"):
        demography.add_population(name=side, initial_size=size_for(fst, age - generations))
    demography.add_population(name="ancestor", initial_size=ANCESTOR)
    for name, share in zip(names, first.tolist(), strict=True):
        demography.add_admixture(
            time=generations, derived=name, ancestral=["left", "right"], proportions=[share, 1 - share]
        )
    demography.add_population_split(time=age, derived=["left", "right"], ancestral="ancestor")
    demography.sort_events()
    return told(seed, demography, names, contact_truth(mixed_since(first, generations), fst))


def mixed_since(share: np.ndarray, generations: int) -> np.ndarray:
    """Return shares after so many generations of exchange between neighbours."""
    exchange = np.eye(len(share))
    for a in range(len(share) - 1):
        for i, j in ((a, a + 1), (a + 1, a)):
            exchange[i, j] += MIXING
            exchange[i, i] -= MIXING
    return np.linalg.matrix_power(exchange, generations) @ share


STRETCHES = {  # chromosome and its loci, first and beyond the last
    "whole": ((2, 0, LOCI),),
    "half": ((2, 6, 18),),
    "three": ((1, 0, 9), (5, 10, 19), (9, 14, LOCI)),
    "none": (),
}


def genome_blocks(seed: int, what: str, line: bool, n_sites: int = 10, line_fst: float = 0.05) -> Study:
    """Return a coast where an arrangement of part of the genome goes from .1 to .9 in mid-coast.

    Copies of one arrangement meet in their own past; the two have a common ancestor ARRANGEMENT_AGE generations ago. A
    copy is of one arrangement over the whole block. Arguments as in `additive.genome_blocks`.
    """
    rng = np.random.default_rng([seed, 37])
    place = np.arange(n_sites)
    site = np.repeat(place, ANIMALS)
    unit = (place >= n_sites // 4).astype(np.int64) if line else np.zeros(n_sites, dtype=np.int64)
    rest, age, sides = msprime.Demography(), 1000, ["side0", "side1"]
    rest.add_population(name="ancestor", initial_size=ANCESTOR)
    if line:
        for side in sides:
            rest.add_population(name=side, initial_size=size_for(line_fst, age))
        rest.add_population_split(time=age, derived=sides, ancestral="ancestor")
    names = [sides[u] if line else "ancestor" for u in unit.tolist()]
    samples = [msprime.SampleSet(2 * ANIMALS, population=name, ploidy=1) for name in names]
    by_locus = [paired(one) for one in locus_variants(samples, rest, seed)]
    planted = []
    for number, (chromosome, low, high) in enumerate(STRETCHES[what]):
        carried = rng.random(2 * site.size) < arrangement_frequency(n_sites)[np.repeat(site, 2)]
        order = np.argsort(carried, kind="stable")  # copies of the first arrangement come first
        samples = [msprime.SampleSet(int((carried == a).sum()), population=f"arr{int(a)}", ploidy=1)
                   for a in (False, True)]  # fmt: skip
        for k, one in enumerate(locus_variants(samples, arrangements(), 10_000 * (number + 1) + seed, high - low)):
            copies = np.empty_like(one)
            copies[:, order] = one
            by_locus[chromosome * LOCI + low + k] = paired(copies)
        planted.append((chromosome, low, high))
    block, pos = placed(by_locus)
    found = []
    for chromosome, low, high in planted:
        inside = (block == chromosome) & (pos > low * LOCUS_BP) & (pos <= high * LOCUS_BP)
        found.append(PlantedBlock(chromosome, int(pos[inside][0]), int(pos[inside][-1])))
    line_truth = added_fst(line_fst, age, 0.0) if line else float("nan")
    dosages = np.concatenate(by_locus)
    truth = Truth(unit, blocks=tuple(found), line_fst=line_truth)
    return Study(counts_of(dosages, site, n_sites), block, pos, along(KM * place), truth, dosages, site)


def arrangements() -> msprime.Demography:
    """Return the history of two arrangements of a stretch."""
    demography = msprime.Demography()
    for a in range(2):
        demography.add_population(name=f"arr{a}", initial_size=ANCESTOR / 2)
    demography.add_population(name="ancestor", initial_size=ANCESTOR)
    demography.add_population_split(time=ARRANGEMENT_AGE, derived=["arr0", "arr1"], ancestral="ancestor")
    return demography
