"""The slab that a window of time stands for, which a visit of its own velocity puts elsewhere in each place."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.model import VelocityField, VolumeGrid
from yewline.volume.depths import sample_depths_m
from yewline.volume.slices import bin_edges, slab_means

__all__ = ["slab_between", "window_depths_m"]

Array = npt.NDArray[np.float64]

_BLOCK: Final = 4_096
"""Cells at once: layers of each are summed in fine steps."""


def window_depths_m(
    window_ns: tuple[float, float], velocity: VelocityField, grid: VolumeGrid, *, separation_m: float = 0.0
) -> tuple[Array, Array]:
    """Depths (Y, X) that a window of two-way time begins and ends at, by a visit's velocity in each cell.

    Parameters
    ----------
    window_ns : from and to, since the wave entered the ground.
    velocity, grid : of the visit.
    separation_m : distance between transmitter and receiver.

    Raises
    ------
    InputError : times that are negative or do not increase.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=1, ny=1, depth_step_m=0.1, nz=10)
    >>> top, base = window_depths_m((10.0, 14.0), VelocityField.uniform(0.1, 0.0), grid)
    >>> top.item(), round(base.item(), 6)
    (0.5, 0.7)
    """
    first, last = (check_in_range(value, "window_ns", 0.0, 1e4) for value in window_ns)
    if not first < last:
        raise InputError("a window must end after it begins", received=f"{first:g} to {last:g} ns")
    x, y = (part.ravel() for part in np.meshgrid(grid.x, grid.y))
    depths = np.empty((len(x), 2))
    for start in range(0, len(x), _BLOCK):
        block = slice(start, start + _BLOCK)
        depths[block] = sample_depths_m(
            [first, last], velocity, x[block], y[block], separation_m=separation_m, step_m=grid.depth_step_m
        )
    top, base = depths.T.reshape(2, grid.ny, grid.nx)
    return top, base


def slab_between(volume: xr.Dataset, top_m: npt.ArrayLike, base_m: npt.ArrayLike) -> xr.Dataset:
    """Strength of a slab whose faces lie at a depth of their own in each cell.

    Parameters
    ----------
    volume : (depth, y, x) as for `cut_slices`.
    top_m, base_m : (Y, X) depths of the faces, m.

    Returns
    -------
    Dataset (y, x): `strength` and `coverage` by the rule of `slice_exactly` (root mean square over covered bins, those
    that a face cuts by their part; covered where half the slab is), and the faces `top`, `base`. What lies below the
    volume counts as not covered.

    Raises
    ------
    InputError : faces of another shape, or a base that is not below its top.

    Examples
    --------
    >>> from yewline.model import make_volume
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=2, ny=1, depth_step_m=0.1, nz=4)
    >>> strength = np.array([[[1, 1]], [[2, 2]], [[3, 3]], [[4, 4]]], np.float32)
    >>> volume = make_volume(grid, strength=strength, coverage=strength > 0, depth_error=0 * strength)
    >>> slab_between(volume, [[0.1, 0.2]], [[0.2, 0.3]]).strength.values.round(3).tolist()
    [[2.0, 3.0]]
    """
    strength = volume["strength"].values
    top, base = (check_array(face, name, ndim=2) for face, name in ((top_m, "top_m"), (base_m, "base_m")))
    if top.shape != strength.shape[1:] or base.shape != strength.shape[1:]:
        raise InputError("the faces must be those of the volume's columns", received=f"{top.shape} and {base.shape}")
    if not (base > top).all() or top.min() < 0:
        raise InputError("a slab's base must lie below its top, and that in the ground")
    mean_square, _, covered = slab_means(volume, bin_edges(volume), top, base)
    dims = ("y", "x")
    return xr.Dataset(
        {
            "strength": (dims, np.sqrt(mean_square).astype(np.float32), {"units": "1", "measure": "root mean square"}),
            "coverage": (dims, covered),
            "top": (dims, top, {"units": "m", "positive": "down"}),
            "base": (dims, base, {"units": "m", "positive": "down"}),
        },
        coords={"y": volume["y"], "x": volume["x"]},
    )
