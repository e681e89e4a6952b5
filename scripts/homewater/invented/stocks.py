"""Haplotypes of invented stocks by coalescent simulation: sites along a coast, lineages, gene flow, contact zones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import msprime
import numpy as np

MIN_MINOR_COPIES = 3  # rarer alleles are seldom told from errors, so variant callers leave them out (common practice)


@dataclass(frozen=True)
class StockModel:
    """History of one species along the coast; deme i lives at site i.

    Attributes:
        lineage_of_deme: lineage of each deme, in the order along the coast.
        deme_size: effective size of one deme, diploid animals; of the whole species where `panmictic`.
        neighbour_migration: share of a deme that comes from one neighbour of the same lineage, per generation.
        border_migration: the same between neighbours of different lineages or beside a contact zone.
        split_generations: generations since all demes were one population of `ancestral_size`.
        ancestral_size: size of that population, diploid animals.
        contact: deme -> (lower deme, upper deme, share from the lower): demes founded by a mixture of two others
            `contact_generations` ago.
        contact_generations: age of the contact zone.
        panmictic: all demes are samples of one population.
    """

    lineage_of_deme: tuple[int, ...]
    deme_size: float
    neighbour_migration: float
    split_generations: float
    ancestral_size: float
    border_migration: float = 0.0
    contact: dict[int, tuple[int, int, float]] = field(default_factory=dict)
    contact_generations: float = 60
    panmictic: bool = False

    @property
    def n_demes(self) -> int:
        """Number of demes."""
        return len(self.lineage_of_deme)


def demography(model: StockModel) -> msprime.Demography:
    """Return the history in msprime's terms: populations `deme_0`.. and `root`."""
    history = msprime.Demography()
    if model.panmictic:
        history.add_population(name="root", initial_size=model.deme_size)
        return history
    names = [f"deme_{i}" for i in range(model.n_demes)]
    for name in names:
        history.add_population(name=name, initial_size=model.deme_size)
    history.add_population(name="root", initial_size=model.ancestral_size)
    for i in range(model.n_demes - 1):
        same = model.lineage_of_deme[i] == model.lineage_of_deme[i + 1]
        at_contact = i in model.contact or i + 1 in model.contact
        rate = model.neighbour_migration if same and not at_contact else model.border_migration
        if rate > 0:
            history.set_symmetric_migration_rate([names[i], names[i + 1]], rate)
            if at_contact:  # before the zone there was nobody to exchange with
                for source, dest in ((i, i + 1), (i + 1, i)):
                    history.add_migration_rate_change(
                        time=model.contact_generations, rate=0, source=names[source], dest=names[dest]
                    )
    for deme, (lower, upper, share) in sorted(model.contact.items()):
        history.add_admixture(
            time=model.contact_generations,
            derived=names[deme],
            ancestral=[names[lower], names[upper]],
            proportions=[share, 1 - share],
        )
    remaining = [name for i, name in enumerate(names) if i not in model.contact]
    history.add_population_split(time=model.split_generations, derived=remaining, ancestral="root")
    history.sort_events()
    return history


def simulate_chromosome(
    model: StockModel,
    copies_per_deme: Sequence[int],
    n_snps: int,
    length_bp: int,
    centimorgans: float,
    seeds: tuple[int, int, int],
) -> tuple[np.ndarray, np.ndarray]:
    """Return the variants of one chromosome.

    Args:
        model: history of the species.
        copies_per_deme: haplotypes wanted from each deme, (n_demes,).
        n_snps: variants wanted; those with fewer than MIN_MINOR_COPIES of either allele are not drawn.
        length_bp: length of the chromosome in base pairs.
        centimorgans: its genetic length, spread evenly.
        seeds: seeds of ancestry, mutations and choice of variants.

    Returns:
        positions, int64 (n_snps,), rising, from 1; haplotypes, int8 (n_snps, n_copies), demes in order, 1 = derived.

    Raises:
        ValueError: where so few copies are drawn that no variant can hold MIN_MINOR_COPIES of both alleles.
    """
    n_copies = int(sum(copies_per_deme))
    fewest = min(MIN_MINOR_COPIES, n_copies // 2)
    if not fewest:
        raise ValueError("at least two haplotypes must be drawn")
    history = demography(model)
    samples = (
        [msprime.SampleSet(n_copies, population="root", ploidy=1)]
        if model.panmictic
        else [
            msprime.SampleSet(int(n), population=f"deme_{i}", ploidy=1) for i, n in enumerate(copies_per_deme) if n > 0
        ]
    )
    trees = msprime.sim_ancestry(
        samples=samples,
        demography=history,
        ploidy=2,
        sequence_length=length_bp,
        recombination_rate=centimorgans / 100 / length_bp,
        random_seed=seeds[0],
    )
    branches = float(trees.segregating_sites(mode="branch", span_normalise=False))
    rate = 2.0 * n_snps / branches
    while True:
        mutated = msprime.sim_mutations(
            trees, rate=rate, random_seed=seeds[1], model=msprime.BinaryMutationModel(), discrete_genome=True
        )
        haplotypes = mutated.genotype_matrix()
        derived = (haplotypes != 0).sum(axis=1)
        usable = np.flatnonzero(np.minimum(derived, n_copies - derived) >= fewest)
        if len(usable) >= n_snps:
            break
        rate *= 1.5 * n_snps / max(len(usable), n_snps / 10)
    rng = np.random.default_rng(seeds[2])
    kept = np.sort(rng.choice(usable, size=n_snps, replace=False))
    positions = mutated.tables.sites.position[kept].astype(np.int64) + 1
    return positions, (haplotypes[kept] != 0).astype(np.int8)
