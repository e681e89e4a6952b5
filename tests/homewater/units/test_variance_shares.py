"""Analysis of molecular variance against a slow version that compares every pair of allele copies."""

from itertools import combinations

import numpy as np
import pytest

from homewater.statistics.allele_counts import AlleleCounts, n_animals
from homewater.tables.schema_tables import check_table
from homewater.units.tested_sites import PlacedSites
from homewater.units.variance_shares import placements, share_components, variance_table
from homewater.water.site_tree import segments

CHAIN = np.array([[0, 1], [1, 2], [2, 3], [3, 4]])


def slow_components(copies, alternate, group):
    """One marker, from squared distances between all pairs of allele copies (0 or 1).

    The sums of squares are as the paper defines them: the sum over unordered pairs divided by the number of copies.
    """
    site = np.repeat(np.arange(len(copies)), copies)
    value = np.concatenate([[1] * a + [0] * (c - a) for c, a in zip(copies, alternate, strict=True)])
    place = np.asarray(group)[site]

    def squares(members):
        return sum((value[i] - value[j]) ** 2 for i, j in combinations(members, 2)) / len(members)

    everyone = np.arange(len(site))
    total = squares(everyone)
    by_group = [np.flatnonzero(place == g) for g in sorted(set(group))]
    by_site = [np.flatnonzero(site == s) for s in range(len(copies)) if copies[s]]
    in_groups, in_sites = sum(map(squares, by_group)), sum(map(squares, by_site))
    n, n_groups, n_sites = len(site), len(by_group), len(by_site)
    size = [len(m) for m in by_site]
    group_size = [len(by_group[sorted(set(group)).index(place[m[0]])]) for m in by_site]
    inner = sum(s * s / g for s, g in zip(size, group_size, strict=True))
    within = in_sites / (n - n_sites)
    sites = 0.0
    if n_sites > n_groups:
        sites = ((in_groups - in_sites) / (n_sites - n_groups) - within) / ((n - inner) / (n_sites - n_groups))
    nested = (inner - sum(s * s for s in size) / n) / (n_groups - 1)
    outer = (n - sum(len(m) ** 2 for m in by_group) / n) / (n_groups - 1)
    between = ((total - in_groups) / (n_groups - 1) - within - nested * sites) / outer
    return between, within + sites + between


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("group", [[0, 0, 1, 1, 1], [0, 1, 2, 0, 1], [0, 1, 2, 3, 4]])
def test_components_equal_those_of_all_pairs_of_copies(seed, group):
    rng = np.random.default_rng(seed)
    copies = rng.integers(2, 9, (6, 5))
    if max(group) == 1:
        copies[0, 0] = 0  # nobody typed at one site of a group
    alternate = rng.binomial(copies, rng.uniform(0.1, 0.9, (6, 5)))
    between, everything = share_components(AlleleCounts(alternate, copies), np.array(group), np.arange(6), 6)
    for marker in range(6):
        slow = slow_components(copies[marker], alternate[marker], group)
        assert (between[marker], everything[marker]) == pytest.approx(slow)


def test_a_marker_that_a_group_lacks_adds_nothing():
    copies, alternate = np.array([[4, 4, 0, 0]]), np.array([[2, 1, 0, 0]])
    between, everything = share_components(AlleleCounts(alternate, copies), np.array([0, 0, 1, 1]), np.array([0]), 1)
    assert (between[0], everything[0]) == (0, 0)


def test_fixed_difference_is_all_of_the_variance_and_no_difference_none():
    halves = np.array([0, 0, 1, 1])
    fixed = share_components(AlleleCounts(np.array([[20, 20, 0, 0]]), np.full((1, 4), 20)), halves, np.zeros(1, int), 1)
    assert fixed[0][0] / fixed[1][0] == pytest.approx(1)
    rng = np.random.default_rng(1)
    copies = np.full((4000, 4), 40)
    alternate = rng.binomial(40, rng.uniform(0.1, 0.9, (4000, 1)), (4000, 4))
    none = share_components(AlleleCounts(alternate, copies), halves, np.zeros(4000, int), 1)
    assert none[0][0] / none[1][0] == pytest.approx(0, abs=0.002)


def counts_of(frequencies, n, seed):
    rng = np.random.default_rng(seed)
    genotypes = rng.binomial(2, frequencies[:, :, None], (*frequencies.shape, n))
    return np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)


def table_of(counts, block, edges, jurisdiction, unit):
    n = len(unit)
    km = 40.0 * np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    ids, nowhere = [f"s{i}" for i in range(n)], np.zeros(n, dtype=bool)
    sites = PlacedSites(ids, counts, n_animals(counts), block, km, unit, jurisdiction, nowhere)
    assert sites.edges.tolist() == edges.tolist()
    return check_table(variance_table(sites), "variance_shares")


BEYOND = ["rank_among_placements", "n_placements", "beyond_units_fst", "beyond_ci_low", "beyond_ci_high"]


def test_a_border_along_the_break_adds_nothing_of_its_own_and_another_is_ranked():
    rng = np.random.default_rng(4)
    base = rng.uniform(0.2, 0.8, (2000, 1))
    shift = rng.normal(0, 0.1, (2000, 1)) * np.array([0, 0, 0, 1, 1])
    counts = counts_of(np.clip(base + shift, 0.01, 0.99), 20, 5)
    block = np.arange(2000) // 200
    unit = ["unit_1"] * 3 + ["unit_2"] * 2
    at_break = table_of(counts, block, CHAIN, ["a"] * 3 + ["b"] * 2, unit)
    assert at_break["share"].nunique() == 1
    assert at_break["ci_low"][0] > 0
    assert at_break[BEYOND].isna().all(axis=None)
    elsewhere = table_of(counts, block, CHAIN, ["a"] + ["b"] * 4, unit)
    assert elsewhere["n_placements"][0] == 3  # not the break: no two sites of one unit lie across it
    assert 1 <= elsewhere["rank_among_placements"][0] <= 3
    assert elsewhere["beyond_ci_low"][0] < elsewhere["beyond_units_fst"][0] < elsewhere["beyond_ci_high"][0]
    assert elsewhere.loc[1, BEYOND].isna().all()  # units were chosen to rank high
    scattered = table_of(counts, block, CHAIN, ["a", "b", "a", "b", "a"], unit)
    assert scattered["n_placements"][0] == 4  # not contiguous: compared with the three placements


def test_one_group_gives_an_empty_share():
    counts = counts_of(np.full((50, 3), 0.4), 10, 1)
    table = table_of(counts, np.arange(50) // 5, CHAIN[:2], ["a"] * 3, ["unit_1"] * 3)
    assert table["share"].isna().all()
    assert table[BEYOND].isna().all(axis=None)
    assert table["n_groups"].tolist() == [1, 1]


def test_no_sites_and_no_markers_give_empty_shares():
    for counts, labels in ((np.zeros((5, 0, 4), int), []), (np.zeros((0, 2, 4), int), ["a", "b"])):
        block = np.zeros(len(counts), dtype=np.int64)
        edges = CHAIN[: max(0, len(labels) - 1)]
        assert table_of(counts, block, edges, labels, labels)["share"].isna().all()


def test_placements_are_all_cuts_of_the_tree(monkeypatch):
    found = placements(CHAIN, 5, 3)
    assert len(found) == 6
    assert len({tuple(p) for p in found}) == 6
    assert all(p.max() == 2 for p in found)
    assert segments(CHAIN, np.array([1, 0, 1, 0], bool), 5).tolist() in [p.tolist() for p in found]
    monkeypatch.setattr("homewater.units.variance_shares.MAX_PLACEMENTS", 3)
    assert len(placements(CHAIN, 5, 3)) == 3
