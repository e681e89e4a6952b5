"""The short form of `scripts/test --verify structure`: the first seeds of every scenario, in the same way."""

import pytest
from tests.verification import structure

pytestmark = pytest.mark.full
SEEDS = 4


@pytest.mark.parametrize("name", structure.SCENARIOS)
def test_units_are_those_planted(name):
    found = [structure.outcome(name, seed) for seed in range(SEEDS)]
    figures = structure.scenario_summary(name, found)
    assert figures["units_right"]["count"] >= SEEDS - 1, figures
    right = [one["rand"] for one in found if one["units"] == figures["planted_units"]]
    assert min(right) >= 0.95, found
