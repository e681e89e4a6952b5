"""Units of all sites, with and without animals of their own, and units that touch along a front."""

import numpy as np
import pandas as pd
from tests.made_replicates import RULES, made, on_a_grid, on_a_line

from homewater.tables.schema_tables import check_table
from homewater.units.breaks import find_lines
from homewater.units.partition import units_table
from homewater.units.summary import borders


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


def test_a_site_that_no_water_joins_has_a_unit_only_where_there_is_one():
    km = np.array([[0, np.nan, np.nan], [np.nan, 0, 10], [np.nan, 10, 0]])
    one = table_of(["q", "a", "b"], tested=["a", "b"], unit=np.array([0, 0]), km=km)
    two = table_of(["q", "a", "b"], tested=["a", "b"], unit=np.array([0, 1]), km=km, broken=[("a", "b")])
    assert one["unit"].tolist() == ["unit_1"] * 3
    assert two["unit"].tolist() == ["", "unit_1", "unit_2"]


def test_two_lineages_that_meet_along_a_front_are_two_units():
    """Every row crosses the front, so the tree joins the rows of one side at most; the other's demes drift more."""
    km = on_a_grid(5, 4, y_km=50.5)
    label = np.tile([0, 0, 0, 1, 1], 4)
    own = 0.004 * label  # drift of each deme by itself
    linear = 0.0001 * km + 0.05 * (label[:, None] != label[None, :]) + own[:, None] + own[None, :]
    np.fill_diagonal(linear, 0)
    replicates = made(linear)
    lines = find_lines(replicates, km, RULES)
    assert lines.boundaries.sum() == 4  # the tree crosses the front in every row
    assert lines.part.tolist() == label.tolist()
    assert not lines.contact.any()


def test_stocks_side_by_side_beyond_a_third_stay_apart():
    """As above, but the second lineage is two, with a break between their rows."""
    km = on_a_grid(5, 4, y_km=50.5)
    label = np.concatenate([np.tile([0, 0, 0, 1, 1], 2), np.tile([0, 0, 0, 2, 2], 2)])
    linear = 0.0001 * km + 0.05 * (label[:, None] != label[None, :])
    replicates = made(linear)
    assert find_lines(replicates, km, RULES).part.tolist() == label.tolist()
