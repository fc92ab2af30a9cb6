"""Depth of every sample of a line, and the error of depth in every cell."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.ground import depth_error_m, depth_of_time
from yewline.model import VelocityField, VolumeGrid

__all__ = ["cell_depth_error_m", "depth_table_m", "sample_depths_m"]

Array = npt.NDArray[np.float64]

_FINE: Final = 4


def depth_table_m(
    time_ns: npt.ArrayLike,
    velocity: VelocityField,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    separation_m: float = 0.0,
    step_m: float = 0.025,
) -> tuple[Array, npt.NDArray[np.int64]]:
    """Depths of samples in the velocity under each trace; traces with the same velocity share a row.

    Parameters
    ----------
    time_ns : (S,) two-way time since the wave entered the ground, increasing.
    velocity : the field; taken at each trace. Where it has several depths, each holds halfway to the next.
    x, y : (T,) positions of the traces, m.
    separation_m : distance between transmitter and receiver.
    step_m : depth bins that the result is meant for; a layered velocity is integrated in quarters of it.

    Returns
    -------
    (R, S) depths, never decreasing along a row, 0 for times before the wave along the surface; and (T,) the row of each
    trace.

    Raises
    ------
    InputError : times or positions that are not finite, or a separation out of range.

    Notes
    -----
    One velocity: z = ½√((v t)² − s²). Layers: t₀(z) = 2 ∫ dz/v and t² = t₀² + s²/v_rms², with
    v_rms² = (2/t₀) ∫ v dz, the usual hyperbola of a layered ground.

    References
    ----------
    Dix, C. H. (1955), Geophysics 20(1):68–86 (root-mean-square velocity; equation from memory).

    Examples
    --------
    >>> field = VelocityField.uniform(0.1, 0.01)
    >>> table, row = depth_table_m([0.0, 10.0, 20.0], field, [0.0, 1.0], [0.0, 0.0])
    >>> table.tolist(), row.tolist()
    ([[0.0, 0.5, 1.0]], [0, 0])
    """
    time = check_array(time_ns, "time_ns", ndim=1)
    separation = check_in_range(separation_m, "separation_m", 0.0, 10.0)
    v, _ = velocity.at(check_array(x, "x", ndim=1), check_array(y, "y", ndim=1))
    columns, row = np.unique(v, axis=1, return_inverse=True)
    if len(velocity.z) == 1:
        table = depth_of_time(np.maximum(time, 0.0), columns[0][:, None], separation_m=separation)
    else:
        table = _layered(time, velocity.z, columns, separation, step_m / _FINE)
    return table, row.ravel().astype(np.int64)


def sample_depths_m(
    time_ns: npt.ArrayLike,
    velocity: VelocityField,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    separation_m: float = 0.0,
    step_m: float = 0.025,
) -> Array:
    """Depth of each sample under each trace, (T, S): `depth_table_m` written out, for those who plot sections.

    Examples
    --------
    >>> sample_depths_m([0.0, 20.0], VelocityField.uniform(0.1, 0.01), [0.0, 1.0], [0.0, 0.0]).tolist()
    [[0.0, 1.0], [0.0, 1.0]]
    """
    table, row = depth_table_m(time_ns, velocity, x, y, separation_m=separation_m, step_m=step_m)
    depths: Array = table[row]
    return depths


def _layered(time: Array, z: Array, v: Array, separation: float, fine: float) -> Array:
    """Depths (R, S) in layered velocities (nz, R)."""
    bounds = 0.5 * (z[1:] + z[:-1])
    deepest = max(float(bounds[-1]), 0.5 * float(v.max()) * float(time.max())) + fine
    at = np.unique(np.concatenate([np.arange(0.0, deepest + fine, fine), bounds[bounds > 0.0]]))
    thick = np.diff(at)[:, None]
    within = v[np.searchsorted(bounds, 0.5 * (at[1:] + at[:-1]))]
    vertical = np.cumsum(2.0 * thick / within, axis=0)
    squared = np.cumsum(2.0 * thick * within, axis=0) / vertical
    slant = np.concatenate(
        [np.full((1, v.shape[1]), separation) / v[:1], np.hypot(vertical, separation / np.sqrt(squared))]
    )
    # A fast layer under a slow one can bring the slanted time of the next step earlier; depth must still not fall.
    slant = np.maximum.accumulate(slant, axis=0)
    return np.array([np.interp(time, column, at) for column in slant.T])


def cell_depth_error_m(
    velocity: VelocityField, grid: VolumeGrid, *, time_zero_sigma_ns: float, separation_m: float = 0.0
) -> npt.NDArray[np.float32]:
    """Half-width of the 90 % interval of each cell's depth, (Z, Y, X).

    Two errors that have nothing to do with each other: that of the velocity at the place, and that of time zero.

    Raises
    ------
    InputError : a time-zero error or a separation that is negative or not finite.

    Notes
    -----
    `ground.depth_error_m` with the mean velocity down to the cell, z/∫dz/v. Where the velocity has several depths, its
    standard deviation is that of the mean down to each, linear between them. At a given time a relative error r of the
    mean moves a depth z by r z v(z)/v̄(z), which is z r in one velocity. In layers the part of the separation takes the
    mean velocity for the root mean square, which differs by a few per cent of the error at most.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=1, ny=1, depth_step_m=2.0, nz=1)
    >>> error = cell_depth_error_m(VelocityField.uniform(0.1, 0.01), grid, time_zero_sigma_ns=0.0)
    >>> round(error.item(), 4)
    0.1645
    """
    zero = check_in_range(time_zero_sigma_ns, "time_zero_sigma_ns", 0.0, 1e3)
    xs, ys = np.meshgrid(grid.x, grid.y)
    v, sigma = velocity.at(xs.ravel(), ys.ravel())
    bounds = np.maximum(0.5 * (velocity.z[1:] + velocity.z[:-1]), 0.0)
    tops, bases = np.concatenate([[0.0], bounds]), np.concatenate([bounds, [math.inf]])

    def mean_to(depth: float) -> Array:
        return np.asarray(depth / ((np.clip(depth, tops, bases) - tops) @ (1.0 / v)))

    relative = sigma / np.array([mean_to(depth) if depth > 0 else v[0] for depth in velocity.z])
    out = np.empty((grid.nz, grid.ny, grid.nx), np.float32)
    for k, depth in enumerate(grid.depth):
        mean = mean_to(float(depth))
        at = float(np.interp(depth, velocity.z, np.arange(len(velocity.z))))
        above, share = int(at), at - int(at)
        below = min(above + 1, len(velocity.z) - 1)
        error_share = (1.0 - share) * relative[above] + share * relative[below]
        mean_sigma = error_share * v[np.searchsorted(bounds, depth)]
        error = depth_error_m(depth, mean, mean_sigma, time_zero_sigma_ns=zero, separation_m=separation_m)
        out[k] = error.reshape(grid.ny, grid.nx)
    return out
