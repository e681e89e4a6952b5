"""Distance by water against exact geometry."""

import math

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from homewater.water.land_raster import Grid, raster, unwrap_longitudes
from homewater.water.sea_distance import GEOD, distances_on_grid, sea_distances

WORST_OPEN_WATER = 1 / math.cos(math.atan(1 / 3) / 2)  # midway between the moves 1-0 and 3-1; exact geometry


def box(west, south, east, north):
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Polygon", "coordinates": [ring]}


def geodesic(a, b):
    return GEOD.inv(a[1], a[0], b[1], b[0])[2] / 1000


def km(places, polygons, cell=0.02, max_snap=20.0):
    latitude, longitude = np.array(places, dtype=float).T
    return sea_distances(latitude, longitude, polygons, cell, max_snap)


FAR_LAND = [box(-40, 40, -39.9, 40.1)]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("middle", [0.0, 55.0])
def test_open_water_is_the_geodesic_within_the_stated_bound(seed, middle):
    rng = np.random.default_rng(seed)
    places = np.column_stack([rng.uniform(middle - 1, middle + 1, 6), rng.uniform(-22, -20, 6)])
    found = km(places, FAR_LAND)
    for i in range(6):
        for j in range(i):
            exact = geodesic(places[i], places[j])
            assert exact * 0.999999 <= found.km[i, j] <= exact * (WORST_OPEN_WATER + 0.01) + 1e-9


def test_places_in_one_cell_keep_their_distance():
    """Two jetties 300 m apart share a cell and are still 300 m apart."""
    places = [(55.001, -20.001), (55.0037, -20.001), (55.5, -20.0)]
    found = km(places, FAR_LAND)
    assert found.km[0, 1] == pytest.approx(geodesic(places[0], places[1]), abs=1e-6)
    assert found.shift_km.tolist() == [0, 0, 0]


def test_way_around_a_wall():
    """A wall in column 100, rows 0 to 149: from (50, 50) to (50, 150) the way is 223.607 cells, exact geometry.

    The grid lies on the equator, where a cell of 1/1000 degree is flat to a few parts in a thousand.
    """
    water = np.ones((201, 201), dtype=bool)
    water[:150, 100] = False
    grid = Grid(water, north=0.1005, west=10.0, step_latitude=0.001, step_longitude=0.001)
    cells = [(50, 50), (50, 150)]
    places = [(grid.latitudes()[r], grid.longitudes()[c]) for r, c in cells]
    metres = 111.0  # 0.001 degree: 110.574 m of latitude and 111.319 m of longitude at the equator
    found = distances_on_grid(grid, cells, places)[0, 1] * 1000 / metres
    assert found == pytest.approx(223.607, rel=0.012)
    assert found > 100 * 1.003  # straight through the wall would be 100


def test_a_way_does_not_slip_between_two_pieces_of_land_that_touch_at_a_corner():
    water = np.ones((20, 20), dtype=bool)
    for i in range(20):
        water[i, i] = False
    grid = Grid(water, 0.2, 10.0, 0.01, 0.01)
    cells = [(15, 2), (2, 15)]
    places = [(grid.latitudes()[r], grid.longitudes()[c]) for r, c in cells]
    assert np.isnan(distances_on_grid(grid, cells, places)[0, 1])


def test_a_sound_one_cell_wide_stays_open():
    water = np.zeros((21, 21), dtype=bool)
    water[:, :5] = water[:, 16:] = True
    water[10, :] = True
    grid = Grid(water, 0.21, 10.0, 0.01, 0.01)
    cells = [(10, 2), (10, 18)]
    places = [(grid.latitudes()[r], grid.longitudes()[c]) for r, c in cells]
    assert distances_on_grid(grid, cells, places)[0, 1] == pytest.approx(geodesic(*places), rel=1e-6)


def slow_grid_distances(grid, cells):
    """Second version: the 32 moves one by one, each checked by walking along it in small steps."""
    rows, columns = grid.water.shape
    lats, lons = grid.latitudes(), grid.longitudes()
    weight = {}
    moves = [(a, b) for a in range(-3, 4) for b in range(-3, 4) if math.gcd(a, b) == 1 and max(abs(a), abs(b)) <= 3]
    assert len(moves) == 32
    for r in range(rows):
        for c in range(columns):
            for dr, dc in moves:
                if not (0 <= r + dr < rows and 0 <= c + dc < columns):
                    continue
                steps = 997  # prime: no sample falls on a corner, where the walk would change cell ambiguously
                walked = {(round(r + dr * t / steps), round(c + dc * t / steps)) for t in range(steps + 1)}
                if not all(grid.water[cell] for cell in walked):
                    continue
                if {abs(dr), abs(dc)} in ({1}, {1, 3}):  # passes a corner: water on one side of it at least
                    middle = (r + dr / 2, c + dc / 2)
                    around = {
                        (math.floor(middle[0]) + i, math.floor(middle[1]) + j) for i in (0, 1) for j in (0, 1)
                    } - walked
                    if not any(grid.water[cell] for cell in around):
                        continue
                weight[r * columns + c, (r + dr) * columns + c + dc] = geodesic(
                    (lats[r], lons[c]), (lats[r + dr], lons[c + dc])
                )
    index = np.array(list(weight)).T
    graph = csr_array((list(weight.values()), tuple(index)), shape=(rows * columns,) * 2)
    nodes = [r * columns + c for r, c in cells]
    return dijkstra(graph, indices=nodes)[:, nodes]


@pytest.mark.parametrize("seed", range(4))
def test_ways_equal_those_of_a_slow_search_move_by_move(seed):
    rng = np.random.default_rng(seed)
    water = rng.random((14, 12)) > 0.35
    grid = Grid(water, 55.0, -20.0, 0.05, 0.09)
    cells = [tuple(map(int, cell)) for cell in rng.permutation(np.argwhere(water))[:6]]
    places = [(float(grid.latitudes()[r]), float(grid.longitudes()[c])) for r, c in cells]
    slow = slow_grid_distances(grid, cells)
    np.testing.assert_allclose(
        distances_on_grid(grid, cells, places), np.where(np.isinf(slow), np.nan, slow), atol=2e-6
    )


def test_symmetric_and_no_detour_is_shorter():
    rng = np.random.default_rng(5)
    polygons = [box(-21, 54.2, -20.8, 56.5), box(-20.5, 53, -20.2, 55.4)]
    places = np.column_stack([rng.uniform(54, 56, 9), rng.uniform(-22, -19, 9)])
    found = km(places, polygons).km
    np.testing.assert_array_equal(found, found.T)
    detour = (found[:, :, None] + found[None, :, :]).min(axis=1)
    assert (found <= detour + 1e-5).all()


def test_more_land_never_shortens():
    places = [(54.5, -21.5), (54.5, -19.5), (55.5, -20.5)]
    polygons = [box(-21, 54.2, -20.8, 55.0)]
    fewer = km(places, [*FAR_LAND, *polygons]).km
    more = km(places, [*FAR_LAND, *polygons, box(-20.2, 53.9, -20.0, 54.9)]).km
    assert (more >= fewer).all()
    assert more[0, 1] > fewer[0, 1]


def test_across_the_antimeridian():
    """1 degree of the equator is 111.319491 km, also where longitudes change sign (WGS 84: a pi / 180)."""
    found = km([(0.0, 179.5), (0.0, -179.5)], [box(170, 20, 171, 21)])
    assert 111.319491 <= found.km[0, 1] <= 111.319491 * WORST_OPEN_WATER
    wall = km([(0.0, 179.5), (0.0, -179.5)], [box(179.9, -0.3, 180, 0.3), box(-180, -0.3, -179.9, 0.3)])
    assert wall.km[0, 1] > found.km[0, 1] + 1
    assert wall.longitude.tolist() == [179.5, -179.5]


def test_the_window_is_widened_until_the_way_around_is_found():
    """An island ten degrees long between the two sites: the way around it leaves the first window."""
    island = [box(-20.2, 50, -20, 60)]
    found = km([(55.0, -20.6), (55.0, -19.6)], island, cell=0.05)
    corner = geodesic((55.0, -20.6), (60.0, -20.2)) + geodesic((60.0, -20.0), (55.0, -19.6))
    assert corner < found.km[0, 1] < corner * 1.06


def test_a_site_on_land_is_shifted_and_the_shift_told():
    found = km([(55.0, -19.95), (55.5, -20.5), (54.5, -20.5)], [box(-20, 54, -19, 56)])
    assert found.shift_km[1:].tolist() == [0, 0]
    exact = geodesic((55.0, -19.95), (55.0, -20.0))
    assert exact <= found.shift_km[0] < exact + 2.5
    assert found.longitude[0] < -20
    assert found.in_network.all()


def test_a_site_in_other_water_has_no_distance_and_says_so():
    land = [
        {
            "type": "Polygon",
            "coordinates": [box(-19.5, 54, -17, 56)["coordinates"][0], box(-18.5, 54.8, -18, 55.2)["coordinates"][0]],
        }
    ]
    found = km([(55.0, -20), (54.8, -20), (55.0, -18.25)], land)
    assert found.in_network.tolist() == [True, True, False]
    assert np.isnan(found.km[2, :2]).all()
    assert found.km[0, 1] > 0


def test_no_water_within_reach_gives_an_infinite_shift():
    found = km([(55.0, -20.5), (55.0, -18.5)], [box(-20, 54, -17, 56)], max_snap=5)
    assert found.shift_km[0] == 0
    assert np.isinf(found.shift_km[1])


def test_one_site():
    found = km([(55.0, -20.5)], FAR_LAND)
    assert found.km.tolist() == [[0.0]]


def test_cells_are_made_coarser_only_where_the_window_needs_it(monkeypatch):
    monkeypatch.setattr("homewater.water.land_raster.MAX_CELLS", 10_000)
    grid = raster(FAR_LAND, (-22, 54, -19, 57), 0.001)
    assert grid.water.size < 10_500
    assert grid.step_latitude > 0.001
    monkeypatch.setattr("homewater.water.land_raster.MAX_CELLS", 1_000_000)
    assert raster(FAR_LAND, (-22, 54, -19, 57), 0.1).step_latitude == 0.1


def test_longitudes_unwrap_at_their_widest_gap():
    assert unwrap_longitudes(np.array([179.0, -178.0])).tolist() == [179.0, 182.0]
    assert unwrap_longitudes(np.array([-20.0, 10.0])).tolist() == [-20.0, 10.0]
