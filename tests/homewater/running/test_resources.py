"""Asked resources grow with the study and stay within a workstation for the studies it is made for."""

import re
from pathlib import Path

import pytest

from homewater.running import resources
from homewater.running.resources import BASE_MB, markers_estimate, memory_mb, minutes

RULES = ("import_part", "genotypes", "filters", "ancestry", "a_rule_to_come")


@pytest.mark.parametrize("rule", RULES)
def test_more_data_never_asks_for_less(rule):
    sizes = [(10**6, 50), (10**8, 50), (10**8, 1000), (10**10, 1000)]
    for ask in (memory_mb, minutes):
        asked = [ask(rule, *size) for size in sizes]
        assert asked[0] <= asked[1] <= asked[3]
        assert all(isinstance(a, int) and a > 0 for a in asked)


def test_memory_is_what_the_formula_says():
    # 300 MB, 1000 animals: 10^6 markers; block 16 x 4096 x 1000 = 65.536 MB, pairs 40 MB, markers 1500 MB
    assert markers_estimate(300_000_000, 1000) == 10**6
    assert memory_mb("filters", 300_000_000, 1000) == 2400
    assert 0 <= 2400 - (BASE_MB + 270 + 65.536 + 40 + 1500) < 100


def test_every_rule_has_its_costs():
    folder = Path(__file__).resolve().parents[3] / "workflow" / "rules"
    asked = {name for file in folder.glob("*.smk") for name in re.findall(r'memory_mb\("(\w+)"\)', file.read_text())}
    assert asked <= set(resources._COSTS)


def test_no_data_asks_for_the_base_alone():
    assert memory_mb("plan_parts", 0, 0) == BASE_MB
    assert minutes("plan_parts", 0, 0) == 2
