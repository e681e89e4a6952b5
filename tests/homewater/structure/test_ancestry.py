"""Ancestry as a whole: starts that agree, placing, the order of groups, the table."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.running.seeds import draws
from homewater.structure import ancestry
from homewater.structure.admixture_fit import Fit


def drawn(seed):
    return draws(seed, "ancestry", "sp")


def test_starts_agree_on_clear_structure_and_find_the_groups():
    dosages, site = drawn_dosages(13, [20, 20, 20], 4000, fst=0.1), np.repeat(np.arange(3), 20)
    best = ancestry.best_fit(np.ascontiguousarray(dosages.T), 3, 3, drawn(1))
    assert best.n_agree == 3
    assert best.fit.converged
    means = np.array([best.fit.shares[site == s].mean(axis=0) for s in range(3)])
    assert (np.sort(means, axis=1)[:, 2] > 0.95).all()
    assert sorted(means.argmax(axis=1)) == [0, 1, 2]


def scripted(monkeypatch, reached):
    """Let the starts of a fit with k groups end at the log-likelihoods given for k, in turn, all settled."""
    left = {k: iter(values) for k, values in reached.items()}

    def fit(by_animal, shares, max_rounds, tolerance, frequencies=None):
        k = shares.shape[1]
        found = np.full((k, by_animal.shape[1]), 0.5) if frequencies is None else frequencies
        value = float(next(left[k])) if frequencies is None else found[0, 0]
        return Fit(shares, np.full_like(found, value), value, 1, True)

    monkeypatch.setattr(ancestry, "fit", fit)


GENOTYPES = np.ones((12, 30), dtype=np.int8)


@pytest.mark.parametrize(
    ("reached", "n_starts", "made", "agree"),
    [
        ([-50, -51], 2, 2, 2),  # both agree at once
        ([-50, -90, -49], 2, 3, 2),  # the third finds the first again
        ([-50, -90, -40, -80, -70, -60], 2, 6, 1),  # three times as many, and none is found again
        ([-50, -52.5, -90], 3, 9, 1),
        ([-50, -90], 1, 3, 1),
    ],
)
def test_starts_are_added_until_two_agree_and_no_further(monkeypatch, reached, n_starts, made, agree):
    scripted(monkeypatch, {2: [*reached, *range(-1000, -2000, -100)]})
    best = ancestry.best_fit(GENOTYPES, 2, n_starts, drawn(1))
    assert (len(best.log_likelihoods), best.n_agree, best.agrees) == (made, agree, agree > 1)
    assert best.fit.log_likelihood == max(reached)


def test_a_number_on_which_starts_differ_is_stepped_down_from(monkeypatch):
    """Of four and three groups no start is found again, of two one is; where none agrees, one group is left."""
    apart = list(range(-10, -2000, -100))
    scripted(monkeypatch, {4: apart, 3: apart, 2: [-30, -31], 1: [-99]})
    tries = ancestry.agreed_fits(GENOTYPES, 4, 2, drawn(1))
    assert [(one.k, len(one.log_likelihoods), one.agrees) for one in tries] == [
        (4, 6, False),
        (3, 6, False),
        (2, 2, True),
    ]
    scripted(monkeypatch, {3: apart, 2: apart, 1: [-99]})
    assert [one.k for one in ancestry.agreed_fits(GENOTYPES, 3, 1, drawn(1))] == [3, 2, 1]


def test_clear_groups_are_found_again_at_once():
    by_animal = np.ascontiguousarray(drawn_dosages(3, [30, 30], 1500, fst=0.05).T)
    (only,) = ancestry.agreed_fits(by_animal, 2, 2, drawn(1))
    assert (only.k, len(only.log_likelihoods), only.n_agree) == (2, 2, 2)


def test_starts_that_are_merely_slow_are_followed_until_they_agree(monkeypatch):
    """A gradient of ancestry settles slowly: stopped early, starts differ; taken up again, they agree."""
    rng = np.random.default_rng(5)
    p, q = rng.uniform(0.1, 0.9, (2, 800)), np.linspace(0.2, 0.8, 60)
    by_animal = rng.binomial(2, q[:, None] * p[0] + (1 - q[:, None]) * p[1]).astype(np.int8)
    monkeypatch.setattr(ancestry, "SETTLED", 5.0)
    followed = ancestry.best_fit(by_animal, 2, 3, drawn(1))
    assert followed.n_agree == 3
    monkeypatch.setattr(ancestry, "NEAR", -1.0)
    stopped = ancestry.best_fit(by_animal, 2, 3, drawn(1))
    assert np.ptp(stopped.log_likelihoods) > ancestry.AGREEMENT
    assert followed.log_likelihoods.min() > stopped.log_likelihoods.max()


def test_placed_animals_lie_with_their_like_and_an_f1_between():
    rng = np.random.default_rng(14)
    dosages = drawn_dosages(14, [40, 40], 6000, fst=0.1, missing=0.0)
    best = ancestry.best_fit(np.ascontiguousarray(dosages[:, 5:75].T), 2, 2, drawn(1))
    gametes = [rng.binomial(1, dosages[:, i] / 2) for i in (0, 79)]
    queries = np.ascontiguousarray(np.stack([dosages[:, 0], dosages[:, 79], sum(gametes)]).astype(np.int8))
    order = ancestry.group_order(best.fit.shares, ["a"] * 35 + ["b"] * 35)
    frequencies = np.ascontiguousarray(best.fit.frequencies[order])
    shares = ancestry.place(queries, frequencies)
    low, high = ancestry.intervals(queries, shares, frequencies)
    assert shares[:, 0] == pytest.approx([1, 0, 0.5], abs=0.12)
    assert (low[2, 0], high[2, 0]) == pytest.approx((0.5, 0.5), abs=0.25)
    assert low[2, 0] < 0.5 < high[2, 0]


def test_an_animal_without_genotypes_keeps_equal_shares_and_says_nothing():
    frequencies = np.array([[0.2, 0.4], [0.7, 0.6]])
    genotypes = np.full((1, 2), -1, dtype=np.int8)
    shares = ancestry.place(genotypes, frequencies)
    low, high = ancestry.intervals(genotypes, shares, frequencies)
    assert shares.tolist() == [[0.5, 0.5]]
    assert (low.tolist(), high.tolist()) == ([[0, 0]], [[1, 1]])


def test_groups_are_numbered_as_the_site_list_meets_them():
    """Site a is mostly of group 2, b of 0; 1 and 3 are largest nowhere and reach their maxima at b and a."""
    shares = np.array([[0.1, 0.0, 0.7, 0.2], [0.0, 0.0, 0.8, 0.2], [0.6, 0.3, 0.1, 0.0]])
    assert ancestry.group_order(shares, ["a", "a", "b"]).tolist() == [2, 0, 3, 1]
    assert ancestry.group_order(np.zeros((0, 2)), []).tolist() == [0, 1]


def test_table_lists_shares_then_bounds():
    animals = pd.DataFrame({"materialSampleID": ["x"], "locationID": ["a"], "role": ["query"], "defines": [False]})
    table = ancestry.ancestry_table(animals, *(np.array([[v, 1 - v]]) for v in (0.3, 0.2, 0.4)))
    assert table.columns[4:].tolist() == [
        "group_1", "group_2", "ci_low_group_1", "ci_high_group_1", "ci_low_group_2", "ci_high_group_2",
    ]  # fmt: skip
    assert table["placed"].tolist() == [True]


@pytest.mark.parametrize(("n", "m"), [(0, 30), (2, 30), (9, 0)])
def test_one_group_has_one_fit_whatever_the_data(n, m):
    found = ancestry.best_fit(np.ones((n, m), dtype=np.int8), 1, 3, drawn(1))
    assert found.fit.shares.tolist() == [[1.0]] * n
