"""Polygons: what they enclose is what the winding of their rings says, and faults are told with their place."""

import itertools
import json

import numpy as np
import pytest
import shapely

from homewater.inputs.polygons import land_polygons, read_polygons
from homewater.running.errors import InputError

SQUARE = [[-8, 56], [-6, 56], [-6, 59], [-8, 59], [-8, 56]]


def polygon(*rings, kind="Polygon"):
    return {"type": kind, "coordinates": list(rings)}


def collection(*geometries):
    features = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    return {"type": "FeatureCollection", "features": features}


def polygons_of(folder, content):
    path = folder / "range.geojson"
    text = content if isinstance(content, (str, bytes)) else json.dumps(content)
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    shape, problems = read_polygons(path, "range.geojson")
    assert (shape is None) == bool(problems)
    return shape, [(p.place, p.column, p.found) for p in problems]


def test_polygons_of_every_kind_are_joined(tmp_path):
    """A point lies within exactly where winding round the rings says so (even-odd rule, written out here)."""
    hole = [[-7.5, 57], [-7, 57], [-7, 58], [-7.5, 58], [-7.5, 57]]
    other = [[-4, 50], [-3, 50], [-3.5, 51], [-4, 50]]
    shape, problems = polygons_of(
        tmp_path,
        collection(
            polygon(SQUARE, hole), {"type": "GeometryCollection", "geometries": [polygon([other], kind="MultiPolygon")]}
        ),
    )
    assert problems == []

    def inside(x, y):
        crossings = 0
        for ring in (SQUARE, hole, other):
            for (x1, y1), (x2, y2) in itertools.pairwise(ring):
                if (y1 > y) != (y2 > y) and x < (x2 - x1) * (y - y1) / (y2 - y1) + x1:
                    crossings += 1
        return crossings % 2 == 1

    rng = np.random.default_rng(11)
    x, y = rng.uniform(-9, -2, 500), rng.uniform(49, 60, 500)
    expected = [inside(a, b) for a, b in zip(x, y, strict=True)]
    assert 0 < sum(expected) < 500
    assert shapely.intersects_xy(shape, x, y).tolist() == expected
    for bare in (polygon(SQUARE), {"type": "Feature", "geometry": polygon(SQUARE)}):
        assert polygons_of(tmp_path, bare)[0].area == 6


@pytest.mark.parametrize(
    ("content", "place", "column", "found"),
    [
        ('{"type":\n nonsense}', "line 2", "", "text that is no JSON (Expecting value)"),
        ('{"type": NaN}', "", "", "numbers or nesting that JSON does not allow"),
        ("[" * 100_000, "", "", "numbers or nesting that JSON does not allow"),
        (b"\xff", "line 1", "", "byte 0xFF, which is not UTF-8"),
        ("[]", "", "type", "JSON that is no GeoJSON"),
        ({"type": "FeatureCollection", "features": []}, "", "features", "no polygon"),
        (collection(polygon(SQUARE), {"type": "Point", "coordinates": [1, 2]}), "feature 2", "type", "Point"),
        (collection(None), "feature 1", "type", "no geometry"),
        (collection(polygon()), "feature 1", "coordinates", "coordinates that make no polygon"),
        (collection(polygon(SQUARE[:-1])), "feature 1", "coordinates", "a ring of 4 positions that does not close"),
        (collection(polygon([[0, "1"]])), "feature 1", "coordinates", "[0, '1']"),
        (collection(polygon([[y * 1000, x] for x, y in SQUARE])), "feature 1", "coordinates", "[56000, -8]"),
        (collection({"type": "Polygon"}), "feature 1", "coordinates", "coordinates that make no polygon"),
        (
            collection(polygon([[0, 0], [2, 2], [2, 0], [0, 2], [0, 0]])),
            "feature 1",
            "coordinates",
            "a polygon that is not valid (Self-intersection[1 1])",
        ),
        (
            {**collection(polygon(SQUARE)), "crs": {"type": "name", "properties": {"name": "EPSG:27700"}}},
            "",
            "crs",
            '{"type": "name", "properties": {"name": "EPSG:27700"}}',
        ),
    ],
)
def test_what_is_no_polygon_is_told_with_its_feature(tmp_path, content, place, column, found):
    assert polygons_of(tmp_path, content)[1] == [(place, column, found)]


def test_the_usual_name_of_the_usual_system_is_allowed(tmp_path):
    """The name that older writers of GeoJSON give to degrees on WGS84."""
    system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert polygons_of(tmp_path, {**collection(polygon(SQUARE)), "crs": system})[1] == []


@pytest.mark.parametrize(
    ("document", "place", "words"),
    [
        ({"type": "FeatureCollection", "features": []}, "", "no polygon"),
        ({"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}}, "", "LineString"),
        (
            {"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": {"type": "Point"}}]},
            "feature 0",
            "Point",
        ),
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [0, 0]]]}, "polygon 0", "a ring of 3 points"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [0, 100], [1, 1], [0, 0]]]}, "polygon 0", "beyond"),
        ([1, 2], "", "[1, 2]"),
    ],
)
def test_a_coastline_that_is_none_is_refused_with_its_place(document, place, words):
    with pytest.raises(InputError) as caught:
        land_polygons(document, "coast.geojson")
    problem = caught.value.problems[0]
    assert problem.place == place
    assert problem.file == "coast.geojson"
    assert words in problem.found
