"""Hybrid index and interclass heterozygosity of each animal, and verdict classes."""

import numpy as np
import pytest
from tests.drawn_genotypes import even_map

from homewater.assignment.origin_classes import hybrid_coordinates, verdict_classes, verdicts_by_pair
from homewater.crosses.likelihood import CLASSES, KnownUnits
from homewater.crosses.odds import counts_by_unit
from homewater.crosses.simulated import PanelModel
from homewater.running.seeds import generator
from homewater.statistics.allele_counts import AlleleCounts


@pytest.mark.parametrize(
    ("name", "index", "heterozygosity"),
    [("F1", 0.5, 1.0), ("F2", 0.5, 0.5), ("backcross_a", 0.25, 0.5), ("backcross_b", 0.75, 0.5), ("pure_b", 1.0, 0.0)],
)
def test_triangle_of_fixed_differences(name, index, heterozygosity):
    # Anderson & Thompson (2002), ancestry pairs; the index there is the share of A
    many = np.full((100, 2), 1e6)
    known = KnownUnits(AlleleCounts(many * [0, 1], many), 0.0)
    model = PanelModel(known, np.zeros(2), even_map(100), np.empty((0, 100), bool))
    animals = model.draw(name, 0, 1, 400, generator(1, "test", task=name))
    nobody, a, b = np.full(400, -1), np.zeros(400, int), np.ones(400, int)
    found = hybrid_coordinates(animals, nobody, a, b, KnownUnits(counts_by_unit(animals, nobody, 2), 0.0))
    assert found.shape == (400, 4)
    found = hybrid_coordinates(animals, nobody, a, b, known)
    assert found[:, 0].mean() == pytest.approx(index, abs=0.02)
    assert found[:, 3].mean() == pytest.approx(heterozygosity, abs=0.03)
    # with fixed differences both are plain counts
    assert found[:, 0] == pytest.approx(animals.mean(axis=1) / 2, abs=1e-4)
    assert found[:, 3] == pytest.approx((animals == 1).mean(axis=1), abs=1e-4)


def test_an_animal_is_taken_out_before_it_is_compared():
    rng = np.random.default_rng(6)
    dosages = rng.integers(-1, 3, (20, 12)).astype(np.int8)
    unit = np.repeat([0, 1], 10)
    found = hybrid_coordinates(dosages, unit, unit, 1 - unit, KnownUnits(counts_by_unit(dosages, unit, 2), 0.01))
    for i in (0, 4, 15):
        rest = np.delete(np.arange(20), i)
        known = KnownUnits(counts_by_unit(dosages[rest], unit[rest], 2), 0.01)
        alone = hybrid_coordinates(dosages[[i]], np.array([-1]), unit[[i]], 1 - unit[[i]], known)
        assert found[i] == pytest.approx(alone[0], abs=1e-6)


def test_verdict_joins_what_cannot_be_told_apart():
    groups = [["pure_a", "second_backcross_a"], ["backcross_a"], ["pure_b"], ["F1"], ["F2"], ["backcross_b"],
              ["second_backcross_b"]]  # fmt: skip
    share = np.zeros((4, 8))
    share[0, [0, 6]] = 0.7, 0.3
    share[1, [0, 4, 6]] = 0.5, 0.35, 0.15
    share[2, 2] = 1
    share[3] = np.nan
    assert verdict_classes(share, groups, 0.9).tolist() == [
        "pure_a+second_backcross_a",
        "pure_a+backcross_a+second_backcross_a",
        "F1",
        "",
    ]
    by_pair = verdicts_by_pair(share, np.array([0, 1, 0, 0]), np.array([1, 0, 1, 1]), {(0, 1): groups}, 0.9)
    assert by_pair.tolist() == ["pure_a+second_backcross_a", "", "F1", ""]
    assert set("+".join(by_pair).split("+")) - {""} <= set(CLASSES)
