"""The statement that sums up the stage."""

import numpy as np
import pytest

from homewater.units.summary import statement_of


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
