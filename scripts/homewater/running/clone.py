"""Where the parts of the clone lie: the one place that counts folders upwards."""

from __future__ import annotations

from pathlib import Path

CLONE = Path(__file__).resolve().parents[3]
SCHEMAS = CLONE / "workflow" / "schemas"
LAND = CLONE / "workflow" / "data" / "land_10m.geojson.gz"
LOCK = CLONE / "requirements.lock"
