"""Moisture where known burials lie, on one visit: what the map says there and around, as far as it is supported."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import xarray as xr

from yewline.errors import InputError
from yewline.ground import local_moisture

__all__ = ["burial_moisture"]


def burial_moisture(
    mapped: xr.Dataset | None, readings: pd.DataFrame | None, burials: gpd.GeoDataFrame
) -> pd.DataFrame | None:
    """A row for each burial: `burial` and the columns of `ground.local_moisture`; None without a map or burials."""
    if mapped is None or readings is None or burials.empty:
        return None
    try:
        found = local_moisture(mapped, readings, burials.geometry.values)
    except InputError:  # a map of one row of cells
        return None
    found.insert(0, "burial", burials["burial"].astype(str).to_numpy())
    return found
