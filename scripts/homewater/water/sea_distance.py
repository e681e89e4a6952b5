"""Distance by water: the shortest way through water between any two sites.

From each water cell of a raster 32 steps lead on (to the neighbours, and by the moves 2-1, 3-1 and 3-2); a step is
taken only if every cell that it crosses is water, and its length is the geodesic on WGS 84. In open water the way found
is at most 1 / cos(9.22 degrees) = 1.31 % longer than the geodesic, the worst direction lying midway between the moves
1-0 and 3-1.

The window around the sites is widened until no way that leaves it could be shorter than the ways found inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import Geod
from scipy import ndimage
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from homewater.water.land_raster import Grid, raster, unwrap_longitudes

GEOD = Geod(ellps="WGS84")
MARGIN_DEGREES = 1.5  # first window around the sites
MAX_LATITUDE = 88.0
_KM_DECIMALS = 6  # a millimetre: hides the last bits, in which mathematical libraries differ
# Half of the 32 moves (the other half leads back), with the cells that each crosses. A diagonal move passes a corner:
# one of the two cells there must be water (pairs below), else it would slip between two pieces of land.
_MOVES = {
    (0, 1): ([], []),
    (1, 0): ([], []),
    (1, 1): ([], [((0, 1), (1, 0))]),
    (2, 1): ([(1, 0), (1, 1)], []),
    (1, 2): ([(0, 1), (1, 1)], []),
    (3, 1): ([(1, 0), (2, 1)], [((1, 1), (2, 0))]),
    (1, 3): ([(0, 1), (1, 2)], [((1, 1), (0, 2))]),
    (3, 2): ([(1, 0), (1, 1), (2, 1), (2, 2)], []),
    (2, 3): ([(0, 1), (1, 1), (1, 2), (2, 2)], []),
}


@dataclass(frozen=True)
class SeaDistances:
    """What `sea_distances` returns.

    Attributes:
        km: float64 (n_sites, n_sites), symmetric, zero diagonal; NaN where no way by water connects two sites.
        latitude, longitude: float64 (n_sites,), the places in water, degrees.
        shift_km: float64 (n_sites,), how far each site was moved to reach water; 0 where it lay in water.
        in_network: bool (n_sites,), whether the place lies in the water that connects most sites.
        cell_degrees: the cell's height used, degrees of latitude.
    """

    km: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray
    shift_km: np.ndarray
    in_network: np.ndarray
    cell_degrees: float


def _view(water: np.ndarray, origin: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
    return water[origin[0] : origin[0] + shape[0], origin[1] : origin[1] + shape[1]]


def _open_moves(water: np.ndarray):
    """Yield (row move, column move, bool array of the starts from which the move is open, start offset)."""
    rows, columns = water.shape
    for (down, right), (crossed, corners) in _MOVES.items():
        for side in (1, -1) if down and right else (1,):
            shape = (rows - down, columns - right)
            if min(shape) <= 0:
                continue
            left = 0 if side == 1 else right  # column of the start inside the move's box
            free = _view(water, (0, left), shape) & _view(water, (down, left + side * right), shape)
            for r, c in crossed:
                free = free & _view(water, (r, left + side * c), shape)
            for (r1, c1), (r2, c2) in corners:
                free = free & (
                    _view(water, (r1, left + side * c1), shape) | _view(water, (r2, left + side * c2), shape)
                )
            yield down, side * right, free, left


def water_graph(grid: Grid) -> csr_array:
    """Return the graph of steps through water, each step once, weights in km.

    Args:
        grid: the raster.

    Returns:
        Sparse (n_cells, n_cells) float64; the cell of row r and column c is node r * n_columns + c.
    """
    rows, columns = grid.water.shape
    latitude = grid.latitudes()
    starts, ends, lengths = [], [], []
    for down, right, free, left in _open_moves(grid.water):
        r, c = np.nonzero(free)
        upper = latitude[: rows - down]
        zero = np.zeros_like(upper)
        across = np.full_like(upper, right * grid.step_longitude)
        km = GEOD.inv(zero, upper, across, upper - down * grid.step_latitude)[2] / 1000
        starts.append((r * columns + c + left).astype(np.int32))
        ends.append(((r + down) * columns + c + left + right).astype(np.int32))
        lengths.append(km[r])
    size = rows * columns
    pairs = (np.concatenate(lengths), (np.concatenate(starts), np.concatenate(ends)))
    return csr_array(pairs, shape=(size, size))


def components(water: np.ndarray) -> np.ndarray:
    """Return int32 labels of connected water, 0 on land.

    Cells that share a side are connected. A corner adds nothing: a diagonal move needs water beside the corner.
    """
    return ndimage.label(water)[0]


def nearest_water(
    grid: Grid, allowed: np.ndarray, latitude: float, longitude: float, max_km: float
) -> tuple[int, int, float] | None:
    """Return row, column and distance (km) of the nearest allowed cell within `max_km`, or None.

    The distance is 0 where the place's own cell is allowed, else that to the cell's centre. Ties go to the first cell
    in reading order.
    """
    rows, columns = grid.water.shape
    row, column = grid.cell_of(latitude, longitude)
    if 0 <= row < rows and 0 <= column < columns and allowed[row, column]:
        return row, column, 0.0
    high = int(np.ceil(max_km / 110.5 / grid.step_latitude)) + 1
    wide = int(np.ceil(max_km / (111.0 * np.cos(np.radians(min(abs(latitude) + 1, 89)))) / grid.step_longitude)) + 1
    top, first = max(0, row - high), max(0, column - wide)
    r, c = np.nonzero(allowed[top : max(0, row + high + 1), first : max(0, column + wide + 1)])
    if not len(r):
        return None
    r, c = r + top, c + first
    here = np.full(len(r), 1.0)
    km = GEOD.inv(here * longitude, here * latitude, grid.longitudes()[c], grid.latitudes()[r])[2] / 1000
    best = int(np.argmin(np.round(km, _KM_DECIMALS)))
    if km[best] > max_km:
        return None
    return int(r[best]), int(c[best]), float(km[best])


def place_sites(
    grid: Grid, latitude: np.ndarray, longitude: np.ndarray, max_snap_km: float
) -> tuple[list[tuple[int, int]], np.ndarray, np.ndarray]:
    """Move each site to the nearest water of the network that holds most sites.

    A site with no water of that network within `max_snap_km` keeps the nearest other water, and has no distances then.

    Args:
        grid: the raster.
        latitude: float64 (n_sites,), degrees.
        longitude: float64 (n_sites,), degrees, unwrapped as the grid's.
        max_snap_km: farthest shift.

    Returns:
        cells: row and column of each site; (-1, -1) where there is no water within reach.
        shift_km: float64 (n_sites,), inf where there is none.
        in_network: bool (n_sites,).
    """
    label = components(grid.water)
    nearest = [nearest_water(grid, grid.water, *place, max_snap_km) for place in zip(latitude, longitude, strict=True)]
    votes = np.bincount([label[n[0], n[1]] for n in nearest if n], minlength=label.max() + 1)
    votes[0] = 0
    if not votes.any():
        empty = np.zeros(len(latitude), dtype=bool)
        return [(-1, -1)] * len(latitude), np.full(len(latitude), np.inf), empty
    size = np.bincount(label.ravel(), minlength=len(votes))
    network = max(range(1, len(votes)), key=lambda k: (votes[k], size[k], -k))
    cells, shift, inside = [], [], []
    for place, other in zip(zip(latitude, longitude, strict=True), nearest, strict=True):
        found = nearest_water(grid, label == network, *place, max_snap_km)
        chosen = found or other or (-1, -1, np.inf)
        cells.append(chosen[:2])
        shift.append(chosen[2])
        inside.append(found is not None)
    return cells, np.array(shift), np.array(inside)


def _reached(water: np.ndarray, row: int, column: int) -> list[tuple[int, int]]:
    """Return the cell itself and the cells to which one open move leads from it."""
    rows, columns = water.shape

    def is_water(r: int, c: int) -> bool:
        return 0 <= r < rows and 0 <= c < columns and bool(water[r, c])

    cells = [(row, column)]
    for (down, right), (crossed, corners) in _MOVES.items():
        for v in (1, -1) if down else (1,):
            for h in (1, -1) if right else (1,):
                if not all(is_water(row + v * r, column + h * c) for r, c in [*crossed, (down, right)]):
                    continue
                if all(any(is_water(row + v * r, column + h * c) for r, c in pair) for pair in corners):
                    cells.append((row + v * down, column + h * right))
    return cells


def _km_between(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Return the geodesic distance between two (latitude, longitude) places, km."""
    return GEOD.inv(a[1], a[0], b[1], b[0])[2] / 1000


def distances_on_grid(
    grid: Grid, cells: list[tuple[int, int]], places: list[tuple[float, float]], sources_at_once: int = 8
) -> np.ndarray:
    """Return the shortest ways by water between places.

    Args:
        grid: the raster.
        cells: row and column of each place's water cell; (-1, -1) for a place without water.
        places: (latitude, longitude) of each place, in or at its cell.
        sources_at_once: places from which the search runs in one call; bounds memory.

    Returns:
        float64 (n, n) km, symmetric, zero diagonal, NaN where not connected.
    """
    n, (rows, columns) = len(cells), grid.water.shape
    latitudes, longitudes = grid.latitudes(), grid.longitudes()
    starts, ends, lengths = [], [], []
    size = rows * columns
    for i, (cell, place) in enumerate(zip(cells, places, strict=True)):
        if cell[0] < 0:
            continue
        reached = _reached(grid.water, *cell)
        for r, c in reached:
            starts.append(size + i)
            ends.append(r * columns + c)
            # a zero weight would be read as "no edge" by the sparse graph
            lengths.append(max(_km_between(place, (latitudes[r], longitudes[c])), 1e-9))
        for j in range(i):
            if cells[j] in reached:
                starts.append(size + i)
                ends.append(size + j)
                lengths.append(max(_km_between(place, places[j]), 1e-9))
    graph = water_graph(grid)
    rows_of = np.repeat(np.arange(size, dtype=np.int32), np.diff(graph.indptr))
    graph = csr_array(
        (
            np.concatenate([graph.data, np.array(lengths)]),
            (
                np.concatenate([rows_of, np.array(starts, dtype=np.int32)]),
                np.concatenate([graph.indices, np.array(ends, dtype=np.int32)]),
            ),
        ),
        shape=(size + n, size + n),
    )
    km = np.full((n, n), np.inf)
    for first in range(0, n, sources_at_once):
        sources = np.arange(first, min(n, first + sources_at_once))
        km[sources] = dijkstra(graph, directed=False, indices=size + sources)[:, size:]
    upper = np.triu(np.where(np.isfinite(km), np.round(km, _KM_DECIMALS), np.nan), 1)
    return upper + upper.T


def _leaving_bound(grid: Grid, places: list[tuple[float, float]]) -> np.ndarray:
    """Return, for each pair of places, the least length of a way that touches the window's edge, km (n, n)."""
    latitudes, longitudes = grid.latitudes(), grid.longitudes()
    thin = max(1, len(latitudes) // 200), max(1, len(longitudes) // 200)
    lat = np.append(latitudes[:: thin[0]], latitudes[-1])
    lon = np.append(longitudes[:: thin[1]], longitudes[-1])
    edge = np.concatenate(
        [
            np.column_stack([np.full_like(lon, lat[0]), lon]),
            np.column_stack([np.full_like(lon, lat[-1]), lon]),
            np.column_stack([lat, np.full_like(lat, lon[0])]),
            np.column_stack([lat, np.full_like(lat, lon[-1])]),
        ]
    )
    to_edge = np.array(
        [GEOD.inv(np.full(len(edge), p[1]), np.full(len(edge), p[0]), edge[:, 1], edge[:, 0])[2] / 1000 for p in places]
    )
    return (to_edge[:, None, :] + to_edge[None, :, :]).min(axis=2)


def _extent(polygons: list[dict], longitude: np.ndarray) -> tuple[float, float, float, float]:
    """Return (west, south, east, north) of the land and room around it, longitudes turned to the sites' side."""
    x = np.concatenate([[p[0] for p in polygon["coordinates"][0]] for polygon in polygons])
    y = np.concatenate([[p[1] for p in polygon["coordinates"][0]] for polygon in polygons])
    middle = (longitude.min() + longitude.max()) / 2
    x = (x - middle + 180) % 360 - 180 + middle
    room = MARGIN_DEGREES  # a way may lead round the outermost land
    return float(x.min()) - room, float(y.min()) - room, float(x.max()) + room, float(y.max()) + room


def _window(
    latitude: np.ndarray, longitude: np.ndarray, margin: float, known: tuple[float, float, float, float] | None
) -> tuple[float, float, float, float]:
    """Return the window of the sites with a margin (degrees of latitude), cut to `known` where that is given."""
    wide = margin / float(np.cos(np.radians(min(np.abs(latitude).max(), 80.0))))
    west, south = longitude.min() - wide, max(latitude.min() - margin, -MAX_LATITUDE)
    east, north = longitude.max() + wide, min(latitude.max() + margin, MAX_LATITUDE)
    if known is not None:
        first = _window(latitude, longitude, MARGIN_DEGREES, None)
        west, south = max(west, min(known[0], first[0])), max(south, min(known[1], first[1]))
        east, north = min(east, max(known[2], first[2])), min(north, max(known[3], first[3]))
    if east - west > 360:
        middle = (longitude.min() + longitude.max()) / 2
        west, east = middle - 180, middle + 180
    return float(west), float(south), float(east), float(north)


def sea_distances(
    latitude: np.ndarray, longitude: np.ndarray, polygons: list[dict], cell_degrees: float, max_snap_km: float
) -> SeaDistances:
    """Return the distances by water between all sites.

    Args:
        latitude: float64 (n_sites,), degrees on WGS 84.
        longitude: float64 (n_sites,), likewise.
        polygons: land, as `homewater.inputs.polygons` returns it. The window is not widened beyond these
            polygons' extent and MARGIN_DEGREES around it: what lies there is unknown, not sea.
        cell_degrees: height of a cell, degrees of latitude.
        max_snap_km: farthest that a site may be moved to reach water.

    Returns:
        Distances and places. A site without water within `max_snap_km` has an infinite shift; the caller decides what
        that means.
    """
    unwrapped = unwrap_longitudes(longitude)
    known = _extent(polygons, unwrapped)
    pairs = np.triu_indices(len(latitude), 1)
    margin, window, best = MARGIN_DEGREES, None, None
    while True:
        wider = _window(latitude, unwrapped, margin, known if margin > MARGIN_DEGREES else None)
        if wider == window:
            return best
        window = wider
        grid = raster(polygons, window, cell_degrees)
        latest, may_leave = _on_window(grid, latitude, unwrapped, max_snap_km)
        if best is None or _improves(latest.km[pairs], best.km[pairs]):
            best = latest
        if not np.isfinite(latest.shift_km).all():
            return best
        bound = _leaving_bound(grid, list(zip(latitude, unwrapped, strict=True)))
        settled = ~(may_leave[:, None] & may_leave[None, :]) | (best.km <= bound)
        if settled[pairs].all():
            return best
        margin *= 2


def _improves(latest: np.ndarray, best: np.ndarray) -> bool:
    """Whether a wider window connects more pairs, or shortens one by more than coarser cells may err."""
    connected = np.isfinite(latest)
    return bool((connected & np.isnan(best)).any() or (latest[connected] < 0.98 * best[connected]).any())


def _on_window(
    grid: Grid, latitude: np.ndarray, longitude: np.ndarray, max_snap_km: float
) -> tuple[SeaDistances, np.ndarray]:
    """Return the distances inside one window, and for each site whether its water reaches the window's edge."""
    cells, shift, inside = place_sites(grid, latitude, longitude, max_snap_km)
    lats, lons = grid.latitudes(), grid.longitudes()
    label = components(grid.water)
    at_edge = np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]]))
    may_leave = np.array([r >= 0 and label[r, c] in at_edge for r, c in cells])
    places = [
        (np.nan, np.nan) if r < 0 else (float(lat), float(lon)) if moved == 0 else (float(lats[r]), float(lons[c]))
        for (r, c), moved, lat, lon in zip(cells, shift, latitude, longitude, strict=True)
    ]
    km = distances_on_grid(grid, cells, places)
    where = np.array(places, dtype=np.float64).reshape(-1, 2)
    wrapped = np.where(shift == 0, (longitude + 180) % 360 - 180, (where[:, 1] + 180) % 360 - 180)
    found = SeaDistances(
        km, np.round(where[:, 0], 9), np.round(wrapped, 9), np.round(shift, _KM_DECIMALS), inside, grid.step_latitude
    )
    return found, may_leave
