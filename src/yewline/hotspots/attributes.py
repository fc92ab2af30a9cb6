"""Attributes of outlines: size, direction, place and strength."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_array
from yewline.errors import InputError
from yewline.model import VolumeGrid

__all__ = ["cells_inside", "outline_attributes", "rms_inside", "touches_edge"]

_SQUARE: Final = 1e-6


def outline_attributes(
    polygons: Sequence[shapely.Geometry], strength: npt.ArrayLike, grid: VolumeGrid
) -> list[dict[str, float]]:
    """Area, length, width, azimuth, centroid, and mean and peak strength of each outline.

    Parameters
    ----------
    polygons : (H,) polygons or multipolygons, site metres.
    strength : (Y, X) strength of a slice; NaN where there is no data.
    grid : where the cells lie.

    Returns
    -------
    H dictionaries with `area_m2`, `length_m`, `width_m`, `azimuth_deg`, `x`, `y`, `mean_strength`, `peak_strength`.
    Strengths are NaN where an outline holds no data.

    Raises
    ------
    InputError : an outline is empty or not an area, or the map does not fit the grid.

    Notes
    -----
    Length and width are those of the smallest rectangle of any direction around the outline; the azimuth is that of
    its long side, clockwise from the site's +y, from 0 to below 180°; of a square, the smaller of its two. Strengths
    are taken over the cells whose centre lies in the outline, or from the cell nearest to the centroid where there is
    none.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=4, ny=4, depth_step_m=0.1, nz=1)
    >>> (one,) = outline_attributes([shapely.box(0.5, 0.5, 2.5, 1.5)], np.arange(16.0).reshape(4, 4), grid)
    >>> one["length_m"], one["width_m"], one["azimuth_deg"], one["mean_strength"]
    (2.0, 1.0, 90.0, 5.5)
    """
    values = check_array(strength, "strength", ndim=2, finite=False)
    if values.shape != (grid.ny, grid.nx):
        raise InputError("strength does not fit the grid", received=f"{values.shape} for {(grid.ny, grid.nx)}")
    return [_attributes(polygon, values, grid, index) for index, polygon in enumerate(polygons)]


def rms_inside(polygons: Sequence[shapely.Geometry], values: npt.ArrayLike, grid: VolumeGrid) -> list[float]:
    """Root mean square of a map inside each outline, (H,); NaN where an outline holds no data.

    Parameters
    ----------
    polygons : (H,) outlines, site metres.
    values : (Y, X) map, NaN where there is no data.
    grid : where its cells lie.

    Raises
    ------
    InputError : the map does not fit the grid.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=4, ny=4, depth_step_m=0.1, nz=1)
    >>> rms_inside([shapely.box(0.5, 0.5, 2.5, 1.5)], np.full((4, 4), 0.05), grid)
    [0.05]
    """
    whole = check_array(values, "values", ndim=2, finite=False)
    if whole.shape != (grid.ny, grid.nx):
        raise InputError("values do not fit the grid", received=f"{whole.shape} for {(grid.ny, grid.nx)}")
    inside = [_values_inside(polygon, whole, grid) for polygon in polygons]
    return [float(np.sqrt(np.mean(found**2))) if len(found) else math.nan for found in inside]


def _attributes(polygon: Any, values: npt.NDArray[np.float64], grid: VolumeGrid, index: int) -> dict[str, float]:
    if polygon is None or polygon.is_empty or polygon.geom_type not in ("Polygon", "MultiPolygon"):
        raise InputError(
            f"outline {index + 1} is not an area",
            received="nothing" if polygon is None or polygon.is_empty else polygon.geom_type,
            do="draw it as a closed polygon",
        )
    length, width, azimuth = _rectangle(polygon)
    inside = _values_inside(polygon, values, grid)
    return {
        "area_m2": float(polygon.area),
        "length_m": length,
        "width_m": width,
        "azimuth_deg": azimuth,
        "x": float(polygon.centroid.x),
        "y": float(polygon.centroid.y),
        "mean_strength": float(inside.mean()) if len(inside) else math.nan,
        "peak_strength": float(inside.max()) if len(inside) else math.nan,
    }


def _rectangle(polygon: Any) -> tuple[float, float, float]:
    corners = shapely.get_coordinates(shapely.oriented_envelope(polygon))[:3]
    sides = np.diff(corners, axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    azimuths = [_azimuth(float(dx), float(dy)) for dx, dy in sides]
    if abs(lengths[0] - lengths[1]) <= _SQUARE * lengths.max():
        return float(lengths.max()), float(lengths.min()), min(azimuths)
    longer = int(lengths.argmax())
    return float(lengths[longer]), float(lengths[1 - longer]), azimuths[longer]


def _azimuth(dx: float, dy: float) -> float:
    # Rounded to a millionth of a degree, or a line along +y could read 179.999… as well as 0.
    return round(math.degrees(math.atan2(dx, dy)), 6) % 180.0 + 0.0


def _values_inside(polygon: Any, values: npt.NDArray[np.float64], grid: VolumeGrid) -> npt.NDArray[np.float64]:
    x0, y0, x1, y1 = polygon.bounds
    i0, i1 = _span(x0, x1, grid.x0, grid.cell_m, grid.nx)
    j0, j1 = _span(y0, y1, grid.y0, grid.cell_m, grid.ny)
    x, y = np.meshgrid(grid.x[i0:i1], grid.y[j0:j1])
    found = values[j0:j1, i0:i1][shapely.contains_xy(polygon, x, y)]
    if found.size == 0:
        i = round((polygon.centroid.x - grid.x0) / grid.cell_m)
        j = round((polygon.centroid.y - grid.y0) / grid.cell_m)
        found = values[j : j + 1, i : i + 1].ravel() if i >= 0 and j >= 0 else found
    kept: npt.NDArray[np.float64] = found[np.isfinite(found)]
    return kept


def _span(low: float, high: float, origin: float, cell: float, count: int) -> tuple[int, int]:
    first = max(0, math.ceil((low - origin) / cell - 1e-9))
    return first, max(first, min(count, math.floor((high - origin) / cell + 1e-9) + 1))


def cells_inside(area: shapely.Geometry | None, grid: VolumeGrid) -> npt.NDArray[np.bool_]:
    """Which cells have their centre in a polygon, (Y, X); all of them without one.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=3, ny=1, depth_step_m=0.1, nz=1)
    >>> cells_inside(shapely.box(-1, -1, 1.5, 1), grid).tolist()
    [[True, True, False]]
    """
    if area is None:
        return np.ones((grid.ny, grid.nx), np.bool_)
    x, y = np.meshgrid(grid.x, grid.y)
    shapely.prepare(area)
    result: npt.NDArray[np.bool_] = shapely.intersects_xy(area, x, y)
    return result


def touches_edge(
    polygons: Sequence[shapely.Geometry], covered: shapely.Geometry, *, within_m: float = 1e-6
) -> npt.NDArray[np.bool_]:
    """Which outlines reach the edge of the covered ground, and so may go on beyond it, (H,).

    Their area, length and centroid are those of the part that was seen.

    Examples
    --------
    >>> ground = shapely.box(0, 0, 10, 10)
    >>> touches_edge([shapely.box(0, 1, 1, 2), shapely.box(4, 4, 5, 5)], ground).tolist()
    [True, False]
    """
    if len(polygons) == 0:
        return np.zeros(0, np.bool_)
    edge = shapely.boundary(covered)
    result: npt.NDArray[np.bool_] = shapely.distance(np.asarray(polygons, dtype=object), edge) <= within_m
    return result
