"""Breaks and units: simulated histories with known truth, and each rule on figures made by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homewater.invented.stocks import StockModel, simulate_chromosome
from homewater.tables.schema_tables import check_table
from homewater.units import break_rules
from homewater.units.break_rules import BreakRules, Cut, grade_of, is_contact_place, reading_of
from homewater.units.breaks import breaks_table, find_breaks
from homewater.units.contact import ContactEvidence, contact_evidence
from homewater.units.partition import sites_in_units, units_table
from homewater.units.replicates import Replicates, pair_replicates, step_rate, weighted_median
from homewater.units.summary import borders, statement_of
from homewater.water.site_tree import bridged, distance_matrix, edge_hops, segments, side_by_side, sides, spanning_tree

RULES = BreakRules(min_break_fst=0.01, break_level=0.05, median_step_multiple=3.0)
CHROMOSOMES, SNPS = 16, 250


def on_a_line(places):
    x = np.asarray(places, dtype=float)
    return np.abs(x[:, None] - x[None, :])


def simulated(model, sizes, seed):
    """Counts by site and blocks; chromosomes of 1 cM, so each is nearly one genealogy and the noise is honest."""
    counts, block = [], []
    for c in range(CHROMOSOMES):
        seeds = (1000 * seed + c + 1, 1000 * seed + c + 400, 1000 * seed + c + 800)
        _, copies = simulate_chromosome(model, [2 * n for n in sizes], SNPS, 1_000_000, 1.0, seeds)
        animals = copies[:, 0::2] + copies[:, 1::2]
        site = np.repeat(np.arange(len(sizes)), sizes)
        by_site = [animals[:, site == s] for s in range(len(sizes))]
        tally = [np.stack([(g == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for g in by_site]
        counts.append(np.stack(tally, axis=1))
        block += [c] * len(copies)
    return np.concatenate(counts).astype(np.int32), np.array(block)


def units_of(counts, block, km):
    replicates = pair_replicates(counts, block)
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(len(edges)), [c.edge for c in cuts if c.reading == "boundary"])
    return sites_in_units(replicates, km, edges, cut, RULES)


def lineages(labels, **more):
    history = {"deme_size": 1000, "neighbour_migration": 0.05, "split_generations": 600, "ancestral_size": 4000}
    return StockModel(tuple(labels), **(history | more))


SEEDS = range(10)


@pytest.mark.parametrize("seed", SEEDS)
def test_four_lineages_are_four_units(seed):
    labels = np.repeat(np.arange(4), 2)
    counts, block = simulated(lineages(labels), [15] * 8, seed)
    unit, contact = units_of(counts, block, on_a_line(50 * np.arange(8)))
    assert unit.tolist() == labels.tolist()
    assert not contact.any()


@pytest.mark.parametrize("seed", SEEDS)
def test_one_population_is_one_unit(seed):
    model = StockModel((0,) * 8, 4000, 0.0, 0, 4000, panmictic=True)
    counts, block = simulated(model, [15] * 8, seed)
    assert set(units_of(counts, block, on_a_line(50 * np.arange(8)))[0]) == {0}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_uniform_gradient_is_one_unit_though_its_ends_differ(seed):
    """Steps of F_ST about 0.01, unequal spacing: the sampled demes lie 1 to 4 demes apart along a chain of 16."""
    sampled = [0, 1, 2, 4, 8, 10, 11, 15]
    sizes = [15 if d in sampled else 0 for d in range(16)]
    model = lineages([0] * 16, neighbour_migration=0.015, deme_size=500, split_generations=15000)
    counts, block = simulated(model, sizes, seed)
    counts = counts[:, sampled]
    km = on_a_line(25 * np.array(sampled))
    fst = pair_replicates(counts, block).linear[0]
    assert fst[0, -1] > 0.05  # the ends differ
    assert set(units_of(counts, block, km)[0]) == {0}


@pytest.mark.parametrize("seed", range(5))
def test_lineages_that_alternate_along_the_coast_are_two_units(seed):
    """Two lineages, three sites a stretch, laid as A B A B: the stretches of one lineage are one unit."""
    order = np.array([0, 1, 2, 6, 7, 8, 3, 4, 5, 9, 10, 11])
    counts, block = simulated(lineages([0] * 6 + [1] * 6, neighbour_migration=0.1), [15] * 12, seed)
    unit, _ = units_of(counts[:, order], block, on_a_line(50 * np.arange(12)))
    assert unit.tolist() == [0, 0, 0, 1, 1, 1] * 2


@pytest.mark.parametrize("seed", range(3))
def test_a_mixed_site_between_two_lineages_is_a_contact_zone_and_no_unit(seed):
    model = lineages(
        [0] * 7 + [1] * 5, deme_size=3000, split_generations=2500, border_migration=0.001, contact={6: (5, 7, 0.5)},
        ancestral_size=8000, contact_generations=30,
    )  # fmt: skip
    counts, block = simulated(model, [15] * 12, seed)
    unit, contact = units_of(counts, block, on_a_line(50 * np.arange(12)))
    assert np.flatnonzero(contact).tolist() == [6]
    assert unit[:6].tolist() == [0] * 6
    assert unit[7:].tolist() == [1] * 5


def test_the_order_of_the_site_list_changes_only_names():
    counts, block = simulated(lineages([0, 0, 0, 1, 1, 1]), [15] * 6, 3)
    km = on_a_line([0, 40, 90, 130, 200, 210])
    shuffled = np.array([4, 0, 5, 2, 1, 3])
    unit, _ = units_of(counts, block, km)
    moved, _ = units_of(counts[:, shuffled], block, km[np.ix_(shuffled, shuffled)])
    assert unit.tolist() == [0, 0, 0, 1, 1, 1]
    assert moved.tolist() == [0, 1, 0, 1, 1, 0]


def test_a_break_is_placed_where_the_facing_sites_differ():
    """Stretches of two sites: the near sites of every edge lie mostly beyond some break, but facing sites do not."""
    label = np.repeat(np.arange(4), 2)
    km = on_a_line(50 * np.arange(8))
    linear = 0.14 * (label[:, None] != label[None, :]) + 0.00005 * km
    linear[[4, 5], :4] += 0.01  # enough to make the pooled excess of the edge inside the third stretch the largest
    linear[:4, [4, 5]] += 0.01
    replicates = made(linear)
    edges, cuts = find_breaks(replicates, km, RULES)
    found = sorted(edges[c.edge].tolist() for c in cuts if c.reading == "boundary")
    assert found == [[1, 2], [3, 4], [5, 6]]


# --- figures made by hand: every block says the same but for a small known noise ---


def made(linear, noise=0.0005, n_blocks=12, seed=1):
    n = len(linear)
    shake = np.random.default_rng(seed).normal(0, noise, (n_blocks + 1, n, n))
    shake = np.triu(shake, 1)
    shake = shake + shake.transpose(0, 2, 1)
    shake[0] = 0
    values = np.asarray(linear, dtype=float)[None] + shake
    return Replicates(values, values / 2, np.full(n_blocks, 100))


def test_a_step_as_long_as_its_distance_explains_is_no_break():
    """An unsampled stretch: one step is 400 km, the others 50 km, F / (1 - F) is 0.0002 a km throughout."""
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    edges, cuts = find_breaks(made(0.0002 * km), km, RULES)
    assert [c.grade for c in cuts] == ["none"] * 7
    long = next(c for c in cuts if edges[c.edge].tolist() == [3, 4])
    assert long.excess == pytest.approx(0, abs=0.002)
    assert long.expected_step == pytest.approx(0.08 / 1.08, rel=0.01)


def test_a_break_in_the_thinly_sampled_stretch_is_found_with_its_size():
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    side = np.arange(8) >= 4
    linear = 0.00005 * km + 0.08 * (side[:, None] != side[None, :])
    edges, cuts = find_breaks(made(linear), km, RULES)
    boundary = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in boundary] == [[3, 4]]
    assert boundary[0].excess == pytest.approx(0.08 / 1.08, abs=0.002)
    assert boundary[0].grade == "strong"


def test_a_break_in_a_wide_gap_of_a_gradient_is_judged_by_the_median_step_not_by_the_gap():
    """The gap alone explains 0.04 of F / (1 - F), eight median steps; the break of 0.03 is six."""
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    side = np.arange(8) >= 4
    linear = 0.0001 * km + 0.03 * (side[:, None] != side[None, :])
    edges, cuts = find_breaks(made(linear), km, RULES)
    boundary = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in boundary] == [[3, 4]]
    assert boundary[0].median_step == pytest.approx(0.005 / 1.005, rel=0.05)
    assert boundary[0].expected_step == pytest.approx(0.04 / 1.04, rel=0.05)


def test_a_detectable_break_below_the_least_fst_makes_no_unit():
    km = on_a_line(50 * np.arange(8))
    side = np.arange(8) >= 4
    edges, cuts = find_breaks(made(0.006 * (side[:, None] != side[None, :]) + 0.00001 * km, noise=0.0002), km, RULES)
    middle = next(c for c in cuts if edges[c.edge].tolist() == [3, 4])
    assert (middle.reading, middle.grade) == ("below_least_fst", "weak")
    assert not [c for c in cuts if c.reading == "boundary"]


def test_one_steep_stretch_of_coast_is_no_series_of_breaks():
    """Steps of 0.012 on one half of the coast, 0.002 on the other: each is judged by its neighbours."""
    place = np.array([0, 0.002, 0.004, 0.006, 0.008, 0.02, 0.032, 0.044, 0.056, 0.068])
    km = on_a_line(50 * np.arange(10))
    _, cuts = find_breaks(made(on_a_line(place)), km, RULES)
    assert not [c for c in cuts if c.reading == "boundary"]


def test_a_weak_break_beside_a_noisy_step_is_found():
    """A break of 0.016 in steps of 0.0025; of the steps beside it every one is known to 0.004 alone.

    The steps nearby leave it likely, not proved for eleven places; the median step, which is well known, proves it.
    """
    km = on_a_line(50 * np.arange(12))
    side = np.arange(12) >= 6
    replicates = made(0.00005 * km + 0.016 * (side[:, None] != side[None, :]))
    draw = np.random.default_rng(0)
    for i in (3, 4, 6, 7):
        shake = draw.normal(0, 0.004 / np.sqrt(12), 13)
        shake[0] = 0
        replicates.linear[:, i, i + 1] += shake
        replicates.linear[:, i + 1, i] += shake
    edges, cuts = find_breaks(replicates, km, RULES)
    found = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in found] == [[5, 6]]
    assert RULES.break_level / 11 < found[0].p_nearby < RULES.break_level


def test_a_drifted_place_between_two_lineages_hides_neither_of_its_sides():
    """Two large steps in a row, each with one small step beside it on that side (0.005 and 0.1 of a short coast)."""
    place = np.array([0, 0.005, 0.08, 0.18, 0.19, 0.2])
    km = on_a_line([0, 34.06, 68.26, 103.18, 137.21, 171.38])
    edges, cuts = find_breaks(made(on_a_line(place)), km, RULES)
    broken = {tuple(edges[c.edge].tolist()) for c in cuts if c.reading == "boundary"}
    assert broken == {(1, 2), (2, 3)}


def test_islands_are_compared_along_the_tree_by_water():
    """Three arms of a sound meet; one arm is another lineage."""
    arms = [(0, 1), (0, 2), (0, 3), (1.2, 0), (2.2, 0), (3.2, 0), (-1.1, 0), (-2.1, 0), (-3.1, 0)]
    at = np.array(arms)
    km = 40 * np.array([[abs(a - b).sum() for b in at] for a in at])  # round the middle of the star
    side = np.array([0, 0, 0, 1, 1, 1, 0, 0, 0], dtype=bool)
    linear = 0.00002 * km + 0.05 * (side[:, None] != side[None, :])
    replicates = made(linear)
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(8), [c.edge for c in cuts if c.reading == "boundary"])
    unit, _ = sites_in_units(replicates, km, edges, cut, RULES)
    assert unit.tolist() == side.astype(int).tolist()


def test_two_sites_cannot_tell_distance_from_a_break():
    km = on_a_line([0, 100])
    edges, cuts = find_breaks(made([[0, 0.1], [0.1, 0]]), km, RULES)
    assert len(edges) == 1
    assert (cuts[0].reading, cuts[0].grade) == ("distance_unknown", "weak")
    assert statement_of(1, 2, [cuts[0].reading], [cuts[0].grade], np.nan) == "difference_not_told_from_distance"


def test_three_sites_use_the_other_step():
    km = on_a_line([0, 50, 100])
    _, cuts = find_breaks(made([[0, 0.06, 0.061], [0.06, 0, 0.001], [0.061, 0.001, 0]]), km, RULES)
    assert [c.reading for c in cuts] == ["boundary", "distance_unknown"]
    _, cuts = find_breaks(made(0.0004 * km), km, RULES)
    assert {c.reading for c in cuts} == {"not_detected"}


@pytest.mark.parametrize("n", [0, 1])
def test_no_pair_of_sites_gives_an_empty_table(n):
    replicates = pair_replicates(np.zeros((5, n, 4), dtype=np.int32), np.arange(5))
    edges, cuts = find_breaks(replicates, np.zeros((n, n)), RULES)
    table = check_table(breaks_table(edges, cuts, ["a"] * n, np.zeros((n, n))), "breaks")
    assert len(table) == 0
    unit, contact = sites_in_units(replicates, np.zeros((n, n)), edges, np.zeros(0, dtype=bool), RULES)
    assert unit.tolist() == [0] * n
    assert contact.tolist() == [False] * n


def test_markers_without_data_give_no_break_and_no_crash():
    counts = np.zeros((50, 4, 4), dtype=np.int32)
    counts[:, :, 3] = 10
    replicates = pair_replicates(counts, np.arange(50) // 5)
    km = on_a_line(np.arange(4))
    edges, cuts = find_breaks(replicates, km, RULES)
    check_table(breaks_table(edges, cuts, list("abcd"), km), "breaks")
    assert {c.grade for c in cuts} == {"none"}


# --- the rules, one by one ---

EVIDENT = Cut(0, 1, 0.05, 0.03, 0.07, 1e-6, 1e-4, 1e-5, 0.05, 0.052, 0.002, 0.002, "", "")


@pytest.mark.parametrize(
    ("change", "reading", "grade"),
    [
        ({}, "boundary", "strong"),
        ({"ci_low": 0.005}, "boundary", "moderate"),
        ({"excess": 0.008, "ci_low": 0.004}, "below_least_fst", "weak"),
        ({"median_step": 0.0251}, "within_gradient", "weak"),
        ({"median_step": 0.0249}, "boundary", "strong"),
        ({"expected_step": 0.2}, "boundary", "strong"),  # a long edge: its own length is off the excess already
        ({"p_adjusted": 0.06}, "not_detected", "none"),
        ({"p_adjusted": float("nan")}, "not_detected", "none"),
        ({"p_nearby": 0.06}, "not_detected", "none"),  # the start of a steeper stretch
        ({"expected_step": float("nan")}, "distance_unknown", "weak"),
        ({"expected_step": float("nan"), "ci_low": 0.001}, "distance_unknown", "none"),
    ],
)
def test_reading_and_grade(change, reading, grade):
    cut = replace(EVIDENT, **change)
    cut = replace(cut, reading=reading_of(cut, RULES))
    assert cut.reading == reading
    assert grade_of(cut, RULES) == grade


@pytest.mark.parametrize(
    ("change", "answer"),
    [
        ({}, True),
        ({"own_drift_low": 0.03}, False),  # a third lineage
        ({"own_drift_low": 0.03, "f3_t": -3.5}, True),  # nothing but mixture makes f3 negative
        ({"share": 0.95}, False),
        ({"share": 0.05}, False),
        ({"spread_low": -0.01}, False),  # flanks of one lineage
        ({"spread": 0.008}, False),
    ],
)
def test_a_mixture(change, answer):
    found = ContactEvidence(0.5, 0.03, 0.004, 0.001, 0.05, 0.04, -1.0)
    assert is_contact_place(replace(found, **change), RULES) is answer


@pytest.mark.parametrize("share", [0.2, 0.5, 0.75])
@pytest.mark.parametrize("drift", [0.0, 0.01])
def test_mixture_recovers_share_and_drift_exactly(share, drift):
    """Frequencies p = m p_1 + (1 - m) p_2 + d: the squared differences are those of the docstring, by algebra."""
    spread, rate, km = 0.06, 0.0001, on_a_line([0, 100, 200])
    linear = np.zeros((3, 3))
    linear[0, 1] = (1 - share) ** 2 * spread + drift
    linear[1, 2] = share**2 * spread + drift
    linear[0, 2] = spread
    linear = linear + linear.T + rate * km
    replicates = made(linear, noise=0)
    found = contact_evidence(replicates, km, np.full(13, rate), np.array([1]), np.array([0]), np.array([2]))
    assert found.share == pytest.approx(share)
    assert found.own_drift == pytest.approx(drift, abs=1e-12)
    assert found.spread == pytest.approx(spread)


def test_f3_by_counting_equals_the_unbiased_formula():
    """Sum of f3 over markers against Patterson's own formula: (c - a)(c - b) less the sampling variance of c."""
    rng = np.random.default_rng(2)
    n = 30
    p = rng.uniform(0.1, 0.9, (400, 3))
    p[:, 1] = (p[:, 0] + p[:, 2]) / 2
    genotypes = rng.binomial(2, p[:, :, None], (400, 3, n))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    between = pair_replicates(counts, np.arange(400) // 40).between[0]
    ours = between[0, 1] + between[1, 2] - between[0, 2]
    f = genotypes.mean(axis=2) / 2
    squares = ((genotypes - genotypes.mean(axis=2, keepdims=True)) ** 2).sum(axis=2) / (n - 1) / n / 4
    plain = ((f[:, 1] - f[:, 0]) * (f[:, 1] - f[:, 2]) - squares[:, 1]).sum()
    whole = np.mean([_total_variance(counts[:, [i, j]]) for i, j in ((0, 1), (0, 2), (1, 2))])
    assert ours == pytest.approx(plain / whole, rel=1e-6)
    assert ours < 0


def _total_variance(counts):
    from homewater.statistics.fst import pair_components

    return pair_components(counts, np.zeros(len(counts), dtype=int))[1].sum()


# --- the tree ---


@pytest.mark.parametrize("seed", range(5))
def test_the_tree_is_as_short_as_that_of_another_library(seed):
    from scipy.sparse.csgraph import minimum_spanning_tree

    at = np.random.default_rng(seed).uniform(0, 100, (9, 2))
    km = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    edges = spanning_tree(km)
    assert km[edges[:, 0], edges[:, 1]].sum() == pytest.approx(minimum_spanning_tree(km).sum())
    assert segments(edges, np.zeros(8, dtype=bool), 9).tolist() == [0] * 9


def test_ties_take_the_lower_numbers_and_sides_and_hops_follow_the_tree():
    assert spanning_tree(np.ones((4, 4)) - np.eye(4)).tolist() == [[0, 1], [0, 2], [0, 3]]
    edges = np.array([[0, 1], [1, 2], [2, 3]])
    one, other = sides(edges, np.arange(4), 1)
    assert (one.tolist(), other.tolist()) == ([0, 1], [2, 3])
    assert edge_hops(edges, np.arange(3), 0).tolist() == [0, 1, 2]
    assert segments(edges, np.array([False, True, False]), 4).tolist() == [0, 0, 1, 1]


def test_water_that_is_not_joined_counts_as_far():
    table = pd.DataFrame({"site_a": ["a", "a", "b"], "site_b": ["b", "c", "c"], "sea_km": [30.0, np.nan, np.nan]})
    km = distance_matrix(["a", "b", "c"], table)
    assert np.isnan(km[0, 2])
    assert bridged(km)[0, 2] == 60
    assert bridged(np.full((1, 1), 0.0)).tolist() == [[0.0]]


def test_the_median_step_is_the_line_of_least_absolute_deviations():
    """Against a search on a fine grid."""
    rng = np.random.default_rng(3)
    y, d = rng.normal(0.02, 0.01, 9), rng.uniform(10, 90, 9)
    got = weighted_median((y / d)[None], d)[0]
    grid = np.linspace(-0.002, 0.003, 50001)
    best = grid[np.argmin(np.abs(y[:, None] - grid * d[:, None]).sum(axis=0))]
    assert got == pytest.approx(best, abs=2e-7)
    km = on_a_line([0, 10, 10, 30])
    linear = 0.001 * km
    assert step_rate(made(linear, 0), km, np.array([[0, 1], [1, 2], [2, 3]]))[0] == pytest.approx(0.001)


# --- units of all sites ---


def table_of(names, roles=None, tested=None, unit=None, contact=None, km=None, broken=()):
    sites = pd.DataFrame({"locationID": names, "jurisdiction": [f"agency {name[-1]}" for name in names]})
    native = [True] * len(names) if roles is None else roles
    roles = pd.DataFrame({"locationID": names, "in_native_range": native})
    contact = [False] * len(tested) if contact is None else contact
    return check_table(units_table(sites, roles, tested, unit, contact, km, list(broken)), "units")


def test_units_are_named_as_the_list_meets_them_and_sites_without_animals_take_the_nearest():
    names = ["q1", "far", "b1", "a1", "mid", "b2", "near"]
    km = on_a_line([0, 900, 100, 10, 55, 120, 96])
    found = table_of(
        names,
        roles=[True, False, True, True, True, True, True],
        tested=["b1", "a1", "b2"],
        unit=np.array([0, 1, 0]),
        km=km,
        broken=[("b1", "a1")],
    )
    assert found["unit"].tolist() == ["unit_1", "", "unit_2", "unit_1", "", "unit_2", "unit_2"]
    assert found["basis"].tolist() == [
        "nearest_by_water", "none", "own_animals", "own_animals", "none", "own_animals", "nearest_by_water",
    ]  # fmt: skip
    about = borders(found)
    assert about["shared_units"] == ["unit_2"]
    assert about["divided_jurisdictions"] == ["agency 1"]


def test_no_site_with_animals_enough_gives_no_unit():
    found = table_of(["a1", "a2"], tested=[], unit=np.zeros(0, dtype=int), km=on_a_line([0, 10]))
    assert found["unit"].tolist() == ["", ""]
    assert borders(found) == {"units": [], "shared_units": [], "divided_jurisdictions": []}
    assert statement_of(0, 0, [], [], np.nan) == "too_few_animals"


def test_a_site_that_no_water_joins_has_a_unit_only_where_there_is_one():
    km = np.array([[0, np.nan, np.nan], [np.nan, 0, 10], [np.nan, 10, 0]])
    one = table_of(["q", "a", "b"], tested=["a", "b"], unit=np.array([0, 0]), km=km)
    two = table_of(["q", "a", "b"], tested=["a", "b"], unit=np.array([0, 1]), km=km, broken=[("a", "b")])
    assert one["unit"].tolist() == ["unit_1"] * 3
    assert two["unit"].tolist() == ["", "unit_1", "unit_2"]


@pytest.mark.parametrize(
    ("arguments", "statement"),
    [
        ((2, 5, ["boundary"], ["strong"], 0.5), "two_or_more_units"),
        ((1, 1, [], [], np.nan), "one_site_only"),
        ((1, 5, ["below_least_fst"], ["weak"], 0.5), "detectable_but_small"),
        ((1, 5, ["not_detected"], ["none"], 0.01), "gradual_isolation_by_distance"),
        ((1, 5, ["not_detected"], ["none"], 0.2), "no_structure_found"),
        ((1, 5, ["not_detected"], ["none"], np.nan), "no_structure_found"),
    ],
)
def test_statements(arguments, statement):
    assert statement_of(*arguments) == statement


def test_the_contact_share_is_stated_once():
    assert break_rules.CONTACT_SHARE == (0.1, 0.9)


# --- two dimensions ---


def on_a_grid(columns, rows, x_km=50.0, y_km=55.0):
    """Distances between sites of a grid, row by row; the tree runs along the rows, which lie nearer."""
    x, y = (axis.ravel() for axis in np.meshgrid(x_km * np.arange(columns), y_km * np.arange(rows)))
    return np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])


def test_side_by_side_by_hand():
    # on a line only neighbours; in a square its sides and not its diagonals; the tree is among them
    assert side_by_side(on_a_line([0, 10, 30, 31])).tolist() == [[0, 1], [1, 2], [2, 3]]
    assert side_by_side(on_a_grid(2, 2)).tolist() == [[0, 1], [0, 2], [1, 3], [2, 3]]
    km = on_a_line(np.random.default_rng(0).random(9)) + on_a_line(np.random.default_rng(1).random(9))
    pairs = {tuple(pair) for pair in side_by_side(km).tolist()}
    assert {tuple(edge) for edge in spanning_tree(km).tolist()} <= pairs
    naive = {
        (i, j) for i in range(9) for j in range(i + 1, 9)
        if not any(max(km[i, k], km[j, k]) < km[i, j] for k in range(9) if k not in (i, j))
    }  # fmt: skip
    assert pairs == naive


def test_two_lineages_that_meet_along_a_front_are_two_units():
    """Every row crosses the front, so the tree joins the rows of one side at most; the other's demes drift more."""
    km = on_a_grid(5, 4, y_km=50.5)
    label = np.tile([0, 0, 0, 1, 1], 4)
    own = 0.004 * label  # drift of each deme by itself
    linear = 0.0001 * km + 0.05 * (label[:, None] != label[None, :]) + own[:, None] + own[None, :]
    np.fill_diagonal(linear, 0)
    replicates = made(linear)
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(len(edges)), [c.edge for c in cuts if c.reading == "boundary"])
    assert cut.sum() == 4  # the tree crosses the front in every row
    unit, contact = sites_in_units(replicates, km, edges, cut, RULES)
    assert unit.tolist() == label.tolist()
    assert not contact.any()


def test_stocks_side_by_side_beyond_a_third_stay_apart():
    """As above, but the second lineage is two, with a break between their rows."""
    km = on_a_grid(5, 4, y_km=50.5)
    label = np.concatenate([np.tile([0, 0, 0, 1, 1], 2), np.tile([0, 0, 0, 2, 2], 2)])
    linear = 0.0001 * km + 0.05 * (label[:, None] != label[None, :])
    replicates = made(linear)
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(len(edges)), [c.edge for c in cuts if c.reading == "boundary"])
    assert sites_in_units(replicates, km, edges, cut, RULES)[0].tolist() == label.tolist()
