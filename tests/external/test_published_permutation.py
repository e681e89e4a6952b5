"""The permutation test between two sites against exact probabilities."""

import numpy as np
import pytest

from homewater.running.seeds import draws
from homewater.structure.pairwise_fst import permutation_p_values


@pytest.mark.parametrize(("right", "ways"), [(4, 2), (3, 34), (2, 70)])
def test_eight_animals_at_two_sites(right, ways):
    """Fisher (1935) The Design of Experiments, four cups of eight: 1, 16, 36, 16, 1 of 70 ways.

    From memory, agreeing with plain counting. A homozygote is a cup; F_ST looks at both sides, so p is 2, 34 or 70 of
    70. 20,000 permutations, 4 standard errors.
    """
    dosages = np.repeat([[2, 0, 2, 0]], [right, 4 - right, 4 - right, right], axis=1).astype(np.int8)
    drawn = draws(1, "pairwise_fst", "topshell")
    p = permutation_p_values(dosages, np.repeat([0, 1], 4), ["Aldermark", "Vessland"], 20_000, drawn)[0]
    exact = ways / 70
    assert p == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 20_000) + 1e-4)
