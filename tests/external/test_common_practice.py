"""What the trade expects of a panel, on animals bred from a history that no rule of homewater had a part in.

Facts (common practice, no source): some 84 well chosen SNPs tell two lineages apart that have been isolated for over
10,000 years, animal by animal, and tell direct movers and mixtures of the first and second generation; a far site with
about 20 % of animals of partly foreign origin comes out with an interval that holds 20 %.
"""

import msprime
import numpy as np
import pytest
from scipy import stats

from homewater.assignment.class_power import CALLED, power_table, simulated_calls, simulated_cutoffs
from homewater.assignment.rates import power_counts, recent_share
from homewater.assignment.verdict import VerdictRules, called_class, verdicts
from homewater.crosses.likelihood import CLASSES, KnownUnits, class_list, log_likelihoods, posterior
from homewater.crosses.odds import class_prior, local_ratio
from homewater.crosses.simulated import PanelModel
from homewater.genotypes.genetic_map import map_from_positions
from homewater.panel.candidates import LEAST_FREQUENCY, EligibleMarkers
from homewater.panel.ranking import ranked
from homewater.panel.settings import PanelRules
from homewater.statistics.allele_counts import AlleleCounts

GENERATIONS, BREEDING = 10_000 // 3, 10_000  # three years a generation; animals of either lineage
LOCI, PANEL, BASELINE, PARENTS = 3000, 84, 100, 60
ERROR, RATE, SUPPORT = 0.005, 0.001, 0.9
BOTH = class_list(2)


def two_lineages():
    """Genotypes of unlinked loci, int8 (2, BASELINE + PARENTS, n_loci)."""
    demography = msprime.Demography()
    for name in ("a", "b", "ancestor"):
        demography.add_population(name=name, initial_size=BREEDING)
    demography.add_population_split(time=GENERATIONS, derived=["a", "b"], ancestral="ancestor")
    n, loci = BASELINE + PARENTS, []
    replicates = msprime.sim_ancestry(
        {"a": n, "b": n}, demography=demography, sequence_length=1, random_seed=1, num_replicates=LOCI
    )
    rng = np.random.default_rng(1)
    for trees in replicates:  # one mutation, on a branch drawn by length, is what a marker of its own genealogy shows
        tree = trees.first()
        nodes = [node for node in tree.nodes() if node != tree.root]
        length = np.array([tree.branch_length(node) for node in nodes])
        copies = np.zeros(4 * n, dtype=np.int8)
        copies[list(tree.samples(nodes[rng.choice(len(nodes), p=length / length.sum())]))] = 1
        loci.append(copies.reshape(2, n, 2).sum(axis=2))
    return np.stack(loci, axis=2)


def bred(rng, one, other):
    """Offspring of pairs of parents: of either one copy at every locus, by Mendel's first law."""
    return sum(rng.binomial(1, parents[rng.integers(len(parents), size=len(parents))] / 2) for parents in (one, other))


@pytest.fixture(scope="module")
def study():
    rng, animals = np.random.default_rng(2), two_lineages()
    counts = np.stack([np.stack([(of[:BASELINE] == g).sum(axis=0) for g in (0, 1, 2, -1)], 1) for of in animals], 1)
    whole = AlleleCounts.of_genotypes(counts.sum(axis=1)).frequency
    kept, varied = (np.abs(whole - 0.5) <= 0.5 - least for least in (0.05, LEAST_FREQUENCY))
    chrom, pos = np.arange(LOCI), np.ones(LOCI, dtype=int)
    found = ranked(counts, EligibleMarkers(kept, varied, chrom, pos), PanelRules(0.9, 0, ERROR), PANEL)
    chosen = found.markers
    unlinked = map_from_positions(chrom[chosen], pos[chosen], 50)
    known = KnownUnits(AlleleCounts.of_genotypes(counts[chosen]), ERROR, found.prior)
    model = PanelModel(known, np.zeros(2), unlinked, np.empty((0, PANEL), bool))
    a, b = animals[:, BASELINE:, chosen]
    f1, other = bred(rng, a, b), bred(rng, a, b)
    kinds = {"pure_a": a, "pure_b": b, "F1": f1, "F2": bred(rng, f1, other), "backcross_a": bred(rng, f1, a),
             "backcross_b": bred(rng, f1, b)}  # fmt: skip
    limits = simulated_cutoffs(model, BOTH, 10_000, RATE, lambda _: rng)[0]
    return rng, model, limits, {name: of.astype(np.int8) for name, of in kinds.items()}


def likelihood(model, dosages):
    return log_likelihoods(dosages, model.class_table(BOTH))


def test_pure_animals_are_told_one_by_one(study):
    _, model, _, kinds = study
    for unit, name in enumerate(("pure_a", "pure_b")):
        assert (likelihood(model, kinds[name])[:, :2].argmax(axis=1) == unit).mean() >= 0.99


def test_movers_and_mixtures_of_two_generations_are_flagged(study):
    _, model, limits, kinds = study
    found = {
        name: (local_ratio(likelihood(model, of), np.zeros(len(of), dtype=int)) > limits[0]).mean()
        for name, of in kinds.items()
    }
    assert found["pure_a"] * PARENTS <= stats.binom.ppf(0.999, PARENTS, RATE)
    assert min(found["pure_b"], found["F1"], found["backcross_b"]) >= 0.98
    assert min(found["F2"], found["backcross_a"]) >= 0.9


def test_generations_are_told(study):
    _, model, _, kinds = study
    share = {name: posterior(likelihood(model, of), class_prior(BOTH, 0)) for name, of in kinds.items()}
    named = {name: [CLASSES[k] for k in of.argmax(axis=1)] for name, of in share.items()}
    assert np.mean([name == "pure_b" for name in named["pure_b"]]) >= 0.95
    assert np.mean([name == "F1" for name in named["F1"]]) >= 0.9
    second = named["F2"] + named["backcross_a"] + named["backcross_b"]
    assert np.mean([name not in ("pure_a", "pure_b", "F1") for name in second]) >= 0.9


def test_a_fifth_of_partly_foreign_animals_is_held(study):
    rng, model, limits, kinds = study
    counts, _ = simulated_calls(model, BOTH, (0, 1), limits, 1000, SUPPORT, rng)
    power = power_counts(power_table({(0, 1): counts}, 0.0, ["unit_1", "unit_2"]), "unit_1")
    sites, held, width = 40, 0, []
    for _ in range(sites):
        of = {"pure_a": 48, "F1": 4, "F2": 4, "backcross_a": 4}
        site = np.concatenate([rng.permutation(kinds[name])[:n] for name, n in of.items()])
        chances = likelihood(model, site)
        found = verdicts(chances, np.full(60, PANEL), np.zeros(60, dtype=int), BOTH, VerdictRules(limits, 0, SUPPORT))
        label = called_class(found.outcome, posterior(chances, class_prior(BOTH, 0)))
        _, low, high = recent_share(np.array([(label == name).sum() for name in CALLED]), power)
        held += low <= 0.2 <= high
        width.append(high - low)
    assert held >= stats.binom.ppf(0.01, sites, 0.95)
    assert np.mean(width) < 0.3  # and says something
