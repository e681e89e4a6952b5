"""The short form of `scripts/test --verify structure`: the first seeds of every scenario, in the same way."""

import pytest
from tests.verification import structure

pytestmark = pytest.mark.full
SEEDS = 4


@pytest.mark.parametrize("name", structure.SCENARIOS)
def test_units_are_those_planted(name):
    found = [structure.outcome(name, seed) for seed in range(SEEDS)]
    told = structure.summary(name, found)
    assert told["units_right"]["count"] >= SEEDS - 1, told
    right = [one["rand"] for one in found if one["units"] == told["planted_units"]]
    assert min(right) >= 0.95, found
