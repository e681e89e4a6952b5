"""The sites of a study in the water: which distance lies between any two, and where each site was put."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from homewater.running.errors import InputError, Problem
from homewater.water.sea_distance import sea_distances


@dataclass(frozen=True)
class SiteDistances:
    """What `site_distances` returns.

    Attributes:
        distances: table sea_distance, one row for each two sites: site_a, site_b, sea_km (km by water; NaN where no
            way by water connects them).
        positions: table site_positions, one row a site: locationID, the place in water (degrees), how far the site was
            moved to reach it (km), whether that water connects most sites, and the height of a cell (degrees).
    """

    distances: pd.DataFrame
    positions: pd.DataFrame


def site_distances(sites: pd.DataFrame, land: list[dict], cell_degrees: float, max_snap_km: float) -> SiteDistances:
    """Return the distances by water between the sites of a study.

    Args:
        sites: the user's table of sites, checked.
        land: polygons of land, as `homewater.inputs.polygons.read_land` returns them.
        cell_degrees: height of a cell of the raster of water, degrees of latitude.
        max_snap_km: farthest that a site may be moved to reach water.

    Raises:
        InputError: naming each site without water within `max_snap_km`.
    """
    ids = sites["locationID"].tolist()
    latitude = sites["decimalLatitude"].to_numpy(dtype=np.float64)
    longitude = sites["decimalLongitude"].to_numpy(dtype=np.float64)
    found = sea_distances(latitude, longitude, land, cell_degrees, max_snap_km)
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
    distances = pd.DataFrame(
        {
            "site_a": [ids[i] for i, _ in pairs],
            "site_b": [ids[j] for _, j in pairs],
            "sea_km": [found.km[i, j] for i, j in pairs],
        }
    )
    positions = pd.DataFrame(
        {
            "locationID": ids,
            "water_latitude": found.latitude,
            "water_longitude": found.longitude,
            "shift_km": found.shift_km,
            "in_water_of_network": found.in_network,
            "cell_degrees": found.cell_degrees,
        }
    )
    return SiteDistances(distances, positions)
