"""Breaks, units, F_ST intervals and p values on simulated histories with known truth, seeds 0 to n-1 all counted.

`scripts/test --verify structure` runs 200 studies of every scenario and writes structure.json beside this file, each
scenario with its own commit (`-k NAME` runs a part). The simulator is msprime itself: neither the generator of the demo
nor any rule has a part in it. A chromosome is 25 loci far enough apart to be inherited independently, as a map of
50 cM has room for; the eight markers of a locus share one genealogy.

Limits, over 200 studies: where the break exceeds the study's own detectable F_ST the number of units is right in 185
(173 for the hierarchy) and the adjusted Rand index of sites is 0.95 on average; a false break in 15 at most without
one; F_ST intervals cover in 92 to 97 % of 1,000; no test says p <= a more often than a, at 0.05 and 0.01 (one-sided
binomial, 1 %).
"""

import multiprocessing
from dataclasses import dataclass
from functools import partial

import msprime
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from sklearn.metrics import adjusted_rand_score
from tests.verification.against_truth import provenance

from homewater.running.seeds import draws
from homewater.statistics.fst import pairwise_fst
from homewater.structure.axis_test import axis_p_values, genome_halves
from homewater.structure.pairwise_fst import permutation_p_values
from homewater.structure.relationship import BLOCK, relationship_matrix
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import find_breaks
from homewater.units.detectable_fst import DetectableSettings, smallest_detectable
from homewater.units.isolation_by_distance import row_of
from homewater.units.partition import sites_in_units
from homewater.units.replicates import Replicates, pair_replicates

COMMAND = "scripts/test --verify structure"
N, N_INTERVALS = 200, 1000
RULES = BreakRules(min_break_fst=0.01, break_level=0.05, median_step_multiple=3.0)  # the defaults of config/README.md
CHROMOSOMES, LOCI, SNPS = 20, 25, 8
KM = 50.0  # between neighbouring demes


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


def counts_of(animals: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    """Return genotype counts of groups of animals, int32 (n_markers, n_groups, 4)."""
    groups = [animals[:, group == g] for g in range(n_groups)]
    counts = [np.stack([(one == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for one in groups]
    return np.stack(counts, axis=1).astype(np.int32)


def simulated(scenario: Scenario, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return genotype counts of the sampled sites, int32 (n_markers, n_sites, 4), and the chromosome of each marker."""
    animals, site, block = simulated_animals(scenario, seed)
    return counts_of(animals, site, len(scenario.sampled)), block


def units_found(replicates: Replicates, km: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the tree's edges, the unit of each site and which sites are contact zones, by the rules of a run."""
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(len(edges)), [c.edge for c in cuts if c.reading == "boundary"])
    return edges, *sites_in_units(replicates, km, edges, cut, RULES)


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


def outcome(name: str, seed: int) -> dict:
    """Return what the search for breaks finds in one simulated study."""
    scenario = SCENARIOS[name]
    counts, block = simulated(scenario, seed)
    km = scenario.km
    replicates = pair_replicates(counts, block)
    edges, unit, contact = units_found(replicates, km)
    label = np.array(scenario.lineage)[scenario.sampled]
    clear = scenario.sampled != (-1 if scenario.contact is None else scenario.contact)
    found = {
        "units": int(unit.max()) + 1,
        "rand": float(adjusted_rand_score(label[clear], unit[clear])),
        "contact": scenario.sampled[contact].tolist(),
        "gradient_p": row_of(replicates, km, "all", np.arange(len(km)))["p_value"],
    }
    if scenario.splits:
        faces = (scenario.sampled[:, None] < scenario.sampled) & (label[:, None] != label) & clear[:, None] & clear
        nearest = km == km[faces].min()
        fst = pairwise_fst(counts, block)[0]
        first, second = np.triu_indices(len(km), 1)
        found["break_fst"] = float(fst[(faces & nearest)[first, second]].min())
        wanted = DetectableSettings(power=0.8, replicates=100)
        generators = draws(seed, "detectable", "topshell")
        found["detectable"] = smallest_detectable(counts, block, edges, wanted, generators).value
    return found


def spread_over_cores(function, number: int) -> list:
    with multiprocessing.get_context("spawn").Pool() as pool:
        return pool.map(function, range(number), chunksize=4)


def share(k: int, n: int) -> dict:
    """Return a count with its exact 95 % interval (Clopper & Pearson 1934)."""
    low, high = stats.binomtest(k, n).proportion_ci(method="exact") if n else (None, None)
    return {"count": k, "of": n, "ci_low": low, "ci_high": high}


def mean_of(difference: np.ndarray) -> dict:
    """Return the mean of a difference over studies, with its standard error."""
    return {"difference": float(difference.mean()), "standard_error": float(stats.sem(difference))}


def summary(name: str, found: list[dict]) -> dict:
    """Return the figures of one scenario."""
    scenario = SCENARIOS[name]
    told = pd.DataFrame(found)
    right = told["units"] == scenario.n_units
    figures = {
        "planted_units": scenario.n_units,
        "units_right": share(int(right.sum()), len(told)),
        "units_found": {str(k): int(n) for k, n in told["units"].value_counts().sort_index().items()},
        "mean_adjusted_rand_index": float(told["rand"].mean()),
        "seeds_wrong": told.index[~right].tolist(),
    }
    if scenario.splits:
        large = told["break_fst"] > told["detectable"]
        figures |= {
            "mean_fst_across": float(told["break_fst"].mean()),
            "mean_detectable_fst": float(told["detectable"].mean()),
            "break_exceeds_detectable": int(large.sum()),
            "units_right_where_it_does": share(int(right[large].sum()), int(large.sum())),
            "mean_adjusted_rand_index_where_it_does": float(told.loc[large, "rand"].mean()),
        }
    if scenario.contact is not None:
        exact = [c == [scenario.contact] for c in told["contact"]]
        figures["contact_zone_is_the_planted_site_alone"] = share(sum(exact), len(exact))
    if name == "no_structure":
        figures["gradient_p_at_most"] = p_at_most(told["gradient_p"].to_numpy())
    return figures


def p_at_most(p: np.ndarray) -> dict:
    """Return how many p values lie at or below each of two levels."""
    return {str(a): share(int((p <= a).sum()), p.size) for a in (0.05, 0.01)}


def none_too_often(told: dict) -> None:
    for a, found in told.items():
        assert found["count"] <= stats.binom.ppf(0.99, found["of"], float(a))


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenario(record, name):
    found = spread_over_cores(partial(outcome, name), N)
    figures = record[name] = provenance(COMMAND) | summary(name, found)
    if SCENARIOS[name].splits:
        right = figures["units_right_where_it_does"]
        least = 173 if name == "seven_groups" else 185
        assert right["count"] >= least / N * right["of"]
        assert figures["mean_adjusted_rand_index_where_it_does"] >= 0.95
    else:
        assert figures["units_right"]["count"] >= N - 15
    none_too_often(figures.get("gradient_p_at_most", {}))


def axis_p(animals: np.ndarray, block: np.ndarray, k: int, seed: int) -> float:
    """Return the p value of the k-th axis (from 0), NaN where an earlier one is not beyond chance."""
    everyone = np.ones(animals.shape[1], dtype=bool)
    second = genome_halves(block.astype(str))
    halves = [relationship_matrix(np.array_split(animals[half], 1 + half.sum() // BLOCK), everyone)
              for half in (~second, second)]  # fmt: skip
    return float(axis_p_values((halves[0], halves[1]), k + 1, np.random.default_rng(seed))[k])


def interval(seed: int) -> tuple[bool, float, float]:
    """Return whether the 95 % interval of F_ST of two demes of an island model holds the expected value, F_ST, axis p.

    The p is that of the second axis, where two demes have but one between them.

    Every variable site is used. Two demes of N diploids that exchange a share m: 1 / (1 + 8 N m), since estimates of
    this kind leave out pairs within a deme (Cockerham & Weir 1987 PNAS 84:8512-8514, from memory; two demes).
    """
    n, m = 500, TRUE_MIGRATION
    demography = msprime.Demography.island_model([n, n], m)
    tables, block, genotypes = [], [], []
    for locus, copies in enumerate(loci({0: 20, 1: 20}, demography, seed)):
        animals = copies[:, 0::2] + copies[:, 1::2]
        genotypes.append(animals)
        by_site = [animals[:, :20], animals[:, 20:]]
        tables.append(np.stack([np.stack([(g == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for g in by_site], 1))
        block += [locus // LOCI] * len(animals)
    fst, low, high, _ = pairwise_fst(np.concatenate(tables).astype(np.int32), np.array(block))
    truth = 1 / (1 + 8 * n * m)
    p = axis_p(np.concatenate(genotypes), np.array(block), 1, seed)
    return bool(low[0] <= truth <= high[0]), float(fst[0]), p


TRUE_MIGRATION = 0.005


def test_intervals_of_fst(record):
    found = spread_over_cores(interval, N_INTERVALS)
    holds = sum(held for held, *_ in found)
    p = np.array([p for *_, p in found])
    p = p[np.isfinite(p)]
    figures = record["fst_intervals"] = provenance(COMMAND) | {
        "expected_fst": 1 / (1 + 8 * 500 * TRUE_MIGRATION),
        "mean_fst": float(np.mean([fst for _, fst, _ in found])),
        "hold_the_expected_value": share(holds, len(found)),
        "one_axis_found": len(p),
        "second_axis_p_at_most": p_at_most(p),
    }
    assert 0.92 <= figures["hold_the_expected_value"]["count"] / N_INTERVALS <= 0.97
    none_too_often(figures["second_axis_p_at_most"])


def permuted(seed: int) -> tuple[float, float]:
    """Return the p values of F_ST and of the first axis of two sites of one population, linked markers."""
    scenario = Scenario((0, 0), (20, 20), deme_size=2000, one_population=True)
    samples = [msprime.SampleSet(80, population="all", ploidy=1)]
    by_locus = list(loci(samples, history(scenario), seed))
    copies, block = (
        np.concatenate(by_locus),
        np.repeat(np.arange(CHROMOSOMES * LOCI) // LOCI, [len(c) for c in by_locus]),
    )
    animals = copies[:, 0::2] + copies[:, 1::2]
    p = permutation_p_values(
        animals, np.repeat([0, 1], 20), ["one", "other"], 999, draws(seed, "pairwise_fst", "topshell")
    )
    return float(p[0]), axis_p(animals, block, 0, seed)


def test_p_values_of_one_population(record):
    p = np.array(spread_over_cores(permuted, N_INTERVALS))
    told = {name: p_at_most(p[:, k]) for k, name in enumerate(("fst_p_at_most", "first_axis_p_at_most"))}
    record["one_population"] = provenance(COMMAND) | told
    for of_test in told.values():
        none_too_often(of_test)
