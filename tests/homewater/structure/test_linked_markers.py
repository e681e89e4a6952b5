"""Linkage between distant markers within sites."""

import numpy as np
import pytest

from homewater.structure.linked_markers import (
    ChromosomeLinkage,
    leading_axis,
    linkage_of,
    linkage_p,
    piece_linkages,
    pieces_of,
    spread_markers,
    stands_out,
    strongest_pieces,
    within_sites,
)


def test_within_sites_by_hand_and_missing_is_nothing():
    dosages = np.array([[0, 2, 1, 1], [0, -1, 2, 0], [1, 1, 2, 2]], dtype=np.int8)
    x = within_sites(dosages, np.array([0, 0, 1, 1]))
    assert x[0] == pytest.approx(np.array([-1, 1, 0, 0]) / np.sqrt(0.5))
    assert x[1] == pytest.approx(np.array([0, 0, 1, -1]) / np.sqrt(0.5))
    assert not x[2].any()  # sites differ, animals within them do not


def arranged(rng, n_markers, n_animals, inside):
    """Animals of one site; markers `inside` follow an arrangement of frequency one half."""
    p = rng.uniform(0.3, 0.7, (n_markers, 1))
    other = np.clip(p + rng.choice([-0.4, 0.4], (n_markers, 1)), 0.05, 0.95)
    copies = rng.integers(0, 2, (2, n_animals))
    drawn = sum(rng.random((n_markers, n_animals)) < np.where((one == 1) & inside[:, None], other, p) for one in copies)
    return drawn.astype(np.int8), copies.sum(axis=0)


@pytest.mark.parametrize("seed", range(5))
def test_an_arrangement_is_stronger_than_unlinked_markers_and_its_markers_tell(seed):
    rng = np.random.default_rng(seed)
    cm = np.linspace(0, 50, 100)
    inside = np.arange(100) < 40
    animals, copies = arranged(rng, 100, 150, inside)
    found = linkage_of(within_sites(animals, np.zeros(150, int)), np.arange(100), cm, 149)
    plain = linkage_of(
        within_sites(arranged(rng, 100, 150, inside & False)[0], np.zeros(150, int)), np.arange(100), cm, 149
    )
    assert plain.strength == pytest.approx(0.93, abs=0.12)
    assert found.strength > 1.5
    score = found.loading @ within_sites(animals, np.zeros(150, int))
    assert abs(np.corrcoef(score, copies)[0, 1]) > 0.9
    assert found.squared[inside].mean() > 10 * found.squared[~inside].mean()
    # the squared correlation is that with the score from other markers: a plain calculation, marker by marker
    x = within_sites(animals, np.zeros(150, int))
    own = [x[k] @ (found.loading[abs(cm - cm[k]) >= 1] @ x[abs(cm - cm[k]) >= 1]) / 150 for k in range(100)]
    assert found.squared == pytest.approx(np.array(own) ** 2 / (score @ score / 150), rel=1e-6, abs=1e-9)


def test_near_markers_alone_are_no_pattern():
    rng = np.random.default_rng(0)
    one = rng.integers(0, 3, (1, 80)).astype(np.int8)
    found = linkage_of(within_sites(np.repeat(one, 30, axis=0), np.zeros(80, int)), np.arange(30), np.zeros(30), 79)
    assert found.strength == 0


def test_leading_axis_is_that_of_the_full_decomposition():
    rng = np.random.default_rng(2)
    a = rng.normal(size=(12, 12))
    a = a + a.T
    value, axis = leading_axis(a)
    values, vectors = np.linalg.eigh(a)
    assert value == pytest.approx(values[-1])
    assert abs(axis @ vectors[:, -1]) == pytest.approx(1)
    assert axis[np.abs(axis).argmax()] > 0
    assert leading_axis(np.zeros((5, 5)))[0] == 0


def test_common_markers_are_spread_evenly():
    frequency = np.full(1000, 0.5)
    frequency[::2] = 0.01
    chosen = spread_markers(np.arange(1000), frequency)
    assert chosen.size == 300
    assert (chosen % 2 == 1).all()
    assert np.ptp(np.diff(chosen)) <= 2
    assert spread_markers(np.arange(10), frequency).tolist() == [1, 3, 5, 7, 9]


def test_chromosomes_that_stand_out_do_not_hide_one_another():
    strength = np.array([0.95, 0.93, 0.97, 0.96, 0.94, 0.95, 0.98, 0.92, 0.95, 3.0, 2.0, 1.6])
    p = linkage_p(strength)
    assert p[-3:].max() < 0.001
    assert p[:-3].min() > 0.05
    assert np.isnan(linkage_p(strength[:4])).all()


def pieces(strengths):
    """Linkage of the pieces of each chromosome with these strengths alone."""
    empty = np.zeros(0)
    return [[ChromosomeLinkage(empty, s, empty, empty, 0.0) for s in own] for own in strengths]


def test_linkage_a_little_beyond_the_other_chromosomes_is_no_block_however_sure():
    """Where stocks mix every chromosome holds long stretches together; one of them a tenth more tells nothing."""
    linked, p, ratio = strongest_pieces(pieces([[1.2], [1.25], [1.23], [1.36], [2.6], [1.2]]))
    assert ratio == pytest.approx(np.array([1.2, 1.25, 1.23, 1.36, 2.6, 1.2]) / 1.24)
    assert p == pytest.approx(linkage_p(np.array([1.2, 1.25, 1.23, 1.36, 2.6, 1.2])))
    q = np.array([0.9, 0.9, 0.9, 0.001, 0.001, 0.9])
    assert stands_out(linked, q, ratio, 0.05).tolist() == [False, False, False, False, True, False]
    assert not stands_out([*linked[:4], linked[4], None], np.full(6, np.nan), ratio, 0.05).any()
    assert not stands_out([None, None], np.full(2, np.nan), np.full(2, np.nan), 0.05).any()


def test_a_half_stands_out_beside_halves_and_pays_for_the_pieces_tried():
    usual = [[1.0 + 0.01 * k, 0.8 + 0.01 * k, 0.82 + 0.01 * k, 0.81 + 0.01 * k] for k in range(8)]
    linked, p, ratio = strongest_pieces(pieces([*usual, [1.05, 1.6, 0.84, 0.8], []]))
    assert linked[8].strength == 1.6
    halves = np.array([*(s for own in usual for s in own[1:]), 1.6, 0.84, 0.8])
    assert p[8] == pytest.approx(4 * linkage_p(halves)[-3])
    assert ratio[8] == pytest.approx(1.6 / np.median(halves))
    assert p[8] < 0.001 < p[:8].min()
    assert linked[9] is None
    assert np.isnan([p[9], ratio[9]]).all()


def test_pieces_are_the_whole_and_halves_that_overlap_where_a_half_has_enough_markers():
    assert pieces_of(100) == [slice(0, 100), slice(0, 50), slice(25, 75), slice(50, 100)]
    assert pieces_of(41) == [slice(0, 41), slice(0, 20), slice(10, 30), slice(21, 41)]
    assert pieces_of(39) == [slice(0, 39)]


def test_few_chromosomes_have_no_spread_however_many_pieces():
    linked, p, ratio = strongest_pieces(pieces([[1.0, 0.9, 0.8, 3.0]] * 4))
    assert np.isnan(p).all()
    assert np.isnan(ratio).all()
    assert not stands_out(linked, p, ratio, 0.05).any()


def test_a_piece_has_its_own_pattern_and_tells_it_in_all_markers():
    rng = np.random.default_rng(3)
    cm, inside = np.linspace(0, 50, 100), np.arange(100) < 60
    animals, _ = arranged(rng, 100, 150, inside)
    x = within_sites(animals, np.zeros(150, int))
    whole, half = piece_linkages(x, np.arange(100), cm, 149, [slice(0, 100), slice(0, 50)])
    alone = linkage_of(x, np.arange(100), cm, 149)
    assert whole.strength == alone.strength
    assert half.strength > whole.strength  # the other half of the chromosome dilutes
    assert not half.loading[50:].any()
    score = half.loading @ x
    own = [x[k] @ (half.loading[abs(cm - cm[k]) >= 1] @ x[abs(cm - cm[k]) >= 1]) / 150 for k in range(100)]
    assert half.squared == pytest.approx(np.array(own) ** 2 / (score @ score / 150), rel=1e-6, abs=1e-9)
    assert half.squared[50:60].mean() > 10 * half.squared[60:].mean()  # the block is followed beyond the half
