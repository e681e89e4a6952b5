"""Rasters of water, made from the polygons of land.

The raster's cells are as wide as they are high on the ground (the longitude step is widened by 1 / cos of the middle
latitude). A cell is land where its centre is, so a sound stays open as long as centres fall into it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from rasterio.features import rasterize
from rasterio.transform import Affine

MAX_CELLS = 2_000_000  # beyond this the cells are made coarser; keeps a run within about 2.5 GB and some minutes


@dataclass(frozen=True)
class Grid:
    """A raster of water on the globe.

    Attributes:
        water: bool (n_rows, n_columns), True where the cell's centre is water; row 0 is the northernmost.
        north, west: outer edge of the first row and column, degrees; west may lie beyond -180 or +180.
        step_latitude, step_longitude: size of a cell, degrees.
    """

    water: np.ndarray
    north: float
    west: float
    step_latitude: float
    step_longitude: float

    def latitudes(self) -> np.ndarray:
        """Return the latitudes of the rows' centres, float64 (n_rows,)."""
        return self.north - (np.arange(self.water.shape[0]) + 0.5) * self.step_latitude

    def longitudes(self) -> np.ndarray:
        """Return the longitudes of the columns' centres, float64 (n_columns,), unwrapped."""
        return self.west + (np.arange(self.water.shape[1]) + 0.5) * self.step_longitude

    def cell_of(self, latitude: float, longitude: float) -> tuple[int, int]:
        """Return row and column of the cell that holds a place (longitude unwrapped as the grid's)."""
        return int((self.north - latitude) // self.step_latitude), int((longitude - self.west) // self.step_longitude)


def unwrap_longitudes(longitude: np.ndarray) -> np.ndarray:
    """Return longitudes shifted by 360 degrees so that the widest gap between neighbours lies outside their range.

    Args:
        longitude: float64 (n,), degrees in [-180, 180].

    Returns:
        float64 (n,), a range of at most 360 degrees; sites on both sides of the antimeridian come to lie together.
    """
    ordered = np.unique(longitude)
    gaps = np.diff(np.append(ordered, ordered[0] + 360))
    widest = int(np.argmax(gaps))
    start = ordered[(widest + 1) % len(ordered)]
    shifted = np.where(longitude < start, longitude + 360, longitude)
    return shifted if shifted.max() <= 360 else shifted - 360


def raster(polygons: list[dict], window: tuple[float, float, float, float], cell_degrees: float) -> Grid:
    """Return the raster of a window.

    Args:
        polygons: land, as `homewater.inputs.polygons.land_polygons` returns it.
        window: (west, south, east, north), degrees, longitudes unwrapped.
        cell_degrees: height of a cell, degrees of latitude; made coarser where the window has more than MAX_CELLS.

    Returns:
        The grid; a cell is land where its centre lies in a polygon.
    """
    west, south, east, north = window
    stretch = 1 / np.cos(np.radians((south + north) / 2))
    cells = (north - south) * (east - west) / (cell_degrees**2 * stretch)
    step = cell_degrees * max(1.0, float(np.sqrt(cells / MAX_CELLS)))
    step_longitude = step * float(stretch)
    shape = (max(1, int(np.ceil((north - south) / step))), max(1, int(np.ceil((east - west) / step_longitude))))
    land = np.zeros(shape, dtype=np.uint8)
    for turn in (-360.0, 0.0, 360.0):
        near = [p for p in polygons if _meets(p, window, turn)]
        if near:
            transform = Affine(step_longitude, 0, west - turn, 0, -step, north)
            land |= rasterize(near, out_shape=shape, transform=transform, fill=0, default_value=1, dtype="uint8")
    return Grid(land == 0, north, west, step, step_longitude)


def _meets(polygon: dict, window: tuple[float, float, float, float], turn: float) -> bool:
    ring = polygon["coordinates"][0]
    x, y = [p[0] + turn for p in ring], [p[1] for p in ring]
    west, south, east, north = window
    return min(x) <= east and max(x) >= west and min(y) <= north and max(y) >= south
