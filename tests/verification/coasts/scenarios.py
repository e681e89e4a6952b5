"""Histories with contacts, distance, nesting and two dimensions (msprime): the longest-standing settings.

A chromosome is 25 loci far enough apart to be inherited independently, as a map of 50 cM has room for; the eight
markers of a locus share one genealogy. Of a locus's variable sites, those that at least three copies carry are used.
"""

from __future__ import annotations

from dataclasses import dataclass

import msprime
import numpy as np
from tests.verification.coasts.study import KM, Study, Truth, counts_of

CHROMOSOMES, LOCI, SNPS = 20, 25, 8
LOCUS_BP = 2_000_000


@dataclass(frozen=True)
class Scenario:
    """A chain or a grid of demes.

    Attributes:
        lineage: lineage of each deme.
        sizes: animals sampled from each deme; 0 where nobody was.
        splits: (generations, (lineage, lineage)) at which the second joins the first, from the youngest; the last
            joins all. Without any, all demes are one population 3,000 generations ago.
        deme_size: diploid animals a deme; one number a lineage where they differ.
        migration: from each neighbour of the same lineage, a generation.
        contact: deme founded 30 generations ago by both of its neighbours; it exchanges 0.001 with either.
        one_population: demes are samples of one population of `deme_size`.
        columns: demes a row of the grid, row by row, 50 km apart along rows and 55 between them; 0 for a chain.
    """

    lineage: tuple[int, ...]
    sizes: tuple[int, ...]
    splits: tuple = ()
    deme_size: float | tuple[float, ...] = 1000
    migration: float = 0.05
    contact: int | None = None
    one_population: bool = False
    columns: int = 0

    @property
    def places(self) -> np.ndarray:
        """Where the demes lie, km, (n_demes, 2)."""
        number = np.arange(len(self.lineage))
        row, column = divmod(number, self.columns) if self.columns else (0 * number, number)
        return np.stack([KM * column, 1.1 * KM * row], axis=1)

    @property
    def km(self) -> np.ndarray:
        """Distances between the sampled demes."""
        places = self.places[self.sampled]
        return np.hypot(*(places[:, None] - places[None, :]).transpose(2, 0, 1))

    @property
    def neighbours(self) -> list[tuple[int, int]]:
        """Pairs of demes that lie side by side."""
        places, n = self.places, len(self.lineage)
        return [(a, b) for a in range(n) for b in range(a + 1, n) if np.hypot(*(places[a] - places[b])) < 1.2 * KM]

    def size_of(self, lineage: int) -> float:
        """Return the diploid animals of a deme of a lineage."""
        return self.deme_size[lineage] if isinstance(self.deme_size, tuple) else self.deme_size

    @property
    def sampled(self) -> np.ndarray:
        """Demes from which animals were taken."""
        return np.flatnonzero(self.sizes)

    @property
    def n_units(self) -> int:
        """Units that there are."""
        return len(set(self.lineage)) if self.splits else 1


def two_lineages(generations: float) -> Scenario:
    return Scenario((0,) * 7 + (1,) * 5, (20,) * 12, ((generations, (0, 1)),), contact=6)


NESTED = ((500, (0, 1)), (500, (2, 3)), (500, (4, 5)), (1200, (0, 2)), (1200, (4, 6)), (2500, (0, 4)))
SCENARIOS = {
    "contact_fst_02": two_lineages(250),
    "contact_fst_05": two_lineages(640),
    "contact_fst_15": two_lineages(2200),
    "distance_weak": Scenario((0,) * 12, (20,) * 12),
    "distance_strong": Scenario((0,) * 12, (20,) * 12, deme_size=500, migration=0.015),
    "distance_uneven": Scenario((0,) * 16, tuple(20 if d in (0, 1, 2, 4, 8, 10, 11, 15) else 0 for d in range(16)),
                                deme_size=500, migration=0.03),
    "distance_unsampled_stretch": Scenario((0,) * 18, (20,) * 6 + (0,) * 6 + (20,) * 6, deme_size=500, migration=0.03),
    "no_structure": Scenario((0,) * 8, (20,) * 8, deme_size=4000, one_population=True),
    "seven_groups": Scenario(tuple(np.repeat(np.arange(7), 2).tolist()), (20,) * 14, NESTED, deme_size=1500),
    "front_in_two_dimensions": Scenario((0, 0, 0, 1, 1) * 4, (20,) * 20, ((640, (0, 1)),), deme_size=(500, 250),
                                        migration=0.04, columns=5),
    "distance_in_two_dimensions": Scenario((0,) * 20, (20,) * 20, deme_size=300, migration=0.03, columns=5),
    "thin_sampling": Scenario((0,) * 6 + (1,) * 6, (20, 20, 20, 8, 0, 0, 0, 0, 8, 20, 20, 20), ((640, (0, 1)),)),
}  # fmt: skip


def history(scenario: Scenario) -> msprime.Demography:
    """Return the history in msprime's terms."""
    demography = msprime.Demography()
    if scenario.one_population:
        demography.add_population(name="all", initial_size=scenario.deme_size)
        return demography
    lineage, n = scenario.lineage, len(scenario.lineage)
    for deme in range(n):
        demography.add_population(name=f"d{deme}", initial_size=scenario.size_of(lineage[deme]))
    for deme, next_deme in scenario.neighbours:
        zone = scenario.contact in (deme, next_deme)
        rate = 0.001 if zone else scenario.migration if lineage[deme] == lineage[next_deme] else 0.0
        if rate:
            pair = [f"d{deme}", f"d{next_deme}"]
            demography.set_symmetric_migration_rate(pair, rate)
            for source, dest in (pair, pair[::-1]) if zone else ():
                demography.add_migration_rate_change(time=30, rate=0, source=source, dest=dest)
    if scenario.contact is not None:
        flanks = [f"d{scenario.contact - 1}", f"d{scenario.contact + 1}"]
        demography.add_admixture(
            time=30, derived=f"d{scenario.contact}", ancestral=flanks, proportions=[0.5, 0.5]
        )  # fmt: skip
    if not scenario.splits:
        demography.add_population(name="a", initial_size=scenario.size_of(0) * n)
        demography.add_population_split(time=3000, derived=[f"d{deme}" for deme in range(n)], ancestral="a")
        return demography
    left = {group: [f"d{d}" for d in range(n) if lineage[d] == group and d != scenario.contact] for group in lineage}
    for number, (generations, (first, second)) in enumerate(scenario.splits):
        # the ancestor is as large as one lineage's demes together
        size = scenario.size_of(first) * max(len(left[first]), len(left[second]), 2)
        demography.add_population(name=f"a{number}", initial_size=size)
        demography.add_population_split(time=generations, derived=left[first] + left[second], ancestral=f"a{number}")
        left[first] = left[second] = [f"a{number}"]
    demography.sort_events()
    return demography


def simulated_animals(scenario: Scenario, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return genotypes int8 (n_markers, n_animals), the place of each animal's site among the sampled, and blocks.

    A block is the chromosome of each marker, int (n_markers,).
    """
    n_copies, rng = 2 * sum(scenario.sizes), np.random.default_rng([seed, 1])
    if scenario.one_population:
        samples = [msprime.SampleSet(n_copies, population="all", ploidy=1)]
    else:
        samples = [msprime.SampleSet(2 * n, population=f"d{d}", ploidy=1) for d, n in enumerate(scenario.sizes) if n]
    site = np.repeat(np.arange(len(scenario.sampled)), [n for n in scenario.sizes if n])
    demography, animals, block = history(scenario), [], []
    for locus, copies in enumerate(loci(samples, demography, seed)):
        derived = copies.sum(axis=1)
        usable = np.flatnonzero(np.minimum(derived, n_copies - derived) >= 3)
        usable = np.sort(rng.choice(usable, min(SNPS, usable.size), replace=False))
        animals.append(copies[usable, 0::2] + copies[usable, 1::2])
        block += [locus // LOCI] * usable.size
    return np.concatenate(animals), site, np.array(block)


def study_of(name: str, seed: int) -> Study:
    """Return the study of a scenario and a seed.

    Args:
        name: of SCENARIOS.
        seed: of everything drawn.
    """
    scenario = SCENARIOS[name]
    animals, site, block = simulated_animals(scenario, seed)
    counts = counts_of(animals, site, len(scenario.sampled))
    lineage = np.array(scenario.lineage)[scenario.sampled] if scenario.splits else np.zeros(len(scenario.sampled), int)
    contact = tuple(np.flatnonzero(scenario.sampled == (-1 if scenario.contact is None else scenario.contact)).tolist())
    lineage[list(contact)] = -1
    return Study(counts, block, positions(block), scenario.km, Truth(lineage, contact=contact))


def positions(block: np.ndarray) -> np.ndarray:
    """Return the base pair of each marker: up to SNPS of a locus lie within a kilobase, loci evenly apart."""
    within = np.arange(len(block)) - np.searchsorted(block, block)
    return 1 + LOCUS_BP * (within // SNPS) + 100 * (within % SNPS)


def loci(samples, demography: msprime.Demography, seed: int):
    """Yield the variants of each locus, int8 (n_variants, n_copies); none is left out, and twice SNPS are expected."""
    replicates = msprime.sim_ancestry(
        samples, demography=demography, sequence_length=1000, random_seed=1 + seed, num_replicates=CHROMOSOMES * LOCI
    )
    for number, trees in enumerate(replicates):
        branches = trees.segregating_sites(mode="branch", span_normalise=False)
        mutated = msprime.sim_mutations(
            trees, rate=2 * SNPS / branches, random_seed=1 + seed * CHROMOSOMES * LOCI + number,
            model=msprime.BinaryMutationModel(), discrete_genome=False,
        )  # fmt: skip
        yield (mutated.genotype_matrix() != 0).astype(np.int8)
