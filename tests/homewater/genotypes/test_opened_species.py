"""One species opened: its tables stand in the store's order, whatever their own order was."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import write_structure_intake

from homewater.genotypes.opened_species import open_species
from homewater.tables.schema_tables import read_table, write_table

SITES = ["a", "a", "a", "b", "b", "farm"]
THINNED = np.arange(12) % 3 == 0


@pytest.fixture
def opened(tmp_path):
    """Six animals at three sites: the first removed, the fifth a query, the farm defines nothing; rows turned round."""
    dosages = drawn_dosages(1, [3, 2, 1], n_markers=12)
    given = write_structure_intake(
        tmp_path, dosages, SITES, query=[4], farm_sites=["farm"], removed=[0], n_chrom=2, thinned=THINNED
    )
    markers = read_table(given["markers"])
    markers.loc[5, ["status", "passes_technical"]] = ["removed", False]
    markers.loc[6, "status"] = "removed"
    write_table(markers, given["markers"])
    write_table(read_table(given["samples"]).iloc[::-1], given["samples"])
    return open_species(given["genotypes"], given["samples"], given["markers"])


def test_animals_stand_in_the_stores_order(opened):
    assert opened.animals["materialSampleID"].tolist() == opened.store.sample_ids.tolist()
    assert opened.animals["locationID"].tolist() == SITES


def test_kept_animals_know_their_place_and_their_site(opened):
    assert opened.place.tolist() == [1, 2, 3, 4, 5]
    assert opened.kept["materialSampleID"].tolist() == opened.store.sample_ids[1:].tolist()
    assert opened.kept["defines"].tolist() == [True, True, True, False, False]
    assert opened.kept["defines"].dtype == bool
    assert opened.site_numbers(np.array(["b", "a"])).tolist() == [1, 1, 0, 0, -1]


def test_markers_by_what_the_filters_said(opened):
    assert np.flatnonzero(~opened.kept_markers).tolist() == [5, 6]
    assert np.flatnonzero(~opened.technical_markers).tolist() == [5]
    assert opened.thinned_markers.tolist() == THINNED.tolist()


def test_markers_of_a_block_are_left_out_and_animals_stay(opened):
    block = pd.DataFrame({"chrom": ["chr0"], "start": [1], "end": [300], "left_out": [True]})
    rest = opened.outside_blocks(block)
    assert np.flatnonzero(rest.thinned_markers).tolist() == [3, 6, 9]
    assert np.flatnonzero(~rest.technical_markers).tolist() == [0, 1, 2, 5]
    assert rest.kept.equals(opened.kept)
