"""Rule sea_distance: distance by water between any two sites, and where in the water each site was put."""

import gzip
import json
import zlib
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

import homewater
from homewater.running.errors import InputError, Problem
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.water.land_raster import land_polygons
from homewater.water.sea_distance import sea_distances

PACKAGED = Path(homewater.__file__).resolve().parents[2] / "workflow" / "data" / "land_10m.geojson.gz"
GZIP_MAGIC = b"\x1f\x8b"


def main(sites: str, coastline: str, distances: str, positions: str, cell_degrees: float, max_snap_km: float) -> None:
    """Read, compute, write; `coastline` is a GeoJSON file (plain or gzip) or `global`."""
    table = read_table(sites, "input_sites")
    ids = table["locationID"].tolist()
    latitude = table["decimalLatitude"].to_numpy(dtype=np.float64)
    longitude = table["decimalLongitude"].to_numpy(dtype=np.float64)
    found = sea_distances(latitude, longitude, read_land(coastline), cell_degrees, max_snap_km)
    problems = [
        Problem(
            "sites",
            f"locationID {ids[i]}",
            "decimalLatitude, decimalLongitude",
            f"{latitude[i]:g}, {longitude[i]:g}: no water within {max_snap_km:g} km of this place",
            f"a place in water, or at most {max_snap_km:g} km from it (structure: max_snap_km)",
        )
        for i in np.flatnonzero(~np.isfinite(found.shift_km))
    ]
    if problems:
        raise InputError(problems)
    pairs = list(combinations(range(len(ids)), 2))
    write_table(
        pd.DataFrame(
            {
                "site_a": [ids[i] for i, _ in pairs],
                "site_b": [ids[j] for _, j in pairs],
                "sea_km": [found.km[i, j] for i, j in pairs],
            }
        ),
        distances,
        "sea_distance",
    )
    write_table(
        pd.DataFrame(
            {
                "locationID": ids,
                "water_latitude": found.latitude,
                "water_longitude": found.longitude,
                "shift_km": found.shift_km,
                "in_water_of_network": found.in_network,
                "cell_degrees": found.cell_degrees,
            }
        ),
        positions,
        "site_positions",
    )


def read_land(coastline: str) -> list[dict]:
    """Return the polygons of the study's coastline, or of the packaged one for `global`.

    Raises:
        InputError: where the file is no GeoJSON of polygons.
    """
    path = PACKAGED if coastline == "global" else Path(coastline)
    allowed = "a GeoJSON file of land polygons, UTF-8"
    content = path.read_bytes()
    try:
        document = json.loads(gzip.decompress(content) if content[:2] == GZIP_MAGIC else content)
    except (UnicodeDecodeError, json.JSONDecodeError, EOFError, OSError, zlib.error) as error:
        raise InputError(Problem(path.name, "", "", f"a file that cannot be read ({error})", allowed)) from error
    return land_polygons(document, path.name)


if __name__ == "__main__":
    run_step(main, snakemake)
