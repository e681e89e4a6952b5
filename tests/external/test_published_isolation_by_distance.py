"""Isolation by distance against the exact coalescent of a ring of demes, simulated by an independent program."""

import msprime
import numpy as np
import pytest

from homewater.running.seeds import draws
from homewater.units.isolation_by_distance import row_of
from homewater.units.replicates import pair_replicates

DEMES, SIZE, MOVED, SAMPLED, GENEALOGIES = 10, 50, 0.2, 10, 900
SLOPE = 1 / (4 * SIZE * MOVED)  # 0.025


@pytest.fixture(scope="module")
def ring():
    """Pairwise F / (1 - F) of a circular stepping stone, and the steps between demes."""
    demography = msprime.Demography.isolated_model([SIZE] * DEMES)
    for i in range(DEMES):
        for j in ((i + 1) % DEMES, (i - 1) % DEMES):
            demography.migration_matrix[i, j] = MOVED / 2
    genealogies = msprime.sim_ancestry(
        {f"pop_{i}": SAMPLED for i in range(DEMES)}, demography=demography, num_replicates=GENEALOGIES,
        random_seed=3, sequence_length=1, discrete_genome=False,
    )  # fmt: skip
    rows, number = [], []
    for k, trees in enumerate(genealogies):
        mutated = msprime.sim_mutations(trees, rate=2e-4, random_seed=100 + k, discrete_genome=False)
        rows.append(mutated.genotype_matrix().reshape(-1, DEMES, SAMPLED, 2).sum(axis=3))
        number += [k] * mutated.num_sites
    dosages = np.concatenate(rows)
    counts = np.stack([(dosages == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    apart = np.abs(np.subtract.outer(np.arange(DEMES), np.arange(DEMES)))
    return pair_replicates(counts, np.array(number) % 30), np.minimum(apart, DEMES - apart)


@pytest.mark.parametrize("steps", [1, 2, 3, 4, 5])
def test_differentiation_of_demes_k_steps_apart(ring, steps):
    """Slatkin (1991) Genet Res 58:167-175, ring of d demes: F / (1 - F) = k (d - k) / (4 N m d).

    From memory, agreeing with exact coalescent times. 4 jackknife standard errors over 30 groups of genealogies.
    """
    replicates, apart = ring
    values = replicates.linear[:, apart == steps].mean(axis=1)
    error = replicates.error(values)
    theory = steps * (DEMES - steps) * SLOPE / DEMES
    assert error < 0.12 * theory
    assert values[0] == pytest.approx(theory, abs=4 * error)


def test_slope_along_the_ring(ring):
    """Against k (d - k) / d, which is k itself where the ring is long, the slope is 1 / (4 N m).

    Rousset (1997) Genetics 145:1219-1228, one dimension, with density N and variance m. Half the width of the interval.
    """
    replicates, apart = ring
    row = row_of(replicates, apart * (DEMES - apart) / DEMES, "all", np.arange(DEMES), draws(0, "detectable"))
    error = (row["ci_high"] - row["ci_low"]) / 2
    assert error < 0.2 * SLOPE
    assert row["ci_low"] < SLOPE < row["ci_high"]
    assert row["slope"] == pytest.approx(SLOPE, abs=error)
    assert row["slope_site_effects"] == pytest.approx(SLOPE, abs=error)
    assert row["p_value"] < 1e-6
