"""The map: land inside its window, and the least that can be drawn."""

from pathlib import Path

import numpy as np
import pytest
import yaml

from homewater.report.figures.map import MapSite, Projection, draw_map, land_in_window
from homewater.report.words.catalogue import Catalogue

ROOT = Path(__file__).resolve().parents[4]
WORDS = yaml.safe_load((ROOT / "workflow/templates/catalogue/en.yaml").read_text(encoding="utf-8"))


def test_land_is_clipped_across_the_antimeridian():
    """Hand-worked: a square of land from 179 to -179 degrees, in two parts, is 2 x 2 degrees of land at the equator."""
    squares = [
        [[179, -1], [180, -1], [180, 1], [179, 1], [179, -1]],
        [[-180, -1], [-179, -1], [-179, 1], [-180, 1], [-180, -1]],
    ]
    land = {"type": "MultiPolygon", "coordinates": [[ring] for ring in squares]}
    projection = Projection(np.array([179.5, -179.5]), np.array([0.0, 0.0]))
    parts = land_in_window(land, projection, (-500, -500, 500, 500))
    assert sum(part.area for part in parts) == pytest.approx((2 * 111.195) ** 2, rel=1e-3)


def test_a_map_of_one_site_and_no_land():
    sites = [MapSite("a", 179.9, 60.0, "", "Vessland", "wild")]
    figure = draw_map(sites, {"type": "FeatureCollection", "features": []}, Catalogue(WORDS))
    assert figure.get_size_inches()[0] > 1
