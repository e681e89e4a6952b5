"""What each site may do: wild sites within the native range define units and frequencies, others do not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry


def in_native_range(sites: pd.DataFrame, native_range: BaseGeometry | None) -> np.ndarray:
    """Return bool (n_sites,): sites within the species' native range, all of them where no range is given.

    Args:
        sites: site list with decimalLongitude and decimalLatitude, degrees.
        native_range: polygons in degrees.
    """
    if native_range is None:
        return np.ones(len(sites), dtype=bool)
    longitude, latitude = (sites[f"decimal{name}"].to_numpy(float) for name in ("Longitude", "Latitude"))
    return shapely.intersects_xy(native_range, longitude, latitude)


def site_roles(sites: pd.DataFrame, in_native_range: np.ndarray) -> pd.DataFrame:
    """Return what each site may do.

    Args:
        sites: site list with locationID and kind (empty means wild).
        in_native_range: bool (n_sites,).

    Returns:
        locationID, kind, in_native_range, defines (wild and within the range), in the order of the site list.
    """
    kind = sites["kind"].replace("", "wild").fillna("wild") if "kind" in sites else "wild"
    roles = pd.DataFrame(
        {"locationID": sites["locationID"].to_numpy(), "kind": kind, "in_native_range": in_native_range}
    )
    return roles.assign(defines=(roles["kind"] == "wild") & roles["in_native_range"])
