"""The map: land, sites by unit, jurisdictions and the lines between units."""

from __future__ import annotations

import math
from dataclasses import dataclass

import matplotlib
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as DrawnPath
from shapely.geometry import LineString, MultiPoint, Polygon, box, shape
from shapely.ops import unary_union

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.tables.unit_names import unit_index

MAX_HEIGHT_MM = 140
KM_PER_DEGREE = 111.195


@dataclass(frozen=True)
class MapSite:
    """One site as drawn.

    Attributes:
        site: label.
        longitude: degrees; latitude: degrees.
        unit: unit id, or empty where there is no local stock.
        jurisdiction: its name.
        kind: ``wild``, ``farm`` or ``hatchery``.
        contact_zone: whether units meet there.
    """

    site: str
    longitude: float
    latitude: float
    unit: str
    jurisdiction: str
    kind: str
    contact_zone: bool = False


class Projection:
    """Equirectangular about the middle of the sites: x and y in km, longitudes unwrapped around the middle."""

    def __init__(self, longitudes: np.ndarray, latitudes: np.ndarray):
        angle = np.deg2rad(longitudes)
        self.longitude = math.degrees(math.atan2(np.sin(angle).mean(), np.cos(angle).mean()))
        self.latitude = float((latitudes.min() + latitudes.max()) / 2)
        self.scale = math.cos(math.radians(self.latitude))

    def __call__(self, coordinates: np.ndarray) -> np.ndarray:
        """Return km east and north of the middle for an array (n, 2) of longitude and latitude."""
        longitude = (coordinates[:, 0] - self.longitude + 180) % 360 - 180
        latitude = coordinates[:, 1] - self.latitude
        return np.column_stack([longitude * self.scale, latitude]) * KM_PER_DEGREE

    def window_degrees(self, bounds: tuple[float, float, float, float]) -> list[Polygon]:
        """Return the window (km) as boxes in degrees, two where it crosses the antimeridian."""
        west, east = (self.longitude + x / (self.scale * KM_PER_DEGREE) for x in (bounds[0], bounds[2]))
        south, north = (self.latitude + y / KM_PER_DEGREE for y in (bounds[1], bounds[3]))
        boxes = [box(west + shift, south, east + shift, north) for shift in (-360, 0, 360)]
        world = box(-180, -90, 180, 90)
        return [b.intersection(world) for b in boxes if b.intersects(world) and b.intersection(world).area > 0]


def land_in_window(geojson: dict, projection: Projection, bounds: tuple[float, float, float, float]) -> list[Polygon]:
    """Return the land polygons inside the window, in km.

    Args:
        geojson: FeatureCollection, Feature or geometry of land polygons (degrees, WGS 84).
        projection: the map's projection.
        bounds: west, south, east, north of the window, km.
    """
    features = geojson.get("features", [geojson])
    shapes = [shape(f.get("geometry") or f) for f in features]
    found = []
    for window in projection.window_degrees(bounds):
        for land in shapes:
            if not land.intersects(window):
                continue
            clipped = shapely.make_valid(land).intersection(window)
            projected = shapely.transform(clipped, projection)
            found += [g for g in getattr(projected, "geoms", [projected]) if isinstance(g, Polygon) and not g.is_empty]
    return found


def _patch(polygon: Polygon, **look: object) -> PathPatch:
    rings = [polygon.exterior, *polygon.interiors]
    vertices = np.concatenate([np.asarray(ring.coords)[:, :2] for ring in rings])
    codes = np.concatenate(
        [[DrawnPath.MOVETO, *[DrawnPath.LINETO] * (len(ring.coords) - 2), DrawnPath.CLOSEPOLY] for ring in rings]
    )
    return PathPatch(DrawnPath(vertices, codes), **look)


def _window(
    points: np.ndarray, width_mm: float, max_height_mm: float
) -> tuple[tuple[float, float, float, float], float, float]:
    """Return the window (km) around the points, and the width and height of the map in mm.

    A coast that runs north and south gets a narrow map, so that text can stand beside it.
    """
    low, high = points.min(axis=0), points.max(axis=0)
    span = np.maximum(high - low, 10.0)
    span, middle = span + 0.24 * span.max() + 4, (low + high) / 2
    height_mm = float(np.clip(width_mm * span[1] / span[0], min(70, max_height_mm), max_height_mm))
    width = float(np.clip(height_mm * span[0] / span[1], min(88, width_mm), width_mm))
    if span[1] / span[0] > height_mm / width:
        span[0] = span[1] * width / height_mm
    else:
        span[1] = span[0] * height_mm / width
    west, south = middle - span / 2
    return (float(west), float(south), float(west + span[0]), float(south + span[1])), width, height_mm


def _place_labels(axes: Axes, points: np.ndarray, labels: list[str], size: float) -> None:
    """Write each label beside its mark, at the first of twelve places that covers no mark and no earlier label."""
    figure = axes.figure
    renderer = figure.canvas.get_renderer()
    pixels = axes.transData.transform(points)
    unit = figure.dpi / 72
    taken = [(x - 4 * unit, y - 4 * unit, x + 4 * unit, y + 4 * unit) for x, y in pixels]
    frame = axes.get_window_extent(renderer)
    spots = [(5, 0), (-5, 0), (4, 5), (4, -5), (-4, 5), (-4, -5), (0, 7), (0, -7), (9, 9), (9, -9), (-9, 9), (-9, -9)]
    for (x, y), point, label in zip(pixels, points, labels, strict=True):
        text = axes.text(0, 0, label, fontsize=size, parse_math=False, color=fs.INK, zorder=9)
        extent = text.get_window_extent(renderer)
        best = None
        for rank, (dx, dy) in enumerate(spots):
            horizontal = "left" if dx > 0 else "right" if dx < 0 else "center"
            vertical = "center" if dy == 0 else "bottom" if dy > 0 else "top"
            left = x + dx * unit - {"left": 0, "right": extent.width, "center": extent.width / 2}[horizontal]
            bottom = y + dy * unit - {"center": extent.height / 2, "bottom": 0, "top": extent.height}[vertical]
            area = (left, bottom, left + extent.width, bottom + extent.height)
            cost = sum(
                max(0, min(area[2], t[2]) - max(area[0], t[0])) * max(0, min(area[3], t[3]) - max(area[1], t[1]))
                for t in taken
            )
            outside = area[0] < frame.x0 or area[1] < frame.y0 or area[2] > frame.x1 or area[3] > frame.y1
            key = (outside, cost, rank)
            if best is None or key < best[0]:
                best = (key, dx, dy, horizontal, vertical, area)
        _, dx, dy, horizontal, vertical, area = best
        text.remove()
        axes.annotate(
            label,
            point,
            (dx, dy),
            textcoords="offset points",
            ha=horizontal,
            va=vertical,
            fontsize=size,
            color=fs.INK,
            parse_math=False,
            zorder=9,
        )
        taken.append(area)


def _outline(points: np.ndarray, reach: float) -> Polygon:
    """Return one outline around the points: the shortest tree that joins them, made as wide as `reach` (km)."""
    inside, lines = [0], []
    while len(inside) < len(points):
        _, i, j = min(
            (float(np.hypot(*(points[i] - points[j]))), i, j)
            for i in inside
            for j in range(len(points))
            if j not in inside
        )
        inside.append(j)
        lines.append(LineString([points[i], points[j]]))
    return unary_union([MultiPoint(points).buffer(reach), *[line.buffer(reach * 0.8) for line in lines]])


def _draw_jurisdictions(axes: Axes, sites: list[MapSite], points: np.ndarray, reach: float) -> None:
    names = list(dict.fromkeys(s.jurisdiction for s in sites if s.jurisdiction))
    for number, name in enumerate(names):
        own = points[[i for i, s in enumerate(sites) if s.jurisdiction == name]]
        area = _outline(own, reach)
        for part in getattr(area, "geoms", [area]):
            dashes = [(1, 1.6), (4, 1.6), (4, 1.4, 1, 1.4), (8, 2)][number % 4]
            axes.add_patch(
                _patch(part, facecolor="none", edgecolor=fs.SOFT, linewidth=0.7, linestyle=(0, dashes), zorder=4)
            )
        _name_outline(axes, area, name)


def _name_outline(axes: Axes, area: Polygon, name: str) -> None:
    """Write a name beside the middle of an outline, where it stays inside the map; a word a line where it must."""
    west, south, east, north = area.bounds
    middle = (south + north) / 2
    across = area.intersection(LineString([(west - 1, middle), (east + 1, middle)]))
    west, east = (across.bounds[0], across.bounds[2]) if not across.is_empty else (west, east)
    look = {"fontsize": 7, "color": fs.SOFT, "parse_math": False, "zorder": 8, "va": "center"}
    renderer = axes.figure.canvas.get_renderer()
    frame = axes.get_window_extent(renderer)
    words = [" ".join(word) for word in name.upper().split()]
    text = None
    for lines in ("   ".join(words), "\n".join(words)):
        for x, shift, side in ((west, -4, "right"), (east, 4, "left")):
            if text is not None:
                text.remove()
            text = axes.annotate(lines, (x, middle), (shift, 0), textcoords="offset points", ha=side, **look)
            extent = text.get_window_extent(renderer)
            if frame.x0 <= extent.x0 and extent.x1 <= frame.x1:
                return


def _draw_scale(axes: Axes, bounds: tuple[float, float, float, float], words: Catalogue) -> None:
    span = bounds[2] - bounds[0]
    length = max(n * 10**e for e in range(-1, 5) for n in (1, 2, 5) if n * 10**e <= span / 4)
    x, y = bounds[0] + 0.03 * span, bounds[1] + 0.03 * span
    axes.plot([x, x + length], [y, y], color=fs.INK, linewidth=1.6, solid_capstyle="butt", zorder=9)
    text = words.drawn("figure.map.scale", km=f"{length:g}")
    axes.annotate(text, (x, y), (0, 3), textcoords="offset points", fontsize=7, va="bottom", zorder=9)


def draw_map(
    sites: list[MapSite],
    land: dict,
    words: Catalogue,
    lines: list[tuple[str, str]] | None = None,
    show_units: bool = True,
    width_mm: float = fs.TEXT_WIDTH_MM,
    max_height_mm: float = MAX_HEIGHT_MM,
) -> Figure:
    """Return the map of the sites.

    Args:
        sites: what to draw, in site order.
        land: GeoJSON of land polygons.
        words: the catalogue.
        lines: pairs of sites between which a line between units runs.
        show_units: colour sites by unit; else all wild sites look alike.
        width_mm: greatest width of the figure.
        max_height_mm: greatest height of the map.
    """
    with matplotlib.rc_context(fs.style()):
        place = np.array([[s.longitude, s.latitude] for s in sites])
        projection = Projection(place[:, 0], place[:, 1])
        points = projection(place)
        bounds, width_mm, height_mm = _window(points, width_mm, max_height_mm)
        n_keys = len({_look(site, show_units)[0] for site in sites})
        foot_mm = 3.5 + 4.5 * math.ceil(n_keys / max(1, int(width_mm // 28)))
        figure = fs.new_figure(width_mm, height_mm + foot_mm)
        axes = fs.axes_mm(figure, 0.3, foot_mm, width_mm - 0.6, height_mm - 0.3)
        axes.set(xlim=bounds[::2], ylim=bounds[1::2], xticks=[], yticks=[], facecolor=fs.SEA)
        axes.set_aspect("equal")
        for spine in axes.spines.values():
            spine.set(visible=True, color=fs.FAINT, linewidth=0.6)
        for polygon in land_in_window(land, projection, bounds):
            axes.add_patch(_patch(polygon, facecolor=fs.LAND, edgecolor=fs.SHORE, linewidth=0.4, zorder=1))
        reach = 0.035 * (bounds[2] - bounds[0])
        _draw_jurisdictions(axes, sites, points, reach)
        _draw_lines(axes, lines or [], sites, points, reach)
        handles = {}
        for site, point in zip(sites, points, strict=True):
            key, look = _look(site, show_units)
            handle = axes.scatter(*point, zorder=7, **look)
            handles.setdefault(key, handle)
        _place_labels(axes, points, [s.site for s in sites], 6.8 if len(sites) <= 40 else 5.5)
        _draw_scale(axes, bounds, words)
        keys = sorted(handles, key=lambda k: (k[0], k[1:]))
        labels = [words.drawn(f"figure.map.key_{k[0].split('.')[1]}", **({"unit": k[2]} if k[2] else {})) for k in keys]
        figure.legend(
            [handles[k] for k in keys],
            labels,
            loc="lower left",
            bbox_to_anchor=(0.002, 0.0),
            ncols=max(1, int(width_mm // 28)),
            columnspacing=1.4,
        )
        return figure


def _draw_lines(
    axes: Axes, lines: list[tuple[str, str]], sites: list[MapSite], points: np.ndarray, reach: float
) -> None:
    place = {s.site: p for s, p in zip(sites, points, strict=True)}
    for a, b in lines:
        if a not in place or b not in place:
            continue
        middle, along = (place[a] + place[b]) / 2, place[b] - place[a]
        across = np.array([-along[1], along[0]]) / (np.hypot(*along) or 1) * 2.2 * reach
        ends = np.array([middle - across, middle + across])
        axes.plot(*ends.T, color=fs.PAPER, linewidth=4, solid_capstyle="butt", zorder=5)
        axes.plot(*ends.T, color=fs.INK, linewidth=2, solid_capstyle="butt", zorder=6)


def _look(site: MapSite, show_units: bool) -> tuple[tuple, dict]:
    """Return the key of the legend and the look of a site's mark."""
    if site.kind != "wild":
        return ("3.farm", 0, ""), {
            "s": 26,
            "marker": "P" if site.kind == "hatchery" else "X",
            "facecolor": fs.PAPER,
            "edgecolor": fs.INK,
            "linewidth": 0.8,
        }
    if not show_units:
        return ("0.wild", 0, ""), {"s": 22, "marker": "o", "facecolor": fs.UNIT_COLOURS[0], "edgecolor": fs.PAPER}
    look = {"s": 28, "marker": fs.unit_mark(site.unit), "facecolor": fs.unit_colour(site.unit), "edgecolor": fs.INK}
    if not site.unit:
        return ("2.no_unit", 0, ""), {**look, "linewidth": 0.8}
    if site.contact_zone:
        return ("1.contact", 0, ""), {**look, "marker": "*", "s": 60, "linewidth": 0.6}
    return ("0.unit", unit_index(site.unit), str(unit_index(site.unit) + 1)), {**look, "linewidth": 0.5}
