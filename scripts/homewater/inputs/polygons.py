"""Polygons of land and of native ranges as GeoJSON; every fault is told with its place.

`read_polygons` checks a file of the user strictly, before anything is computed. `read_land` reads a coastline for the
raster of water, the packaged one too, whose longitudes may run on beyond 180 degrees; it checks what the raster needs.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from homewater.inputs.user_text import read_text, shown
from homewater.running.errors import InputError, Problem
from homewater.tables.schema_tables import read_json

_POLYGONS = {"Polygon", "MultiPolygon"}
_WGS84 = ("CRS84", "EPSG::4326", "EPSG:4326")


def read_native_range(paths: str | list[str]) -> BaseGeometry | None:
    """Read the polygons of a species' native range; None where no file is given.

    Args:
        paths: the file, as a rule gives it: a path, or a list of at most one.

    Raises:
        InputError: on anything wrong with the file.
    """
    given = [paths] if isinstance(paths, str) else list(paths)
    if not given:
        return None
    (path,) = given
    polygons, problems = read_polygons(path, Path(path).name)
    if problems:
        raise InputError(problems)
    return polygons


def read_polygons(path: str | Path, name: str) -> tuple[BaseGeometry | None, list[Problem]]:
    """Read the polygons of a GeoJSON file (RFC 7946: longitude before latitude, WGS84).

    Args:
        path: where the file is.
        name: the file as the user wrote it, for messages.

    Returns:
        The union of all polygons (None where anything is wrong) and the problems, each with its feature, from 1.
    """
    text = read_text(path, name)
    if isinstance(text, Problem):
        return None, [text]
    try:
        content = json.loads(text, parse_constant=_refuse)
    except json.JSONDecodeError as error:
        return None, [Problem(name, f"line {error.lineno}", "", f"text that is no JSON ({error.msg})", "GeoJSON")]
    except (ValueError, RecursionError):
        return None, [Problem(name, "", "", "numbers or nesting that JSON does not allow", "GeoJSON")]
    if not isinstance(content, dict):
        return None, [
            Problem(name, "", "type", "JSON that is no GeoJSON", "a FeatureCollection, a Feature or polygons")
        ]
    system = json.dumps(content["crs"]) if content.get("crs") else "CRS84"
    if not any(known in system for known in _WGS84):
        return None, [Problem(name, "", "crs", shown(system), "degrees on WGS84 (save it as GeoJSON by RFC 7946)")]
    found, problems = [], []
    for place, geometry in _geometries(content, ""):
        polygon, problem = _polygon(geometry)
        if problem:
            problems.append(Problem(name, place, *problem))
        else:
            found.append(polygon)
    if not found and not problems:
        problems.append(Problem(name, "", "features", "no polygon", "at least one polygon"))
    return (None, problems) if problems else (shapely.union_all(found), [])


def _refuse(word: str) -> None:
    raise ValueError(word)


def _geometries(node: Any, place: str) -> list[tuple[str, Any]]:
    """Return (place, geometry) for everything that the GeoJSON holds; what is not understood stands as it is."""
    if isinstance(node, dict):
        if node.get("type") == "FeatureCollection" and isinstance(node.get("features"), list):
            return [g for i, f in enumerate(node["features"], start=1) for g in _geometries(f, f"feature {i}")]
        if node.get("type") == "Feature":
            return _geometries(node.get("geometry"), place)
        if node.get("type") == "GeometryCollection" and isinstance(node.get("geometries"), list):
            return [g for part in node["geometries"] for g in _geometries(part, place)]
    return [(place, node)]


def _polygon(geometry: Any) -> tuple[BaseGeometry | None, tuple[str, str, str] | None]:
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in _POLYGONS:
        return None, ("type", shown(str(kind)) if kind else "no geometry", "Polygon or MultiPolygon")
    try:
        parts = geometry["coordinates"] if kind == "MultiPolygon" else [geometry["coordinates"]]
        for ring in (ring for part in parts for ring in part):
            problem = _ring_problem(ring)
            if problem:
                return None, ("coordinates", *problem)
        shape = shapely.MultiPolygon([(part[0], part[1:]) for part in parts])
    except (KeyError, TypeError, IndexError, ValueError, shapely.errors.ShapelyError):
        return None, ("coordinates", "coordinates that make no polygon", "rings of [longitude, latitude] pairs")
    if shape.is_empty:
        return None, ("coordinates", "an empty polygon", "rings of [longitude, latitude] pairs")
    if not shape.is_valid:
        reason = shapely.is_valid_reason(shape)
        return None, (
            "coordinates",
            f"a polygon that is not valid ({reason})",
            "rings that do not cross or touch along a line",
        )
    return shape, None


def _ring_problem(ring: list) -> tuple[str, str] | None:
    for position in ring:
        if not (len(position) >= 2 and all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in position)):
            return shown(str(position)), "[longitude, latitude] pairs"
        if abs(position[0]) > 180 or abs(position[1]) > 90:
            allowed = "[longitude, latitude] in degrees, longitude -180 to 180 first, latitude -90 to 90"
            return shown(str(position)), allowed
    if len(ring) < 4 or ring[0] != ring[-1]:
        return (
            f"a ring of {len(ring)} positions that does not close",
            "rings of at least 4 positions, the last equal to the first",
        )
    return None


# --- land for the raster ---


def read_land(path: str | Path) -> list[dict]:
    """Return the polygons of a coastline.

    Args:
        path: GeoJSON of land polygons, plain or gzip.

    Returns:
        As `land_polygons`.

    Raises:
        InputError: where the file is no GeoJSON of polygons.
    """
    try:
        document = read_json(path)
    except (UnicodeDecodeError, json.JSONDecodeError, EOFError, OSError, zlib.error) as error:
        found, allowed = f"a file that cannot be read ({error})", "a GeoJSON file of land polygons, UTF-8"
        raise InputError(Problem(Path(path).name, "", "", found, allowed)) from error
    return land_polygons(document, Path(path).name)


def land_polygons(geojson: object, file: str) -> list[dict]:
    """Return the polygons of a GeoJSON document as a list of Polygon geometries.

    Args:
        geojson: the parsed document: FeatureCollection, Feature, GeometryCollection, Polygon or MultiPolygon.
        file: name of the file, for errors.

    Returns:
        Geometries ``{"type": "Polygon", "coordinates": [ring, ...]}``, longitude before latitude, degrees.

    Raises:
        InputError: naming each part that is no polygon or has impossible coordinates.
    """
    problems: list[Problem] = []
    polygons: list[dict] = []

    def walk(node: object, place: str) -> None:
        kind = node.get("type") if isinstance(node, dict) else None
        if kind in ("FeatureCollection", "GeometryCollection"):
            key = "features" if kind == "FeatureCollection" else "geometries"
            parts = node.get(key)
            if not isinstance(parts, list):
                problems.append(Problem(file, place, key, f"{parts!r:.60}", "a list"))
                return
            for i, part in enumerate(parts):
                walk(part, f"{place} {key[:-1]} {i}".strip())
        elif kind == "Feature":
            if node.get("geometry") is not None:
                walk(node["geometry"], place)
        elif kind in ("Polygon", "MultiPolygon"):
            coordinates = node.get("coordinates")
            for i, rings in enumerate([coordinates] if kind == "Polygon" else coordinates or []):
                fault = _ring_fault(rings)
                if fault:
                    problems.append(Problem(file, f"{place} polygon {i}".strip(), "coordinates", *fault))
                else:
                    polygons.append({"type": "Polygon", "coordinates": rings})
        else:
            problems.append(Problem(file, place, "type", f"{kind or node!r:.60}", "Polygon or MultiPolygon (land)"))

    walk(geojson, "")
    if not problems and not polygons:
        problems.append(Problem(file, "", "", "no polygon", "at least one polygon of land"))
    if problems:
        raise InputError(problems)
    return polygons


def _ring_fault(rings: object) -> tuple[str, str] | None:
    """Return (found, allowed) where a polygon's rings cannot be used, else None."""
    if not isinstance(rings, list) or not rings:
        return f"{rings!r:.60}", "a list of rings"
    for ring in rings:
        try:
            points = np.array([point[:2] for point in ring], dtype=np.float64)
        except (TypeError, ValueError, IndexError):
            return f"{ring!r:.60}", "a ring: a list of [longitude, latitude]"
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 4:
            return f"a ring of {len(ring)} points", "at least four points of two numbers, the last equal to the first"
        if not np.isfinite(points).all() or np.abs(points[:, 0]).max() > 360 or np.abs(points[:, 1]).max() > 90:
            return "coordinates beyond 360 or 90 degrees", "longitude, then latitude, in degrees on WGS 84"
    return None
