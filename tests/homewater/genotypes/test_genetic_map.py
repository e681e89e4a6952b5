"""The genetic map of a species."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import even_map, positions

from homewater.genotypes.genetic_map import (
    RecombinationMap,
    map_from_positions,
    map_from_table,
    open_map,
    study_map,
)


def test_maps_by_hand():
    """Even map over the outermost loci and over a declared length, and a table read by interpolation."""
    chrom, pos = np.array(["c2", "c2", "c2", "c1"]), np.array([101, 151, 201, 7])
    even = map_from_positions(chrom, pos, 40)
    assert even.chrom_index.tolist() == [0, 0, 0, 1]
    assert even.position_cm.tolist() == [0, 20, 40, 0]
    declared = map_from_positions(chrom, pos, 40, {"c2": 401})
    assert declared.position_cm.tolist() == [10, 15, 20, 0]
    table = map_from_table(chrom, pos, ["c2", "c1", "c2", "c2"], [181, 1, 101, 141], [60, 5, 0, 20])
    assert table.position_cm.tolist() == [0, 30, 60, 5]


def test_steps_are_the_morgans_between_neighbours_on_the_map():
    at = RecombinationMap(np.array([1, 0, 1, 0, 1]), np.array([30.0, 2.0, 5.0, 12.0, 5.0]))
    assert at.steps_in_morgans() == pytest.approx([np.inf, 0.1, np.inf, 0, 0.25])


def test_more_animals_do_not_change_the_map():
    chrom, pos = positions(30, 3)
    assert np.array_equal(study_map(chrom, pos, 40).position_cm, map_from_positions(chrom, pos, 40).position_cm)


def test_chromosomes_that_the_map_does_not_hold_are_even():
    chrom, pos = positions(30, 3)
    held = pd.unique(np.asarray(chrom))[0]
    rows = np.asarray(chrom) == held
    table = pd.DataFrame({"chrom": held, "pos": [int(pos[rows].min()), int(pos[rows].max())], "cm": [0.0, 7.0]})
    found = study_map(chrom, pos, 40, table)
    assert found.position_cm[rows].max() == pytest.approx(7)
    even = map_from_positions(chrom, pos, 40)
    assert np.array_equal(found.position_cm[~rows], even.position_cm[~rows])
    assert np.array_equal(found.chrom_index, even.chrom_index)


def test_the_users_map_counts_where_there_is_one(tmp_path):
    chrom, pos = positions(30)
    markers = pd.DataFrame({"chrom": chrom, "pos": pos})
    assert open_map([], 50.0).table is None
    assert np.array_equal(open_map([], 50.0).of(markers).position_cm, even_map(30).position_cm)
    given = pd.DataFrame({"chrom": "chr1", "pos": [1, 20_000_000], "cm": [0.0, 7.0]})
    given.to_csv(tmp_path / "map.csv", index=False)
    found = open_map([str(tmp_path / "map.csv")], 50.0).of(markers)
    assert found.position_cm[chrom == "chr1"].max() == pytest.approx(7.0)
    assert found.position_cm[chrom != "chr1"].max() == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: map_from_positions(["c"], [1], 0), "above 0"),
        (lambda: map_from_table(["c"], [1], ["d"], [1], [0]), "chromosome c is not in the map"),
        (lambda: map_from_table(["c"], [1], ["c", "c"], [1, 2], [1, 0]), "fall"),
    ],
)
def test_wrong_arguments_are_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
