"""Outlines as `GeoDataFrame`s with documented columns, always in site metres (their `crs` is None).

burials   ``burial`` id · ``kind`` adult, child, infant or unknown · ``top_m`` ``base_m`` depth or NaN ·
          ``sigma_xy_m`` position error · ``evidence`` excavated, probed, documented or marker · geometry
opened    ``opened`` id · ``depth_reached_m`` or NaN · geometry
hotspots  ``hotspot`` id · ``visit`` · ``source`` found or drawn · ``rule`` · ``top_m`` ``base_m`` of the slice ·
          ``area_m2`` ``length_m`` ``width_m`` ``azimuth_deg`` (of the long axis, clockwise from the site's +y,
          0 to 180) · ``x`` ``y`` centroid · ``mean_strength`` ``peak_strength`` · ``position_sigma_m`` of the
          traces that carry it (1 sd per axis) · geometry
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely

from yewline.errors import InputError

__all__ = [
    "BURIAL_COLUMNS",
    "HOTSPOT_COLUMNS",
    "OPENED_COLUMNS",
    "centroids",
    "empty_outlines",
    "make_outlines",
]

BURIAL_COLUMNS: Final[dict[str, Any]] = {
    "burial": "",
    "kind": "unknown",
    "top_m": np.nan,
    "base_m": np.nan,
    "sigma_xy_m": 0.05,
    "evidence": "excavated",
}
OPENED_COLUMNS: Final[dict[str, Any]] = {"opened": "", "depth_reached_m": np.nan}
HOTSPOT_COLUMNS: Final[dict[str, Any]] = {
    "hotspot": "",
    "visit": "",
    "source": "found",
    "rule": "",
    "top_m": np.nan,
    "base_m": np.nan,
    "area_m2": np.nan,
    "length_m": np.nan,
    "width_m": np.nan,
    "azimuth_deg": np.nan,
    "x": np.nan,
    "y": np.nan,
    "mean_strength": np.nan,
    "peak_strength": np.nan,
    "position_sigma_m": np.nan,
}


def empty_outlines(columns: dict[str, Any]) -> gpd.GeoDataFrame:
    """A table with no rows and the columns of one kind of outline."""
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[])


def make_outlines(columns: dict[str, Any], rows: list[dict[str, Any]], geometry: list[Any]) -> gpd.GeoDataFrame:
    """A table of one kind of outline; columns that a row lacks take the kind's default.

    Raises
    ------
    InputError : a row has a column that this kind of outline does not know.

    Examples
    --------
    >>> from shapely import box
    >>> table = make_outlines(BURIAL_COLUMNS, [{"burial": "B1"}], [box(0, 0, 2, 1)])
    >>> table.loc[0, "kind"], centroids(table).tolist()
    ('unknown', [[1.0, 0.5]])
    """
    if not rows:
        return empty_outlines(columns)
    for row in rows:
        unknown = set(row) - set(columns)
        if unknown:
            raise InputError("unknown column of an outline", received=", ".join(sorted(unknown)))
    data = {name: [row.get(name, default) for row in rows] for name, default in columns.items()}
    return gpd.GeoDataFrame(data, geometry=geometry)


def centroids(table: gpd.GeoDataFrame) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Centroids (n, 2) of a table of outlines, site metres."""
    points = shapely.centroid(np.asarray(table.geometry.values, dtype=object))
    return np.column_stack([shapely.get_x(points), shapely.get_y(points)]).reshape(-1, 2)
