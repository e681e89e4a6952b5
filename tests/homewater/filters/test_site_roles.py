"""What each site may do, by hand."""

import numpy as np
import pandas as pd
import shapely
from tests.homewater.filters.drawn_coast import ROLES

from homewater.filters.site_roles import in_native_range


def test_site_roles():
    assert ROLES["kind"].tolist() == ["wild", "wild", "farm", "wild"]
    assert ROLES["defines"].tolist() == [True, True, False, False]


def test_sites_on_the_edge_are_within_and_without_a_range_all_are():
    sites = pd.DataFrame({"decimalLongitude": [0.5, 1.0, 1.5], "decimalLatitude": [0.5, 1.0, 0.5]})
    assert in_native_range(sites, shapely.box(0, 0, 1, 1)).tolist() == [True, True, False]
    assert np.array_equal(in_native_range(sites, None), [True] * 3)
