"""Paths of the clone's own files. No other module of the library counts folders upwards from its own place."""

from __future__ import annotations

from pathlib import Path

CLONE = Path(__file__).resolve().parents[3]
SCHEMAS = CLONE / "workflow" / "schemas"
LAND = CLONE / "workflow" / "data" / "land_10m.geojson.gz"
LOCK = CLONE / "requirements.lock"
