"""Distances by water on the packaged coastline against a published table of distances between ports."""

import numpy as np
import pytest

from homewater.inputs.polygons import read_land
from homewater.running.clone import LAND
from homewater.water.sea_distance import sea_distances

# Nautical miles: G. Timpano, Tabella 1 (doczz.it/doc/814848). The table gives no positions: these are from memory.
PUBLISHED = {
    ("Napoli", "Bari"): 490,
    ("Bari", "Palermo"): 432,
    ("Catania", "Palermo"): 165,
    ("Bari", "Pireo"): 531,
    ("Palermo", "Pireo"): 601,
    ("Cagliari", "Marsiglia"): 349,
    ("Catania", "Malta"): 110,
    ("Gibilterra", "Malta"): 996,
    ("Gibilterra", "Pireo"): 1492,
    ("Genova", "Napoli"): 334,
    ("Napoli", "Palermo"): 167,
}
POSITIONS = {
    "Gibilterra": (36.13, -5.37),
    "Genova": (44.40, 8.91),
    "Marsiglia": (43.31, 5.34),
    "Napoli": (40.83, 14.27),
    "Palermo": (38.13, 13.37),
    "Catania": (37.49, 15.11),
    "Malta": (35.90, 14.52),
    "Cagliari": (39.20, 9.11),
    "Bari": (41.14, 16.86),
    "Pireo": (37.93, 23.62),
}
TOLERANCE = 0.04  # ports are areas, tables give lanes, and the raster rounds corners


@pytest.fixture(scope="module")
def miles():
    latitude, longitude = np.array(list(POSITIONS.values())).T
    found = sea_distances(latitude, longitude, read_land(LAND), 1 / 30, 20.0)
    assert found.in_network.all()
    return found.km / 1.852


@pytest.mark.parametrize("pair", PUBLISHED)
def test_ports_lie_as_far_apart_as_the_table_says(miles, pair):
    a, b = (list(POSITIONS).index(port) for port in pair)
    assert miles[a, b] == pytest.approx(PUBLISHED[pair], rel=TOLERANCE)
