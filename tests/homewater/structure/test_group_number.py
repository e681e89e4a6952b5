"""How many groups genotypes support: none without structure, the planted ones with it, the losses by hand."""

import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.running.seeds import draws
from homewater.structure.group_number import choose_number, held_out_losses


def drawn(seed):
    return draws(seed, "ancestry", "sp")


def numbers(dosages, max_groups=4, seed=1, n_blocks=10):
    block = np.arange(len(dosages)) * n_blocks // max(len(dosages), 1)
    return choose_number(*held_out_losses(np.ascontiguousarray(dosages.T), block, max_groups, drawn(seed)))


def chosen(table):
    return int(table.loc[table["chosen"], "k"].iloc[0])


@pytest.mark.parametrize("seed", range(8))
def test_one_population_gets_one_group(seed):
    """No structure: held-out genotypes must not support a second group, for every seed."""
    table = numbers(drawn_dosages(seed, [60], 800, fst=0), seed=seed)
    assert chosen(table) == 1
    assert table["held_out_loss"].idxmin() == 0
    assert (table["excess_loss"][1:] > 2 * table["excess_standard_error"][1:]).all()
    assert table["k"].tolist() == [1, 2, 3]  # trying ends two beyond the best


@pytest.mark.parametrize("k", [2, 3])
def test_planted_groups_are_counted(k):
    table = numbers(drawn_dosages(k, [25] * k, 1500, fst=0.05), max_groups=5)
    assert chosen(table) == k
    assert table["chosen"].sum() == 1


def test_the_smallest_number_within_one_standard_error_is_chosen():
    """Ten blocks by hand: 2 groups lose 0.01 more than 3, give or take 0.02; 1 loses 1 more in every block."""
    noise = np.array([1, -1] * 5) * 0.3
    losses = np.array([100 + 10 + noise * 0, 100 + 0.1 + noise, 100 + noise * 0])
    table = choose_number(losses, np.full(10, 10))
    assert table["held_out_loss"].tolist() == pytest.approx([11, 10.01, 10])
    assert table["excess_standard_error"].tolist() == pytest.approx([0, np.std(noise / 10, ddof=1) / np.sqrt(10), 0])
    assert chosen(table) == 2
    assert chosen(choose_number(losses + np.array([[0], [0.3], [0]]), np.full(10, 10))) == 3


def test_held_out_genotypes_are_scored_by_their_binomial_deviance():
    """One group has a closed form: fit the frequencies of what is left, score what is held out."""
    from homewater.structure.admixture_fit import frequency_floor
    from homewater.structure.group_number import FOLDS

    dosages = drawn_dosages(12, [30], 60)
    by_animal, block = np.ascontiguousarray(dosages.T), np.arange(60) // 20
    losses, held_out = held_out_losses(by_animal, block, 1, drawn(7))
    part = drawn(7)("folds").integers(0, 10, by_animal.shape, dtype=np.int8)
    expected, counted = np.zeros(3), np.zeros(3)
    floor = frequency_floor(30)
    for fold in range(FOLDS):
        for j in range(60):
            rest = [g for g, f in zip(by_animal[:, j], part[:, j], strict=True) if g >= 0 and f != fold]
            p = np.clip(sum(rest) / (2 * len(rest)), floor, 1 - floor)
            for g, f in zip(by_animal[:, j], part[:, j], strict=True):
                if g >= 0 and f == fold:
                    saturated = sum(x * np.log(x / 2) for x in (int(g), 2 - int(g)) if x)
                    expected[j // 20] += 2 * (saturated - g * np.log(p) - (2 - g) * np.log(1 - p))
                    counted[j // 20] += 1
    assert losses[0] == pytest.approx(expected, rel=1e-6)
    assert held_out.tolist() == counted.tolist()


@pytest.mark.parametrize(("n", "m"), [(0, 30), (2, 30), (9, 0)])
def test_too_little_data_is_one_group(n, m):
    table = numbers(drawn_dosages(16, [n], max(m, 1))[:m], max_groups=1)
    assert chosen(table) == 1
