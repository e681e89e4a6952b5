"""Breaks: simulated histories with known truth, and figures made by hand."""

import numpy as np
import pytest
from tests.made_replicates import RULES, made, on_a_line

from homewater.invented.stocks import StockModel, simulate_chromosome
from homewater.tables.schema_tables import check_table
from homewater.units.breaks import breaks_table, find_lines
from homewater.units.replicates import pair_replicates

CHROMOSOMES, SNPS = 16, 250


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
    lines = find_lines(pair_replicates(counts, block), km, RULES)
    return lines.part, lines.contact


def cuts_of(replicates, km):
    lines = find_lines(replicates, km, RULES)
    return lines.search.edges, lines.cuts


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
    edges, cuts = cuts_of(replicates, km)
    found = sorted(edges[c.edge].tolist() for c in cuts if c.reading == "boundary")
    assert found == [[1, 2], [3, 4], [5, 6]]


def test_a_step_as_long_as_its_distance_explains_is_no_break():
    """An unsampled stretch: one step is 400 km, the others 50 km, F / (1 - F) is 0.0002 a km throughout."""
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    edges, cuts = cuts_of(made(0.0002 * km), km)
    assert [c.grade for c in cuts] == ["none"] * 7
    long = next(c for c in cuts if edges[c.edge].tolist() == [3, 4])
    assert long.excess == pytest.approx(0, abs=0.002)
    assert long.expected_step == pytest.approx(0.08 / 1.08, rel=0.01)


def test_a_break_in_the_thinly_sampled_stretch_is_found_with_its_size():
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    side = np.arange(8) >= 4
    linear = 0.00005 * km + 0.08 * (side[:, None] != side[None, :])
    edges, cuts = cuts_of(made(linear), km)
    boundary = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in boundary] == [[3, 4]]
    assert boundary[0].excess == pytest.approx(0.08 / 1.08, abs=0.002)
    assert boundary[0].grade == "strong"


def test_a_break_in_a_wide_gap_of_a_gradient_is_judged_by_the_median_step_not_by_the_gap():
    """The gap alone explains 0.04 of F / (1 - F), eight median steps; the break of 0.03 is six."""
    km = on_a_line([0, 50, 100, 150, 550, 600, 650, 700])
    side = np.arange(8) >= 4
    linear = 0.0001 * km + 0.03 * (side[:, None] != side[None, :])
    edges, cuts = cuts_of(made(linear), km)
    boundary = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in boundary] == [[3, 4]]
    assert boundary[0].median_step == pytest.approx(0.005 / 1.005, rel=0.05)
    assert boundary[0].expected_step == pytest.approx(0.04 / 1.04, rel=0.05)


def test_a_detectable_break_below_the_least_fst_makes_no_unit():
    km = on_a_line(50 * np.arange(8))
    side = np.arange(8) >= 4
    edges, cuts = cuts_of(made(0.006 * (side[:, None] != side[None, :]) + 0.00001 * km, noise=0.0002), km)
    middle = next(c for c in cuts if edges[c.edge].tolist() == [3, 4])
    assert (middle.reading, middle.grade) == ("below_least_fst", "weak")
    assert not [c for c in cuts if c.reading == "boundary"]


def test_one_steep_stretch_of_coast_is_no_series_of_breaks():
    """Steps of 0.012 on one half of the coast, 0.002 on the other: each is judged by its neighbours."""
    place = np.array([0, 0.002, 0.004, 0.006, 0.008, 0.02, 0.032, 0.044, 0.056, 0.068])
    km = on_a_line(50 * np.arange(10))
    _, cuts = cuts_of(made(on_a_line(place)), km)
    assert not [c for c in cuts if c.reading == "boundary"]


def test_a_weak_break_beside_a_noisy_step_is_found():
    """A break of 0.016 in steps of 0.0025; of the steps beside it every one is known to 0.012 alone.

    The steps nearby leave it a thousand times as likely to be chance as the median step does, which is well known.
    """
    km = on_a_line(50 * np.arange(12))
    side = np.arange(12) >= 6
    replicates = made(0.00005 * km + 0.016 * (side[:, None] != side[None, :]))
    draw = np.random.default_rng(0)
    for i in (3, 4, 6, 7):
        shake = draw.normal(0, 0.012 / np.sqrt(12), 13)
        shake[0] = 0
        replicates.drift[:, i, i + 1] += shake
        replicates.drift[:, i + 1, i] += shake
    edges, cuts = cuts_of(replicates, km)
    found = [c for c in cuts if c.reading == "boundary"]
    assert [edges[c.edge].tolist() for c in found] == [[5, 6]]
    assert found[0].p_value < found[0].p_nearby < RULES.break_level


def test_a_drifted_place_between_two_lineages_hides_neither_of_its_sides():
    """Two large steps in a row, each with one small step beside it on that side (0.005 and 0.1 of a short coast)."""
    place = np.array([0, 0.005, 0.08, 0.18, 0.19, 0.2])
    km = on_a_line([0, 34.06, 68.26, 103.18, 137.21, 171.38])
    edges, cuts = cuts_of(made(on_a_line(place)), km)
    broken = {tuple(edges[c.edge].tolist()) for c in cuts if c.reading == "boundary"}
    assert broken == {(1, 2), (2, 3)}


def meeting(own, apart=0.016):
    """Two stocks that meet at one site of half and half, which drifted by itself too, by algebra."""
    share = np.array([0] * 5 + [0.5] + [1] * 5)
    drift = np.where(share == 0.5, own, 0.001)
    linear = apart * (share[:, None] - share[None, :]) ** 2 + drift[:, None] + drift[None, :]
    np.fill_diagonal(linear, 0)
    return find_lines(made(linear, noise=0.0002), on_a_line(50 * np.arange(11)), RULES)


def test_a_line_that_a_mixed_site_halves_into_steps_too_small_alone_is_found_over_it():
    """Half of 0.016 is below the least F_ST, and the site's own drift of 0.006 keeps f3, -0.004 without it, above 0."""
    lines = meeting(own=0.006)
    assert np.flatnonzero(lines.contact).tolist() == [5]
    assert lines.part[:5].tolist() == [0] * 5
    assert lines.part[6:].tolist() == [1] * 5
    found = [c for c in lines.cuts if c.reading == "boundary"]
    assert [c.n_contact_sites for c in found] == [1]
    assert found[0].excess == pytest.approx(0.016 / 1.016, abs=0.001)


def test_a_difference_below_the_least_fst_is_no_line_over_a_site_either():
    assert set(meeting(own=0.006, apart=0.008).part) == {0}


def test_islands_are_compared_along_the_tree_by_water():
    """Three arms of a sound meet; one arm is another lineage."""
    arms = [(0, 1), (0, 2), (0, 3), (1.2, 0), (2.2, 0), (3.2, 0), (-1.1, 0), (-2.1, 0), (-3.1, 0)]
    at = np.array(arms)
    km = 40 * np.array([[abs(a - b).sum() for b in at] for a in at])  # round the middle of the star
    side = np.array([0, 0, 0, 1, 1, 1, 0, 0, 0], dtype=bool)
    linear = 0.00002 * km + 0.05 * (side[:, None] != side[None, :])
    replicates = made(linear)
    assert find_lines(replicates, km, RULES).part.tolist() == side.astype(int).tolist()


def test_two_sites_cannot_tell_distance_from_a_break():
    km = on_a_line([0, 100])
    edges, cuts = cuts_of(made([[0, 0.1], [0.1, 0]]), km)
    assert len(edges) == 1
    assert (cuts[0].reading, cuts[0].grade) == ("distance_unknown", "weak")


def test_of_three_sites_one_may_stand_apart_and_none_makes_a_line():
    km = on_a_line([0, 50, 100])
    lines = find_lines(made([[0, 0.06, 0.061], [0.06, 0, 0.001], [0.061, 0.001, 0]]), km, RULES)
    assert [d.apart for d in lines.drifts] == [True, False, False]
    assert lines.part.tolist() == [0, 1, 1]
    lines = find_lines(made(0.0004 * km), km, RULES)
    assert {c.reading for c in lines.cuts} == {"end_of_coast"}
    assert lines.part.tolist() == [0, 0, 0]


@pytest.mark.parametrize("n", [0, 1])
def test_no_pair_of_sites_gives_an_empty_table(n):
    replicates = pair_replicates(np.zeros((5, n, 4), dtype=np.int32), np.arange(5))
    lines = find_lines(replicates, np.zeros((n, n)), RULES)
    table = check_table(breaks_table(lines, ["a"] * n, np.zeros((n, n))), "breaks")
    assert len(table) == 0
    assert lines.part.tolist() == [0] * n
    assert lines.contact.tolist() == [False] * n


def test_markers_without_data_give_no_break_and_no_crash():
    counts = np.zeros((50, 4, 4), dtype=np.int32)
    counts[:, :, 3] = 10
    replicates = pair_replicates(counts, np.arange(50) // 5)
    km = on_a_line(np.arange(4))
    lines = find_lines(replicates, km, RULES)
    check_table(breaks_table(lines, list("abcd"), km), "breaks")
    assert {c.grade for c in lines.cuts} == {"none"}
