"""Crests: at which depth the column of ground below an outline answers most strongly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
import xarray as xr

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.model import VolumeGrid

__all__ = ["ColumnCrests", "column_crests"]

Array = npt.NDArray[np.float64]

_KNOWN_SHARE: Final = 0.5
_FEWEST_BINS: Final = 3


@dataclass(frozen=True)
class ColumnCrests:
    """Crests below B outlines.

    Attributes
    ----------
    depth_m : (B,) depth of the crest; NaN where the column has no data, or is strongest at an end of the depths.
    half_width_m : (B,) of its 90 % interval, by the volume's depth error: median over the column's cells.
    contrast : (B,) strength there over what is usual at that depth.
    at_end : (B,) True where the column is strongest at the upper or the lower end, so that its crest may lie beyond.
    """

    depth_m: Array
    half_width_m: Array
    contrast: Array
    at_end: npt.NDArray[np.bool_]


def column_crests(
    volume: xr.Dataset, outlines: Sequence[shapely.Geometry], *, between_m: tuple[float, float]
) -> ColumnCrests:
    """Depths at which the columns below outlines answer most strongly.

    Parameters
    ----------
    volume : (depth, y, x) `strength` and `depth_error`, with its grid among its attributes.
    outlines : (B,) areas, site metres.
    between_m : depths between which crests are looked for.

    Returns
    -------
    One crest an outline; see `ColumnCrests`.

    Raises
    ------
    InputError : the volume has no grid, or fewer than three of its bins lie between the depths.

    Notes
    -----
    Over the cells whose centre lies in the outline (or the one nearest to its middle where there is none) the root
    mean square of strength is taken depth by depth and divided by the median over the whole volume at that depth, so
    that neither gain nor loss with depth draws the crest up or down. The crest is the largest of these, between bins by
    the parabola through it and its neighbours. Cells without data at any of the depths are left out; where more than
    half of the column's are, there is no crest.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=9, ny=9, depth_step_m=0.1, nz=10)
    >>> strength = np.ones((10, 9, 9), np.float32)
    >>> strength[4:7, 4, 4] = 2, 3, 2
    >>> volume = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=0.05 * strength)
    >>> found = column_crests(volume, [shapely.box(1.8, 1.8, 2.2, 2.2)], between_m=(0.2, 0.9))
    >>> round(float(found.depth_m[0]), 3), found.contrast.tolist()
    (0.55, [3.0])
    """
    if "grid" not in volume.attrs:
        raise InputError("the volume does not say its grid", do="make it with build_volume or make_volume")
    grid = VolumeGrid.model_validate_json(str(volume.attrs["grid"]))
    top, base = (check_in_range(depth, "between_m", 0.0, 100.0) for depth in between_m)
    bins = np.flatnonzero((grid.depth >= top) & (grid.depth <= base))
    if len(bins) < _FEWEST_BINS:
        raise InputError(
            "a crest needs at least three depth bins to stand out of",
            received=f"{len(bins)} between {top:g} and {base:g} m",
            do="look between depths farther apart, or use thinner bins",
        )
    strength = volume["strength"].values[bins].astype(np.float64)
    error = volume["depth_error"].values[bins]
    flat = strength.reshape(len(bins), -1)
    known: npt.NDArray[np.bool_] = np.asarray(np.isfinite(flat).all(axis=0))
    level = np.median(flat[:, known], axis=1) if known.any() else np.full(len(bins), np.nan)
    depth, half, contrast = (np.full(len(outlines), np.nan) for _ in range(3))
    at_end = np.zeros(len(outlines), np.bool_)
    for b, outline in enumerate(outlines):
        cells = _cells(outline, grid)
        held = cells[known[cells]]
        if len(held) == 0 or len(held) < _KNOWN_SHARE * len(cells) or not (level > 0).all():
            continue
        profile = np.sqrt((flat[:, held] ** 2).mean(axis=1)) / level
        k = int(profile.argmax())
        contrast[b] = profile[k]
        at_end[b] = k in (0, len(bins) - 1)
        if at_end[b]:
            continue
        before, at, after = profile[k - 1 : k + 2]
        bend = before - 2.0 * at + after
        step = 0.5 * (before - after) / bend if bend < 0 else 0.0
        depth[b] = grid.depth[bins[k]] + grid.depth_step_m * step
        half[b] = np.median(error[k].reshape(-1)[held])
    return ColumnCrests(depth, half, contrast, at_end)


def _cells(outline: shapely.Geometry, grid: VolumeGrid) -> npt.NDArray[np.intp]:
    """Flat indices of the cells inside an outline; the nearest to its middle where there is none."""
    x0, y0, x1, y1 = outline.bounds
    i = np.flatnonzero((grid.x >= x0) & (grid.x <= x1))
    j = np.flatnonzero((grid.y >= y0) & (grid.y <= y1))
    rows, columns = (part.ravel() for part in np.meshgrid(j, i, indexing="ij"))
    inside = np.flatnonzero(shapely.contains_xy(outline, grid.x[columns], grid.y[rows]))
    if len(inside):
        return np.asarray(rows[inside] * grid.nx + columns[inside], np.intp)
    middle = outline.centroid
    return np.array([np.abs(grid.y - middle.y).argmin() * grid.nx + np.abs(grid.x - middle.x).argmin()], np.intp)
