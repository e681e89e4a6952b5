"""The statement that sums up the stage, and what stands beside it."""

from dataclasses import replace

import pytest

from homewater.units.overall_test import OverallTest
from homewater.units.statements import Findings, further_statements, statement_of

NOTHING = OverallTest(0.0001, -0.0002, 0.0004, 0, 0, 0)
DIFFER = replace(NOTHING, fst=0.02, ci_low=0.015, ci_high=0.025)
FLAT = Findings(1, 5, 0, 0, 0, False, False, False, False, NOTHING)


@pytest.mark.parametrize(
    ("change", "statement", "further"),
    [
        ({}, "no_structure_found", []),
        ({"n_tested": 0, "n_units": 0}, "too_few_animals", []),
        ({"n_tested": 1}, "one_site_only", []),
        ({"n_units": 2, "n_sharp_lines": 1}, "two_or_more_units", []),
        ({"n_units": 2, "n_contacts": 1}, "broad_contact", []),
        ({"n_units": 2, "n_apart": 1}, "sites_stand_apart", []),
        ({"n_units": 4, "n_sharp_lines": 1, "n_contacts": 1, "n_apart": 1}, "two_or_more_units",
         ["broad_contact", "sites_stand_apart"]),
        ({"distance_unknown": True}, "difference_not_told_from_distance", []),
        ({"overall": DIFFER, "overall_least": True}, "sites_differ_one_by_one", []),
        ({"overall": DIFFER, "overall_least": True, "gradient": True}, "gradual_isolation_by_distance", []),
        ({"overall": DIFFER, "overall_least": True, "gradient": True, "small_breaks": True}, "detectable_but_small",
         []),
        ({"small_breaks": True}, "detectable_but_small", []),
        ({"gradient": True}, "gradual_isolation_by_distance", []),
        ({"overall": replace(NOTHING, n_blocks=1)}, "one_block_alone", []),
        ({"overall": replace(DIFFER, n_blocks=1), "overall_least": True}, "sites_differ_one_by_one", ["block_beside"]),
        ({"overall": replace(NOTHING, n_pairs=1)}, "slight_differences", []),
        ({"overall": replace(NOTHING, n_axes=1)}, "slight_differences", []),
        ({"overall": replace(NOTHING, ci_low=0.00001)}, "slight_differences", []),
    ],
)  # fmt: skip
def test_statements(change, statement, further):
    found = replace(FLAT, **change)
    assert statement_of(found) == statement
    assert further_statements(found) == further
