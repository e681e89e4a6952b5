"""Invented coasts: land polygons and the places of sites along them, in degrees."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon

SMALL_SOUTH, SMALL_STEP, SMALL_SHORE = 54.6, 0.3, -9.0


def feature(polygon: Polygon, name: str) -> dict:
    """Return a GeoJSON feature (RFC 7946: outer rings anticlockwise), coordinates to 4 decimals (about 10 m)."""
    rings = [polygon.exterior, *polygon.interiors]
    coordinates = []
    for number, ring in enumerate(rings):
        points = list(ring.coords)
        if ring.is_ccw != (number == 0):
            points = points[::-1]
        coordinates.append([[round(x, 4), round(y, 4)] for x, y in points])
    return {
        "type": "Feature",
        "properties": {"name": name},
        "geometry": {"type": "Polygon", "coordinates": coordinates},
    }


def box_feature(west: float, south: float, east: float, north: float, name: str) -> dict:
    """Return a rectangle as a GeoJSON feature."""
    return feature(Polygon([(west, south), (east, south), (east, north), (west, north)]), name)


def _small_shore(latitude: np.ndarray) -> np.ndarray:
    """Return the longitude of the small coast's shore."""
    return SMALL_SHORE + 0.08 * np.sin(2 * np.pi * np.asarray(latitude) / 0.9)


def small_coast(n_sites: int, n_beyond: int, fjords: bool = True) -> tuple[list[dict], list[tuple[float, float]]]:
    """Return a short coast that faces west, for tests.

    Args:
        n_sites: sites within the native range, south to north, 0.3 degrees apart.
        n_beyond: further sites to the north.
        fjords: whether a fjord cuts in behind the second site and an island lies off the third.

    Returns:
        GeoJSON features of the land, and (latitude, longitude) of each site, about 4 km off the shore.
    """
    n = n_sites + n_beyond
    south, north = SMALL_SOUTH - 0.4, SMALL_SOUTH + SMALL_STEP * n + 0.4
    latitudes = np.linspace(south, north, 20 * n + 1)
    shore = [(float(x), float(y)) for x, y in zip(_small_shore(latitudes), latitudes, strict=True)]
    land = Polygon([*shore, (SMALL_SHORE + 1.0, north), (SMALL_SHORE + 1.0, south)])
    features = []
    if fjords:
        mouth = SMALL_SOUTH + SMALL_STEP
        land = land.difference(
            Polygon([(-9.3, mouth - 0.05), (-9.3, mouth + 0.05), (-8.5, mouth + 0.09), (-8.45, mouth + 0.03)])
        )
        middle = SMALL_SOUTH + 2 * SMALL_STEP
        island = Polygon(
            [(-9.25 + 0.05 * np.cos(a), middle + 0.07 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 24, False)]
        )
        features.append(feature(island, "Outer Skerry"))
    features.insert(0, feature(land, "mainland"))
    at = SMALL_SOUTH + SMALL_STEP * np.arange(n)
    places = [(round(float(y), 4), round(float(x) - 0.07, 4)) for x, y in zip(_small_shore(at), at, strict=True)]
    return features, places
