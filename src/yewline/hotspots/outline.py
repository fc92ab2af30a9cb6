"""Outlines of strong response: level curves of a slice, cut where the data end."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from skimage import measure

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.model import TargetModel, VolumeGrid

__all__ = ["coverage_area", "default_minimum_area_m2", "outline", "outline_sigma_m"]

_NUDGE: Final = 1e-9
_FINER: Final = 4
"""Points to a cell along each axis when level curves are drawn."""
_RINGS: Final = 4
"""Rings of blank cells that take the strength of covered ground beside them: as many as the interpolation can see."""


def default_minimum_area_m2(target: TargetModel | None = None) -> float:
    """Smallest outline worth keeping: half the cut of a child's grave.

    A burial is often seen in part only; less than half of the smallest cut that is looked for is clutter by its size
    (common practice, no source).

    Examples
    --------
    >>> default_minimum_area_m2()
    0.3
    """
    child = (target or TargetModel()).child
    return 0.5 * child.length_m * child.width_m


def outline_sigma_m(cell_m: float, line_spacing_m: float) -> float:
    """Position error of an outline that comes from sampling alone: one standard deviation, across the lines, m.

    An edge between two lines can lie anywhere between them, and is drawn anywhere within a cell: two uniform errors, as
    wide as the line spacing and the cell. It is the larger of the two axes: along a line traces are close.

    Raises
    ------
    InputError : a length is negative or not finite.

    Notes
    -----
    σ = √(L²/12 + h²/12): the standard deviation of a uniform distribution of width w is w/√12.

    Examples
    --------
    >>> round(outline_sigma_m(0.25, 0.5), 4)
    0.1614
    """
    cell = check_in_range(cell_m, "cell_m", 0.0, 1e3)
    spacing = check_in_range(line_spacing_m, "line_spacing_m", 0.0, 1e3)
    return math.hypot(cell, spacing) / math.sqrt(12.0)


def outline(
    strength: npt.ArrayLike,
    grid: VolumeGrid,
    *,
    level: float,
    minimum_area_m2: float = 0.0,
    area: shapely.Geometry | None = None,
    merge_gap_m: float = 0.0,
) -> list[shapely.Polygon]:
    """Outline where a slice's strength exceeds a level.

    Parameters
    ----------
    strength : (Y, X) strength of a slice; NaN where there is no data.
    grid : where the cells lie.
    level : outlines follow this strength, between cells by interpolation.
    minimum_area_m2 : smaller outlines are left out (after cutting and joining).
    area : outlines end at the edge of this polygon too.
    merge_gap_m : outlines nearer to each other than this are joined.

    Returns
    -------
    Polygons in site metres, holes kept, sorted by their lowest y, then x.

    Raises
    ------
    InputError : the map does not fit the grid, or holds infinite values.

    Notes
    -----
    Level curves by marching squares, on the map interpolated four times finer by cubics through the cells (Catmull-Rom:
    they keep the cells' values and do not ring), because graves are three or four cells wide and straight lines between
    cells would clip their curved sides. Blank cells beside covered ones take the mean of these, and the outlines are
    then cut at the edge of the covered cells: blank ground makes no edge of its own, and no outline reaches into it.

    References
    ----------
    Lorensen, W. E. & Cline, H. E. (1987), Computer Graphics 21(4):163–169 (marching cubes; here in two dimensions).
    Keys, R. G. (1981), IEEE Trans. Acoust. Speech Signal Process. 29(6):1153–1160 (cubic convolution).
    Both from memory.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=3, ny=3, depth_step_m=0.1, nz=1)
    >>> (half,) = outline([[0, 0, 1], [0, 0, 1], [0, 0, 1]], grid, level=0.5)
    >>> [round(edge, 6) for edge in half.bounds]
    [1.5, -0.5, 2.5, 2.5]
    """
    values = _check_map(strength, grid)
    if math.isnan(level):
        raise InputError("level must be a number", received=level)
    minimum = check_in_range(minimum_area_m2, "minimum_area_m2", 0.0, 1e9)
    gap = check_in_range(merge_gap_m, "merge_gap_m", 0.0, 100.0)
    covered = np.isfinite(values)
    if not covered.any() or not values[covered].max() > level:
        return []
    shape = shapely.build_area(shapely.MultiLineString(_level_curves(values, grid, level)))
    if gap > 0.0:
        shape = shapely.buffer(shapely.buffer(shape, 0.5 * gap), -0.5 * gap)
    shape = shapely.intersection(shape, coverage_area(values, grid))
    if area is not None:
        shape = shapely.intersection(shape, area)
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0 and p.area >= minimum]
    return sorted((shapely.normalize(p) for p in parts), key=_position)


def _check_map(strength: npt.ArrayLike, grid: VolumeGrid) -> npt.NDArray[np.float64]:
    values = check_array(strength, "strength", ndim=2, finite=False)
    if values.shape != (grid.ny, grid.nx):
        raise InputError("strength does not fit the grid", received=f"{values.shape} for {(grid.ny, grid.nx)}")
    if np.isinf(values).any():
        raise InputError("strength holds infinite values", do="blank cells without data with NaN")
    return values


def _position(polygon: shapely.Polygon) -> tuple[float, ...]:
    x0, y0, x1, y1 = polygon.bounds
    return round(y0, 6), round(x0, 6), round(y1, 6), round(x1, 6), polygon.area


def _level_curves(values: npt.NDArray[np.float64], grid: VolumeGrid, level: float) -> list[npt.NDArray[np.float64]]:
    low = min(float(np.nanmin(values)), level)
    span = float(np.nanmax(values)) - low
    # Blank ground farther than the filled rings lies below the level, and so closes every curve.
    fence = low - span
    filled = _fill_rings(np.pad(values, _RINGS + 1, constant_values=np.nan))
    filled[~np.isfinite(filled)] = fence
    fine = _refine(_refine(filled).T).T
    # A point exactly at the level would make curves touch themselves there: it counts as just below.
    fine = np.where(np.abs(fine - level) < _NUDGE * span, level - _NUDGE * span, fine)
    curves = measure.find_contours(fine, level)  # type: ignore[no-untyped-call]
    step, corner = grid.cell_m / _FINER, grid.cell_m * (_RINGS + 1)
    return [
        np.column_stack([grid.x0 - corner + step * curve[:, 1], grid.y0 - corner + step * curve[:, 0]])
        for curve in curves
        if len(curve) >= 4
    ]


def _fill_rings(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Carry strength a few cells into blank ground: each ring is the mean of its neighbours in the ring before."""
    filled = values.copy()
    for _ in range(_RINGS):
        around = np.pad(filled, 1, constant_values=np.nan)
        four = np.stack([around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2], around[1:-1, 2:]])
        known = np.isfinite(four)
        count = known.sum(axis=0)
        take = ~np.isfinite(filled) & (count > 0)
        # Sorted before they are added, so that the sum is the same however the map is turned.
        total = np.sort(np.where(known, four, 0.0), axis=0).sum(axis=0)
        filled[take] = total[take] / count[take]
    return filled


def _refine(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Cubic (Catmull-Rom) interpolation along the first axis to a finer step; given points are kept exactly."""
    p = np.pad(values, ((1, 2), (0, 0)), mode="edge")
    a, b, c, d = p[:-3], p[1:-2], p[2:-1], p[3:]
    fine = np.empty((values.shape[0], _FINER, values.shape[1]))
    for k in range(_FINER):
        t = k / _FINER
        fine[:, k] = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
    rows: npt.NDArray[np.float64] = fine.reshape(-1, values.shape[1])
    return rows[: (values.shape[0] - 1) * _FINER + 1]


def coverage_area(strength: npt.ArrayLike, grid: VolumeGrid) -> Any:
    """The ground that the cells with data cover, each cell a square around its centre.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=2, nx=3, ny=1, depth_step_m=0.1, nz=1)
    >>> coverage_area([[1.0, 1.0, np.nan]], grid).bounds
    (-1.0, -1.0, 3.0, 1.0)
    """
    covered = np.isfinite(_check_map(strength, grid))
    # Runs of covered cells along a row, found by where coverage changes: far fewer boxes than cells.
    change = np.diff(np.pad(covered, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, first = np.nonzero(change == 1)
    _, stop = np.nonzero(change == -1)
    # Edges as one product each, so that neighbouring boxes share the same numbers.
    x_edge = grid.x0 + grid.cell_m * (np.arange(grid.nx + 1) - 0.5)
    y_edge = grid.y0 + grid.cell_m * (np.arange(grid.ny + 1) - 0.5)
    return shapely.union_all(shapely.box(x_edge[first], y_edge[row], x_edge[stop], y_edge[row + 1]))
