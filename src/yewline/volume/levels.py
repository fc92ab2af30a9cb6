"""Level cuts: slabs between two heights through ground that is not level."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array
from yewline.errors import InputError
from yewline.volume.slices import cut_slices

__all__ = ["cut_levels", "level_volume"]


def level_volume(volume: xr.Dataset, height_m: npt.ArrayLike) -> xr.Dataset:
    """A volume below the surface as one below a level datum: each column moved down as far as its ground lies below.

    Parameters
    ----------
    volume : (depth, y, x) `strength`, `coverage`, `depth_error`, with even depth bins.
    height_m : (Y, X) height of the ground, m; NaN where it is not known.

    Returns
    -------
    Dataset of the same variables; `depth` counts from the datum, the highest covered ground, whose height is the
    attribute `datum_m`. Bins above the ground, and columns of unknown height, hold no data.

    Raises
    ------
    InputError : heights of another shape, or none over covered ground.

    Notes
    -----
    Between bins linear. Depths below the ground are as they were: nothing is migrated for the relief, so that under a
    steep slope things lie aside of where they are shown.

    Examples
    --------
    >>> from yewline.model import VolumeGrid, make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=2, ny=1, depth_step_m=0.1, nz=3)
    >>> strength = np.array([[[1, 1]], [[2, 2]], [[3, 3]]], np.float32)
    >>> volume = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=0 * strength)
    >>> level_volume(volume, [[5.2, 5.0]]).strength.values[:, 0].round(3).tolist()
    [[1.0, nan], [2.0, nan], [3.0, 1.0], [nan, 2.0], [nan, 3.0]]
    """
    strength = volume["strength"].values
    height = check_array(height_m, "height_m", ndim=2, finite=False)
    if height.shape != strength.shape[1:]:
        raise InputError("heights must be those of the volume's columns", received=f"{height.shape}")
    covered = volume["coverage"].values.any(axis=0) & np.isfinite(height)
    if not covered.any():
        raise InputError("no covered ground has a height", do="level some points of it")
    depth = volume["depth"].values.astype(np.float64)
    step = 2.0 * depth[0]
    datum = float(height[covered].max())
    down = np.where(covered, (datum - height) / step, np.nan)
    count = len(depth) + math.ceil(float(np.nanmax(down)) - 1e-9)
    # Where each new bin's middle lies among the old ones.
    at = np.arange(count)[:, None, None] - down
    above = np.floor(at + 1e-9)
    share = np.clip(at - above, 0.0, 1.0)
    inside = (at > -1e-6) & (at < len(depth) - 1 + 1e-6)
    first = np.where(inside, above, 0.0).astype(np.int64)
    second = np.minimum(first + 1, len(depth) - 1)
    found = {}
    for name in ("strength", "depth_error"):
        values = volume[name].values.astype(np.float64)
        upper, lower = (np.take_along_axis(values, k, axis=0) for k in (first, second))
        between = np.where(share > 1e-6, upper + share * (lower - upper), upper)
        found[name] = (volume["strength"].dims, np.where(inside, between, np.nan).astype(np.float32))
    seen = np.isfinite(found["strength"][1])
    return xr.Dataset(
        {**found, "coverage": (volume["strength"].dims, seen)},
        coords={"depth": step * (np.arange(count) + 0.5), "y": volume["y"], "x": volume["x"]},
        attrs={"datum_m": datum},
    )


def cut_levels(volume: xr.Dataset, height_m: npt.ArrayLike, *, thickness_m: float) -> xr.Dataset:
    """Slabs between two heights, one below the other, of ground that is not level.

    Parameters
    ----------
    volume, height_m : as for `level_volume`.
    thickness_m : of each slab.

    Returns
    -------
    Dataset (slice, y, x) as from `cut_slices`; `top` and `base` are depths below the datum, and `top_height`,
    `base_height` the heights of the faces, m.

    Raises
    ------
    InputError : as for `level_volume` and `cut_slices`.
    """
    level = level_volume(volume, height_m)
    slices = cut_slices(level, thickness_m=thickness_m, overlap=0.0)
    datum = level.attrs["datum_m"]
    heights = {f"{face}_height": ("slice", datum - slices[face].values) for face in ("top", "base")}
    return slices.assign_coords(heights).assign_attrs(datum_m=datum)
