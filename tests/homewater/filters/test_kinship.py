"""Kinship within sites: a plain second version, relatives of known descent, and who is thinned in invented studies."""

from dataclasses import replace

import numpy as np
import pytest
from tests.homewater.filters.drawn_coast import LIMITS, Coast
from tests.homewater.filters.kin_studies import WITH, WITHOUT, thinned

from homewater.filters.identity import CLOSE_KIN
from homewater.filters.kinship import (
    MAX_MARKERS,
    MIN_EXPECTED,
    gross_excess,
    kin_markers,
    kinship_within_sites,
    thin_families,
)


def drawn(seed, n_markers=4000, missing=0.03):
    """One site: 20 unrelated animals, then a father, a mother, two children of both and one of the mother alone."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.1, 0.9, n_markers)

    def unrelated():
        return (rng.random(p.size) < p).astype(int) + (rng.random(p.size) < p)

    def child(a, b):
        return (rng.random(p.size) < a / 2).astype(int) + (rng.random(p.size) < b / 2)

    animals = [unrelated() for _ in range(20)]
    father, mother = unrelated(), unrelated()
    animals += [father, mother, child(father, mother), child(father, mother), child(unrelated(), mother)]
    dosages = np.array(animals, dtype=np.int8).T
    dosages[rng.random(dosages.shape) < missing] = -1
    return dosages


def plain(dosages, reference, pair):
    """Kinship of one pair of one site, marker by marker, for frequencies of the animals of `reference`."""
    n = int(reference.sum())
    top = bottom = 0.0
    copies_of_mean = 1 / 0.001 - 1  # one site: no differentiation, so the least that is allowed
    weights = []
    for row in dosages:
        typed = [g for g, used in zip(row, reference, strict=True) if used and g >= 0]
        mean = (sum(typed) + 0.5) / (2 * len(typed) + 1)
        p = (sum(typed) + copies_of_mean * mean) / (2 * len(typed) + copies_of_mean)
        weights.append(2 * len(typed))
        a, b = row[pair[0]], row[pair[1]]
        if a >= 0 and b >= 0 and MIN_EXPECTED < p < 1 - MIN_EXPECTED:
            top += (a / 2 - p) * (b / 2 - p)
            bottom += p * (1 - p)
    copies = np.mean(weights)
    w = (2 + copies_of_mean * 2 / (copies + 1)) / (copies + copies_of_mean)
    inside = [bool(reference[i]) for i in pair]
    bias = -w / 2 * (1 - w) * sum(inside) + w * w * n / 2
    return (top / bottom - bias) / np.prod([1 - w * i for i in inside])


@pytest.mark.parametrize("seed", [1, 2])
def test_kinship_agrees_with_plain_counting(seed):
    dosages = drawn(seed, n_markers=2000)  # so many that the rounds agree on the families
    reference = np.ones(25, dtype=bool)
    pairs = kinship_within_sites(dosages, np.zeros(25, int), reference, reference)
    # the last round's frequencies: one animal a family, the first of each
    left = np.ones(25, dtype=bool)
    family, _ = thin_families(pairs.first[pairs.close], pairs.second[pairs.close], 25, reference, np.ones(25))
    for number in range(family.max() + 1):
        left[np.flatnonzero(family == number)[1:]] = False
    for i in (0, 7, 150, len(pairs.first) - 1):
        pair = (pairs.first[i], pairs.second[i])
        assert pairs.kinship[i] == pytest.approx(plain(dosages, left, pair), abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_relatives_have_the_kinship_of_their_descent(seed):
    """Parent and offspring and full sibs 1/4, half sibs 1/8, unrelated 0 (common practice)."""
    everybody = np.ones(25, dtype=bool)
    pairs = kinship_within_sites(drawn(seed), np.zeros(25, int), everybody, everybody)
    kinship = dict(zip(zip(pairs.first.tolist(), pairs.second.tolist(), strict=True), pairs.kinship, strict=True))
    expected = {(20, 22): 0.25, (21, 23): 0.25, (22, 23): 0.25, (21, 24): 0.25, (22, 24): 0.125, (20, 21): 0.0}
    for pair, value in expected.items():
        assert kinship[pair] == pytest.approx(value, abs=0.035), pair
    assert {pair for pair, value in kinship.items() if value > CLOSE_KIN} == {
        (20, 22), (20, 23), (21, 22), (21, 23), (21, 24), (22, 23)
    }  # fmt: skip
    assert pairs.expected.sum() < 0.01


def test_animals_of_different_sites_are_not_compared():
    site = np.repeat([0, 1, 2], [10, 10, 5])
    everybody = np.ones(25, dtype=bool)
    pairs = kinship_within_sites(drawn(1), site, everybody, everybody)
    assert pairs.first.size == 45 + 45 + 10
    assert (site[pairs.first] == site[pairs.second]).all()


def test_markers_read_from_two_places_and_rare_ones_are_left_out():
    sound, collapsed, rare = [[5, 10, 5, 0], [20, 20, 5, 0]], [[0, 20, 0, 0], [3, 40, 2, 0]], [[20, 0, 0, 0]] * 2
    counts = np.array([sound, collapsed, rare, sound])
    frequency = np.array([0.4, 0.5, 0.0, np.nan])
    assert gross_excess(counts).tolist() == [False, True, False, False]
    assert kin_markers(frequency, ~gross_excess(counts)).tolist() == [0]
    many = kin_markers(np.full(3 * MAX_MARKERS, 0.3), np.ones(3 * MAX_MARKERS, bool))
    assert np.array_equal(many, np.arange(0, 3 * MAX_MARKERS, 3))


@pytest.mark.parametrize("case", ["nobody", "one", "two", "few markers", "none may define"])
def test_too_little_gives_no_pairs_or_no_verdict(case):
    dosages, may = drawn(1, n_markers=300), np.ones(25, dtype=bool)
    if case == "few markers":
        dosages = dosages[:50]
    if case == "none may define":
        may[:] = False
    n = {"nobody": 0, "one": 1, "two": 2}.get(case, 25)
    pairs = kinship_within_sites(dosages[:, :n], np.zeros(n, int), may[:n], may[:n])
    assert not pairs.close.any()


def test_of_each_family_the_best_called_stays_and_families_are_numbered_from_the_largest():
    first, second = np.array([0, 2, 3, 6]), np.array([1, 3, 4, 7])
    may = np.array([True] * 7 + [False])
    rate = np.array([0.9, 0.9, 0.8, 0.95, 0.7, 0.5, 0.6, 0.9])
    family, out = thin_families(first, second, 8, may, rate)
    assert family.tolist() == [1, 1, 0, 0, 0, -1, 2, 2]
    assert np.flatnonzero(out).tolist() == [1, 2, 4]  # the first of equals stays; 6 is the only one that may define
    family, out = thin_families(first[:0], second[:0], 3, may[:3], rate[:3])
    assert (family == -1).all()
    assert not out.any()


def test_a_query_animal_does_not_join_two_families_for_the_thinning():
    may = np.array([True, False, True])
    family, out = thin_families(np.array([0, 1]), np.array([1, 2]), 3, may, np.ones(3))
    assert family.tolist() == [0, 0, 0]
    assert not out.any()


@pytest.mark.parametrize("study", WITHOUT)
def test_without_families_hardly_anybody_is_thinned(study):
    """At most one animal in two hundred, over fixed seeds."""
    results = [thinned(seed, WITHOUT[study]) for seed in (1, 2)]
    gone, animals = sum(out.sum() for _, out, _ in results), sum(out.size for _, out, _ in results)
    assert gone <= 0.005 * animals
    assert sum(pairs.expected.sum() for *_, pairs in results) <= 0.005 * animals


@pytest.mark.parametrize("study", WITH)
def test_planted_families_are_thinned_to_one(study):
    """At least nine in ten of the animals beyond the first of each family go, and of other animals almost none."""
    surplus = found = wrong = animals = 0
    for seed in (1, 2):
        planted, out, _ = thinned(seed, WITH[study])
        for name in set(planted) - {""}:
            size, gone = int((planted == name).sum()), int(out[planted == name].sum())
            surplus += size - 1
            found += min(gone, size - 1)
            wrong += max(0, gone - size + 1)
        wrong += int(out[planted == ""].sum())
        animals += int((planted == "").sum())
    assert surplus == 30
    assert found >= 0.9 * surplus
    assert wrong <= 0.005 * animals


def test_in_the_filters_kin_stay_but_one_of_them_defines(tmp_path):
    coast = Coast(n_markers=2000)
    mother, father = coast.local(coast.north), coast.local(coast.north)
    for i in range(4):
        coast.add(f"sib {i}", "north", "baseline", coast.spoiled(coast.child(mother, father), missing=0.02 * (4 - i)))
    coast.add("query sib", "north", "query", coast.child(mother, father))
    table = coast.filtered(tmp_path)
    sibs = table.loc[[f"sib {i}" for i in range(4)]]
    assert (sibs["status"] == "kept").all()
    assert (sibs["family"] == "family_1").all()
    assert sibs["defines_with_kin"].all()
    assert sibs.index[sibs["defines"].astype(bool)].tolist() == [sibs["call_rate"].idxmax()]
    assert table.loc["query sib", "family"] == "family_1"
    assert table["defines"].sum() == 61
    (tmp_path / "all").mkdir()
    table = coast.filtered(tmp_path / "all", replace(LIMITS, thin_kin=False))
    assert table["defines"].sum() == table["defines_with_kin"].sum() == 64
    assert (table["family"] != "").sum() == 5
