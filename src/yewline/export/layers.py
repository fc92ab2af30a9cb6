"""Layers for GIS: everything with a place, as tables in site metres."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from yewline.export.names import named_sets
from yewline.model import READING_COLUMNS
from yewline.report import links, longer_than_grave
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["result_layers"]

TOLERANCE_M = 0.01
"""Lines keep their course to a centimetre; straight ones shrink to their ends."""


def result_layers(result: SiteResult) -> dict[str, gpd.GeoDataFrame]:
    """All layers of a result by name, in site metres.

    Outlines are always there, if empty; lines, links and readings only where there are any.
    """
    layers = {
        "area": gpd.GeoDataFrame({"assumed": [result.area_assumed]}, geometry=[result.area]),
        "burials": result.burials,
        "opened": result.opened,
        "hotspots": _joined([_marked(result, visit.scored) for visit in result.visits]),
        "hotspots_equal_area": _joined(
            [_marked(result, named_sets(result, visit)["equal-area"]) for visit in result.visits]
        ),
    }
    for name, rows in (
        ("links", _links(result)),
        ("lines", [row for visit in result.visits for row in _lines(visit)]),
        ("readings", [row for visit in result.visits for row in _readings(visit)]),
    ):
        if rows:
            geometry = [row.pop("geometry") for row in rows]
            layers[name] = gpd.GeoDataFrame(rows, geometry=geometry)
    return layers


def _marked(result: SiteResult, hotspots: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Hotspots with a column that names those longer than any grave that is expected."""
    return hotspots.assign(longer_than_grave=longer_than_grave(result, hotspots))


def _joined(tables: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    full = [table for table in tables if len(table)]
    if not full:
        return tables[0]
    return gpd.GeoDataFrame(pd.concat(full, ignore_index=True), geometry="geometry")


def _links(result: SiteResult) -> list[dict[str, Any]]:
    rows = []
    for visit in result.visits:
        ends, matched = links(visit, result.burials)
        for i, (start, end) in enumerate(ends):
            rows.append(
                {
                    "visit": visit.name,
                    "hotspot": str(visit.scored["hotspot"].iloc[i]),
                    "matched": bool(matched[i]),
                    "distance_m": float(np.hypot(*(end - start))),
                    "geometry": shapely.LineString([start, end]),
                }
            )
    return rows


def _lines(visit: VisitResult) -> list[dict[str, Any]]:
    rows = []
    for name, radargram in visit.radargrams.items():
        course = _course(radargram)
        if course is not None:
            rows.append(
                {
                    "visit": visit.name,
                    "line": name,
                    "traces": int(radargram.sizes["trace"]),
                    "length_m": float(course.length),
                    "geometry": course,
                }
            )
    return rows


def _course(radargram: xr.DataArray) -> Any:
    """The line's course, one part a segment; None where no segment has two places."""
    xy = np.column_stack([radargram["x"].values, radargram["y"].values])
    segment = radargram["segment"].values
    parts = []
    for part in np.split(xy, np.flatnonzero(np.diff(segment)) + 1):
        if len(part) > 1 and np.ptp(part, axis=0).max() > 0:
            parts.append(shapely.simplify(shapely.LineString(part), TOLERANCE_M))
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiLineString(parts)


def _readings(visit: VisitResult) -> list[dict[str, Any]]:
    if visit.readings is None:
        return []
    names = [name for name in READING_COLUMNS if name not in ("x", "y")]
    return [
        {"visit": visit.name, **{name: row[name] for name in names}, "geometry": shapely.Point(row["x"], row["y"])}
        for row in visit.readings.to_dict("records")
    ]
