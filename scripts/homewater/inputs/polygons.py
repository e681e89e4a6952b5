"""Polygons of the user (land, native ranges) as GeoJSON; every fault told with its place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from homewater.inputs.user_text import read_text, shown
from homewater.running.errors import InputError, Problem

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
