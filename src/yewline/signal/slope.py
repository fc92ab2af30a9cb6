"""Slope of the ground along a line, and what an antenna that stands on it looks at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["Relief", "ground_relief", "ground_slope", "tilt_offset_m"]

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Relief:
    """How far the ground under a line is from level.

    Attributes
    ----------
    range_m : between its highest and lowest point, m.
    steepest_deg : size of its steepest slope, degrees.
    steepest_at_m : where along the line that is, m.
    """

    range_m: float
    steepest_deg: float
    steepest_at_m: float


def ground_slope(distance_m: npt.ArrayLike, elevation_m: npt.ArrayLike, *, smooth_m: float) -> tuple[F64, F64]:
    """Height and slope of the ground along a line, smoothed.

    Parameters
    ----------
    distance_m : (T,) of each trace along the line, rising, m; spacing need not be even.
    elevation_m : (T,) height of the ground, m.
    smooth_m : half-length over which a straight piece of ground is fitted, m: about the length of the antenna's housing
        and the scatter of the heights call for 0.5 to 1.

    Returns
    -------
    Height (T,), m, and slope (T,), degrees, positive where the ground rises along the line.

    Raises
    ------
    InputError : fewer than two traces, distances that do not rise, values that are not finite, lengths that differ.

    Notes
    -----
    At each trace a line by weighted least squares over the traces within ±smooth_m, weights (1 − |d|³)³ with d the
    distance over smooth_m; where fewer than three traces lie so near, over the nearest three.

    References
    ----------
    Weights of Cleveland 1979, J. Am. Stat. Assoc. 74:829–836 (from memory).

    Examples
    --------
    >>> x = 0.1 * np.arange(50)
    >>> height, slope = ground_slope(x, 2.0 + 0.1 * x, smooth_m=1.0)
    >>> round(float(slope[25]), 2), round(float(height[25]), 3)
    (5.71, 2.25)
    """
    x, z = _line(distance_m, elevation_m)
    reach = check_positive(smooth_m, "smooth_m")
    height, gradient = np.empty_like(z), np.empty_like(z)
    for i, at in enumerate(x):
        # Just beyond the third nearest trace, so that it still has some weight.
        third = np.partition(np.abs(x - at), min(2, len(x) - 1))[min(2, len(x) - 1)]
        width = max(reach, 1.5 * float(third))
        first, stop = np.searchsorted(x, [at - width, at + width])
        near = slice(int(first), int(stop))
        weight = (1.0 - np.minimum(np.abs(x[near] - at) / width, 1.0) ** 3) ** 3
        total = weight.sum()
        middle, mean = float(weight @ x[near] / total), float(weight @ z[near] / total)
        spread = float(weight @ (x[near] - middle) ** 2)
        gradient[i] = float(weight @ ((x[near] - middle) * (z[near] - mean))) / spread
        height[i] = mean + gradient[i] * (at - middle)
    return height, np.degrees(np.arctan(gradient))


def ground_relief(distance_m: npt.ArrayLike, elevation_m: npt.ArrayLike, *, smooth_m: float) -> Relief:
    """How far the ground under a line is from level, for a caller that warns.

    Heights and tilt should be allowed for where the relief is comparable with the depth of what is looked for, or the
    slope above 6 to 10 degrees (common practice, no source).

    Examples
    --------
    >>> relief = ground_relief([0.0, 1.0, 2.0, 3.0], [0.0, 0.0, 0.5, 1.0], smooth_m=1.0)
    >>> relief.range_m > 0.8, 20 < relief.steepest_deg < 30
    (True, True)
    """
    x, _ = _line(distance_m, elevation_m)
    height, slope = ground_slope(distance_m, elevation_m, smooth_m=smooth_m)
    at = int(np.abs(slope).argmax())
    return Relief(float(np.ptp(height)), float(abs(slope[at])), float(x[at]))


def tilt_offset_m(depth_m: npt.ArrayLike, slope_deg: npt.ArrayLike) -> F64:
    """How far ahead along the line lies what an antenna tilted with the ground looks at, m.

    Parameters
    ----------
    depth_m : distance into the ground along the antenna's axis, m.
    slope_deg : of the ground, degrees, positive where it rises along the line.

    Returns
    -------
    Of the shape to which the arguments broadcast: positive is farther along the line, on the uphill side.

    Raises
    ------
    InputError : depths that are negative or not finite, or slopes of 90° and more.

    Notes
    -----
    depth · sin(slope): an antenna on ground that rises ahead is tilted back, and its axis points ahead into the slope.

    Examples
    --------
    >>> round(float(tilt_offset_m(1.2, 10.0)), 2)
    0.21
    """
    depth, slope = np.asarray(depth_m, np.float64), np.asarray(slope_deg, np.float64)
    if not (np.isfinite(depth).all() and (depth >= 0).all()):
        raise InputError("depth_m must be finite and not negative", received=float(np.min(depth)))
    if not (np.abs(slope) < 90.0).all():
        raise InputError("slope_deg must lie between −90 and 90", received=float(np.max(np.abs(slope))))
    offset: F64 = depth * np.sin(np.radians(slope))
    return offset


def _line(distance_m: npt.ArrayLike, elevation_m: npt.ArrayLike) -> tuple[F64, F64]:
    x, z = check_array(distance_m, "distance_m", ndim=1), check_array(elevation_m, "elevation_m", ndim=1)
    if len(x) != len(z):
        raise InputError("each trace needs a distance and an elevation", received=f"{len(x)} and {len(z)}")
    if len(x) < 2:
        raise InputError("a slope needs two traces or more", received=len(x))
    if not (np.diff(x) > 0).all():
        at = int(np.argmin(np.diff(x)))
        raise InputError(
            "distances along the line must rise",
            received=f"{x[at]:g} m, then {x[at + 1]:g} m",
            do="put the traces in order, and drop those recorded standing still",
        )
    return x, z
