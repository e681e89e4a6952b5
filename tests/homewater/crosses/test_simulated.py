"""Simulated animals: shares, spread of frequencies, errors and missing genotypes as stated."""

import numpy as np
import pytest
from tests.drawn_genotypes import even_map

from homewater.crosses.likelihood import KnownUnits
from homewater.crosses.simulated import PanelModel, draw_frequencies, spoil
from homewater.running.seeds import generator
from homewater.statistics.allele_counts import AlleleCounts


def test_frequencies_spread_by_posterior_and_drift():
    rng = generator(1, "test")
    counts = AlleleCounts(np.array([[60.0]]), np.array([[200.0]]))
    p, fst = 60.5 / 201, 0.1
    still = draw_frequencies(counts, np.zeros(1), 40_000, rng)
    posterior = p * (1 - p) / 202  # variance of Beta(60.5, 140.5)
    assert still.mean() == pytest.approx(p, abs=0.001)
    assert still.var() == pytest.approx(posterior, rel=0.05)
    moved = draw_frequencies(counts, np.full(1, fst), 40_000, rng)
    assert moved.mean() == pytest.approx(p, abs=0.003)
    assert moved.var() == pytest.approx(
        posterior + fst * (p * (1 - p) - posterior), rel=0.05
    )  # Balding & Nichols (1995)


def test_calls_go_wrong_and_missing_as_stated():
    rng = generator(2, "test")
    pattern = np.zeros((2, 50), dtype=bool)
    pattern[0, :5] = True
    called = spoil(np.zeros((20_000, 50), dtype=np.int8), pattern, 0.02, rng)
    missing = called == -1
    assert {tuple(row) for row in np.unique(missing, axis=0).tolist()} == {tuple(row) for row in pattern.tolist()}
    typed = called[:, 5:]
    assert (typed != 0).mean() == pytest.approx(0.02, abs=0.0005)
    assert (typed == 1).mean() == pytest.approx((typed == 2).mean(), rel=0.05)
    assert (spoil(np.ones((3, 4), dtype=np.int8), np.empty((0, 4), bool), 0, rng) == 1).all()


@pytest.mark.parametrize(
    ("name", "share"), [("pure_a", 0), ("pure_b", 1), ("F1", 0.5), ("backcross_a", 0.25), ("second_backcross_b", 0.875)]
)
def test_classes_carry_their_share_of_unit_b(name, share):
    many = np.full((60, 2), 1e7)
    known = KnownUnits(AlleleCounts(many * [0, 1], many), 0.0)
    model = PanelModel(known, np.zeros(2), even_map(60), np.empty((0, 60), bool))
    animals = model.draw(name, 0, 1, 3000, generator(3, "test", task=name))
    assert animals.shape == (3000, 60)
    assert animals.mean() / 2 == pytest.approx(share, abs=0.01)
    turned = model.draw(name, 1, 0, 3000, generator(3, "test", task=name))
    assert turned.mean() / 2 == pytest.approx(1 - share, abs=0.01)


def test_neighbours_on_the_map_share_ancestry():
    many = np.full((60, 2), 1e7)
    known = KnownUnits(AlleleCounts(many * [0, 1], many), 0.0)
    model = PanelModel(known, np.zeros(2), even_map(60, centimorgans=10), np.empty((0, 60), bool))
    animals = model.draw("backcross_a", 0, 1, 2000, generator(4, "test"))
    near = np.corrcoef(animals[:, 0], animals[:, 1])[0, 1]
    far = np.corrcoef(animals[:, 0], animals[:, 30])[0, 1]
    # Haldane (1919): correlation of ancestry at d Morgans is exp(-2 d); 6 markers over 10 cM lie 2 cM apart
    assert near == pytest.approx(np.exp(-0.04), abs=0.02)
    assert abs(far) < 0.07
