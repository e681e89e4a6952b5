"""Invented coasts: land polygons and the places of sites along them, in degrees."""

from __future__ import annotations

import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.ops import unary_union

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


DEMO_SOUTH, DEMO_STEP = 51.6, 0.42
# Fjords of the demo coast: latitude of the mouth, length in degrees of longitude, drift northwards along it.
FJORDS = (
    (52.45, 0.7, 0.10),
    (53.28, 1.0, 0.12),
    (54.60, 0.6, -0.08),
    (55.38, 1.1, 0.15),
    (56.85, 0.8, -0.10),
    (57.48, 1.2, 0.12),
    (58.75, 1.0, 0.10),
    (59.58, 0.8, -0.12),
    (60.32, 0.6, 0.08),
)
# Islands: latitude, degrees west of the shore, half axes (degrees of longitude and latitude).
ISLANDS = (
    (52.05, 0.45, 0.14, 0.10),
    (52.86, 0.38, 0.12, 0.14),
    (54.12, 0.60, 0.28, 0.17),
    (54.36, 0.28, 0.06, 0.05),
    (55.00, 0.36, 0.10, 0.08),
    (56.22, 0.50, 0.18, 0.24),
    (56.62, 0.34, 0.08, 0.05),
    (57.90, 0.55, 0.24, 0.14),
    (58.32, 0.42, 0.16, 0.20),
    (58.48, 0.85, 0.14, 0.07),
    (59.16, 0.46, 0.14, 0.12),
    (59.90, 0.50, 0.16, 0.08),
    (60.12, 0.36, 0.08, 0.06),
)
# Where each site lies: on the open shore, up the nearest fjord, or on the seaward side of the nearest island.
_WILD_PLACES = (
    "shore shore fjord shore fjord shore island shore shore fjord shore island shore shore fjord shore island "
)
WILD_PLACES = tuple((_WILD_PLACES + "fjord shore shore").split())
FARM_PLACES = ("shore", "fjord", "shore")


def _demo_shore() -> tuple[np.ndarray, np.ndarray]:
    """Return latitude and longitude of the demo coast before fjords: a slant, long swells, and broken detail."""
    rng = np.random.default_rng(1851)  # the coast is one drawing; it does not depend on a study's seed
    level = np.array([0.0, 0.0])
    for size in 0.16 * 0.78 ** np.arange(10):  # midpoint displacement: each halving adds smaller detail
        middle = (level[:-1] + level[1:]) / 2 + rng.normal(0, size, len(level) - 1)
        level = np.insert(level, np.arange(1, len(level)), middle)
    latitude = np.linspace(50.0, 62.0, len(level))
    longitude = -7.4 - 0.28 * (latitude - 51) + 0.35 * np.sin((latitude - 51) * 1.3) + 0.8 * level
    return latitude, longitude


def demo_coast(n_wild: int = 20) -> tuple[list[dict], list[tuple[float, float]]]:
    """Return the invented coast of the demo study: a long mainland with fjords, islands and sounds.

    Args:
        n_wild: wild sites, south to north; farms follow.

    Returns:
        GeoJSON features of the land, and (latitude, longitude) of each wild site and each farm.
    """
    latitude, longitude = _demo_shore()
    shore = list(zip(longitude.tolist(), latitude.tolist(), strict=True))
    land = Polygon([*shore, (-3.0, 62.0), (-3.0, 50.0)]).buffer(0)
    middles, cuts = {}, []
    for mouth, length, drift in FJORDS:
        start = float(np.interp(mouth, latitude, longitude))
        along = np.linspace(0, 1, 9)
        course = np.column_stack(
            [start - 0.25 + (length + 0.25) * along, mouth + drift * np.sin(2.2 * along) + 0.03 * np.sin(9 * along)]
        )
        for a, b, width in zip(course[:-1], course[1:], np.linspace(0.07, 0.028, 8), strict=True):
            cuts.append(LineString([a, b]).buffer(width, quad_segs=3))
        arm = course[6] + [0.02, -np.sign(drift) * 0.16]  # a side arm
        cuts.append(LineString([course[4], arm]).buffer(0.028, quad_segs=3))
        middles[mouth] = (float(course[5, 1]), float(course[5, 0]))
    land = land.difference(unary_union(cuts))
    parts = sorted(getattr(land, "geoms", [land]), key=lambda part: -part.area)
    features = [feature(parts[0].simplify(0.002), "mainland")]
    skerries = [part.simplify(0.002) for part in parts[1:] if part.area > 1e-4]
    features += [feature(part, f"skerry {number}") for number, part in enumerate(skerries, 1)]
    rng = np.random.default_rng(1852)
    shores = {}
    for number, (middle, offset, wide, high) in enumerate(ISLANDS, 1):
        centre = float(np.interp(middle, latitude, longitude)) - offset
        angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
        waves = [rng.normal(0, 0.26 / np.sqrt(k)) * np.cos(k * angle + rng.uniform(0, 6)) for k in range(2, 12)]
        radius = 1 + 0.6 * np.clip(sum(waves), -0.8, 0.8)
        ring = Polygon(
            np.column_stack([centre + wide * radius * np.cos(angle), middle + high * radius * np.sin(angle)])
        )
        ring = ring.difference(parts[0].buffer(0.06))  # a sound stays open between island and mainland
        ring = max(getattr(ring, "geoms", [ring]), key=lambda part: part.area)
        features.append(feature(ring, f"island {number}"))
        shores[middle] = (middle, round(ring.bounds[0] - 0.04, 4))
    places = []
    for number, kind in enumerate(WILD_PLACES[:n_wild] + FARM_PLACES):
        north = DEMO_SOUTH + DEMO_STEP * min(number, n_wild - 1) + 0.34 * max(0, number - n_wild + 1)
        if kind == "fjord":
            place = middles[min(middles, key=lambda mouth: abs(mouth - north))]
        elif kind == "island":
            place = shores[min(shores, key=lambda middle: abs(middle - north))]
        else:
            near = (latitude > north - 0.03) & (latitude < north + 0.03)
            place = (north, float(longitude[near].min()) - 0.05)
        places.append((round(place[0], 4), round(place[1], 4)))
    return features, places
