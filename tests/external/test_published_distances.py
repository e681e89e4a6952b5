"""Distances on the ellipsoid against published geodesics, and along a raster against exact arcs."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from homewater.water.land_raster import Grid
from homewater.water.sea_distance import GEOD, distances_on_grid, sea_distances

FAR_LAND = [{"type": "Polygon", "coordinates": [[[100, 10], [101, 10], [101, 11], [100, 11], [100, 10]]]}]


def angle(degrees, minutes, seconds):
    """Decimal degrees; the sign is that of the degrees."""
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


FLINDERS_PEAK = angle(-37, 57, 3.72030), angle(144, 25, 29.52440)
BUNINYONG = angle(-37, 39, 10.15610), angle(143, 55, 35.38390)

# From, to (latitude, longitude), metres, tolerance in metres. From memory, agreeing with recomputation.
GEODESICS = {
    # GDA technical manual; on GRS 80, which differs from WGS 84 by less than 0.1 mm here
    "Flinders Peak to Buninyong": (FLINDERS_PEAK, BUNINYONG, 54_972.271, 0.001),
    # nearly antipodal, where series of Vincenty's kind do not converge
    "Wellington to Salamanca": ((-41.32, 174.81), (40.96, -5.50), 19_959_679.267, 0.001),
    # Karney (2013) J Geod 87:43-55, table 2: 10,000 km from 40 N at azimuth 30
    "Karney's direct problem": ((40.0, 0.0), (41.79331020506, 137.84490004377), 10_000_000.0, 0.001),
    "quarter of a meridian": ((0.0, 20.0), (90.0, 20.0), 10_001_965.729, 0.001),
    "a degree of the equator": ((0.0, 179.5), (0.0, -179.5), 111_319.491, 0.001),
}


@pytest.mark.parametrize("name", GEODESICS)
def test_geodesics(name):
    start, end, metres, tolerance = GEODESICS[name]
    assert GEOD.inv(start[1], start[0], end[1], end[0])[2] == pytest.approx(metres, abs=tolerance)
    assert Geodesic.WGS84.Inverse(*start, *end)["s12"] == pytest.approx(metres, abs=tolerance)


# Haversine on a sphere of radius 6371.0088 km (first) and 6371 km: recomputed
SPHERE = [
    ((36.12, -86.67), (33.94, -118.40), 2886.44843),
    ((-34.83333, -58.5166646), (49.0083899664, 2.53844117956), 11099.54036),
]


@pytest.mark.parametrize(("start", "end", "km"), SPHERE)
def test_geodesics_differ_from_a_sphere_by_less_than_the_flattening_allows(start, end, km):
    """Sphere and ellipsoid differ by at most 0.554 % (2,000 random pairs, recomputed)."""
    assert GEOD.inv(start[1], start[0], end[1], end[0])[2] / 1000 == pytest.approx(km, rel=0.00554)


def test_published_geodesic_through_the_whole_function():
    """Places in neighbouring cells of open water are as far apart as their geodesic: 54.972271 km, a millimetre."""
    latitude, longitude = np.array([FLINDERS_PEAK, BUNINYONG]).T
    found = sea_distances(latitude, longitude, FAR_LAND, 0.4, 20.0)
    assert found.km[0, 1] == pytest.approx(54.972271, abs=1.5e-6)
    assert found.shift_km.tolist() == [0, 0]


def test_steps_along_a_meridian_add_up_to_its_quarter():
    """A sound one cell wide from the equator to the pole, in steps of a degree: 10 001.965729 km, 1e-5 km."""
    grid = Grid(np.ones((91, 1), dtype=bool), 90.5, 19.5, 1.0, 1.0)
    found = distances_on_grid(grid, [(0, 0), (90, 0)], [(90.0, 20.0), (0.0, 20.0)])
    assert found[0, 1] == pytest.approx(10_001.965729, abs=1e-5)


def test_steps_along_the_equator_add_up_across_the_antimeridian():
    """Twenty degrees of a sound along the equator: 20 x 111.319491 km."""
    grid = Grid(np.ones((1, 21), dtype=bool), 0.5, 169.5, 1.0, 1.0)
    found = distances_on_grid(grid, [(0, 0), (0, 20)], [(0.0, 170.0), (0.0, -170.0)])
    assert found[0, 1] == pytest.approx(20 * 111.319491, abs=2e-5)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turned", [False, True])
def test_way_around_a_wall_whichever_way_it_stands(mirrored, turned):
    """Wall in column 100, rows 0 to 149, of 201 x 201 cells; from (50, 50) to (50, 150) 2 sqrt(100^2 + 50^2) = 223.607.

    Exact geometry, or at most 1.31 % more, the bound of 32 directions; cells are 0.7 % wider than high.
    """
    water = np.ones((201, 201), dtype=bool)
    water[:150, 100] = False
    cells = [(50, 50), (50, 150)]
    if mirrored:
        water, cells = water[::-1], [(200 - r, c) for r, c in cells]
    if turned:
        water, cells = water.T, [(c, r) for r, c in cells]
    grid = Grid(np.ascontiguousarray(water), 0.1005, 10.0, 0.001, 0.001)
    places = [(grid.latitudes()[r], grid.longitudes()[c]) for r, c in cells]
    metres = distances_on_grid(grid, cells, places)[0, 1] * 1000
    assert 223.607 * 110.574 <= metres <= 223.607 * 111.319 * 1.0132
