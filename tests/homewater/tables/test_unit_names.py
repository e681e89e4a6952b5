"""Names of units, their indices from 0, and the unit of each site."""

import pandas as pd
import pytest

from homewater.tables.unit_names import (
    local_unit_indices,
    sorted_units,
    unit_by_site,
    unit_index,
    unit_indices,
    unit_names,
)

UNITS = pd.DataFrame({"locationID": ["A", "B", "C", "D"], "unit": ["unit_2", "", None, "unit_10"]})


def test_unit_names():
    assert unit_indices(pd.Series(["unit_1", "", None, "unit_12"])).tolist() == [0, -1, -1, 11]


@pytest.mark.parametrize("n_units", [0, 1, 12])
def test_names_and_indices_are_each_others_inverse(n_units):
    assert [unit_index(name) for name in unit_names(n_units)] == list(range(n_units))


def test_units_are_sorted_by_number_and_not_by_letter():
    assert sorted_units(["unit_10", "", "unit_2", "unit_10"]) == ["unit_2", "unit_10"]


def test_a_site_without_local_stock_has_an_empty_unit():
    assert unit_by_site(UNITS) == {"A": "unit_2", "B": "", "C": "", "D": "unit_10"}


def test_animals_take_the_unit_of_their_site_and_none_at_sites_that_are_not_listed():
    assert local_unit_indices(["D", "A", "C", "elsewhere"], UNITS).tolist() == [9, 1, -1, -1]
