"""Sites that stand apart, at every place of the coast, and neighbours that drifted together."""

import numpy as np
import pytest
from tests.made_replicates import RULES, made, on_a_line

from homewater.tables.schema_tables import check_table
from homewater.units.breaks import find_lines
from homewater.units.site_drift import site_drift_table
from homewater.water.site_tree import bridged

KM = on_a_line(50 * np.arange(8))


def drifted(own, shared=None, step=0.0):
    own = np.asarray(own, float)
    linear = own[:, None] + own[None, :] + step * KM / 50
    if shared is not None:
        group, drift = shared
        inside = np.isin(np.arange(8), group)
        linear = linear + drift * (inside[:, None] != inside[None, :])
    np.fill_diagonal(linear, 0)
    return find_lines(made(linear, noise=0.0003), KM, RULES)


@pytest.mark.parametrize("place", range(8))
@pytest.mark.parametrize("step", [0.0, 0.002])
def test_one_site_apart_has_one_verdict_wherever_it_lies(place, step):
    own = np.full(8, 0.003)
    own[place] = 0.04
    lines = drifted(own, step=step)
    assert [d.site for d in lines.drifts if d.apart] == [place]
    assert not lines.boundaries.any()
    assert lines.part.tolist() == [int((k == place) != (place == 0)) for k in range(8)]
    assert lines.drifts[place].own[0] == pytest.approx(0.04 / 1.04, abs=0.004)


def test_sites_that_all_drifted_alike_stand_nowhere_apart():
    lines = drifted(np.full(8, 0.05))
    assert not any(d.apart for d in lines.drifts)
    assert set(lines.part) == {0}
    assert [d.own[0] for d in lines.drifts] == pytest.approx([0.05 / 1.05] * 8, abs=0.002)


def test_neighbours_that_drifted_together_are_one_stock_and_two_that_did_not_are_two():
    together = drifted(np.full(8, 0.001), shared=([3, 4], 0.05))
    assert together.part.tolist() == [0, 0, 0, 1, 1, 0, 0, 0]
    own = np.full(8, 0.001)
    own[[3, 4]] = 0.05
    assert drifted(own).part.tolist() == [0, 0, 0, 1, 2, 0, 0, 0]


def test_a_site_of_a_stock_elsewhere_is_counted_there_and_does_not_stand_apart():
    """One site among the first stock is of the second, which begins four sites further on: founded from there."""
    label = np.array([0, 1, 0, 0, 0, 1, 1, 1])
    linear = 0.05 * (label[:, None] != label[None, :]) + 0.002 * (1 - np.eye(8))
    lines = find_lines(made(linear, noise=0.0003), KM, RULES)
    assert lines.part.tolist() == label.tolist()
    assert [d.reading for d in lines.drifts] == ["ordinary", "of_another_stock"] + ["ordinary"] * 6


def test_a_site_that_no_water_joins_is_of_the_stock_that_it_is_like():
    """The tree ties it to the first site, which is of another stock: that says nothing of where it belongs."""
    km = np.array(KM)
    km[7, :7] = km[:7, 7] = np.nan
    label = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    linear = 0.05 * (label[:, None] != label[None, :]) + 0.002 * (1 - np.eye(8))
    lines = find_lines(made(linear, noise=0.0003), bridged(km), RULES)
    assert lines.part.tolist() == label.tolist()
    assert not any(d.apart for d in lines.drifts)


def test_the_table_holds_each_site_with_its_interval():
    lines = drifted([0.003, 0.003, 0.05, 0.003, 0.003, 0.003, 0.003, 0.003])
    ids = [f"S{k}/ä" for k in range(8)]
    table = check_table(site_drift_table(lines.drifts, lines.search, ids, lines.part, lines.contact), "site_drift")
    assert table["locationID"].tolist() == ids
    assert table["reading"].tolist() == ["ordinary"] * 2 + ["stands_apart"] + ["ordinary"] * 5
    assert table["at_end"].tolist() == [True] + [False] * 6 + [True]
    assert (table["ci_low"] <= table["own_drift"]).all()
    assert (table["own_drift"] <= table["ci_high"]).all()
    assert table["part"].tolist() == ["part_1"] * 2 + ["part_2"] + ["part_1"] * 5
