"""Sites of a study in the water: a row for each two sites in their order, and sites far from water refused."""

import pandas as pd
import pytest

from homewater.running.errors import InputError
from homewater.water.site_distances import site_distances

LAND = [{"type": "Polygon", "coordinates": [[[-8, 54], [-5, 54], [-5, 57], [-8, 57], [-8, 54]]]}]


def sites(longitudes):
    ids = [f"s{i}/ä" for i in range(len(longitudes))]
    return pd.DataFrame({"locationID": ids, "decimalLatitude": 55.5, "decimalLongitude": longitudes})


def test_every_two_sites_have_a_row_and_every_site_a_place():
    found = site_distances(sites([-8.2, -8.4, -7.98]), LAND, 0.02, 20)
    pairs = found.distances[["site_a", "site_b"]].to_numpy().tolist()
    assert pairs == [["s0/ä", "s1/ä"], ["s0/ä", "s2/ä"], ["s1/ä", "s2/ä"]]
    assert 12 < found.distances["sea_km"][0] < 14  # 0.2 degrees of longitude: 12.6 km along the parallel
    assert found.positions["shift_km"].tolist()[:2] == [0, 0]
    assert 0 < found.positions["shift_km"][2] < 4
    assert found.positions["in_water_of_network"].all()


def test_each_site_without_water_in_reach_is_told():
    with pytest.raises(InputError) as caught:
        site_distances(sites([-8.2, -6.5, -6.0]), LAND, 0.02, 20)
    assert [problem.place for problem in caught.value.problems] == ["locationID s1/ä", "locationID s2/ä"]
    assert "no water within 20 km" in caught.value.problems[0].found
