"""Traveltimes through flat layers: one leg from an antenna to a depth, bent by Snell's law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.signal.migration.layers import Array, Layers, as_layers

__all__ = ["Legs", "depths_of_times", "leg_times"]

_STEPS = 60
"""Newton steps at most; five or six are used."""


@dataclass(frozen=True, eq=False)
class Legs:
    """One-way legs from an antenna to points at horizontal offset X and depth Z.

    Attributes
    ----------
    time_ns : (X, Z) traveltime, ns.
    bend_along : (X, Z) second derivative of time along the direction of the offset, ns/m².
    bend_across : (X, Z) second derivative of time across it, ns/m².
    slope : (X, Z) first derivative of time with offset, the horizontal slowness, ns/m.
    """

    time_ns: Array
    bend_along: Array
    bend_across: Array
    slope: Array


def leg_times(offset_m: npt.ArrayLike, depth_m: npt.ArrayLike, ground: float | Layers) -> Legs:
    """Time, and its derivatives along the surface, of the ray from an antenna to each offset and depth.

    Parameters
    ----------
    offset_m : (X,) horizontal distances, m; the sign does not matter.
    depth_m : (Z,) depths below the antenna, m, greater than zero.
    ground : one velocity, m/ns, or layers.

    Returns
    -------
    Legs. Only the direct ray is traced, no head wave.

    Raises
    ------
    InputError : depths that are not positive, offsets that are not finite, or a velocity that cannot be.

    Notes
    -----
    With slowness p and thicknesses h_l: X = Σ h_l p v_l /√(1 − p²v_l²), T = Σ h_l /(v_l √(1 − p²v_l²)),
    d²T/dX² = dp/dX = 1/Σ h_l v_l (1 − p²v_l²)^(−3/2), across it p/X. p is found by Newton's method in
    q = p v_max /√(1 − p²v_max²), in which X is concave: the steps come from one side and cannot leave.

    References
    ----------
    Sheriff & Geldart 1995, Exploration Seismology, 2nd ed., §4.2 (rays through layers, in parametric form).

    Examples
    --------
    >>> legs = leg_times([0.0, 0.6], [0.8], 0.1)
    >>> legs.time_ns.round(6).tolist()
    [[8.0], [10.0]]
    """
    layers = as_layers(ground)
    offset = np.abs(check_array(offset_m, "offset_m", ndim=1))
    depth = check_array(depth_m, "depth_m", ndim=1)
    if (depth <= 0).any():
        raise InputError("legs need depths below the antenna", received=f"{depth.min():g} m")
    thickness = layers.thickness_above(depth)
    crossed = thickness > 0
    fastest = np.where(crossed, layers.velocity_m_per_ns, 0.0).max(axis=1)
    share = layers.velocity_m_per_ns / fastest[:, None]
    slow = np.where(crossed, 1.0 - share**2, 0.0)
    q = _newton(offset, thickness, share, slow)
    square = 1.0 + q * q
    parts = [1.0 + q * q * slow[:, layer] for layer in range(len(layers.top_m))]
    time, bend = np.zeros_like(q), np.zeros_like(q)
    for layer, part in enumerate(parts):
        # 1 − p²v² = (1 + q²(1 − u²))/(1 + q²) with u = v/v_max.
        root = np.sqrt(square / part)
        time += thickness[:, layer] / layers.velocity_m_per_ns[layer] * root
        bend += thickness[:, layer] * layers.velocity_m_per_ns[layer] * root**3
    slope = q / (fastest * np.sqrt(square))
    # p/X towards X = 0 is what the second derivative is there.
    across = np.where(offset[:, None] > 0, slope / np.where(offset[:, None] > 0, offset[:, None], 1.0), 1.0 / bend)
    return Legs(time, 1.0 / bend, across, slope)


def _newton(offset: Array, thickness: Array, share: Array, slow: Array) -> Array:
    """(X, Z) q at which the ray comes out at each offset."""
    reach = thickness * share
    q = offset[:, None] / reach.sum(axis=1)
    for _ in range(_STEPS):
        value, rate = np.zeros_like(q), np.zeros_like(q)
        for layer in range(thickness.shape[1]):
            part = 1.0 + q * q * slow[:, layer]
            root = np.sqrt(part)
            value += reach[:, layer] * q / root
            rate += reach[:, layer] / (part * root)
        change = (offset[:, None] - value) / rate
        q += change
        if (np.abs(change) <= 1e-14 * (1.0 + q)).all():
            break
    return q


def depths_of_times(time_ns: npt.ArrayLike, ground: float | Layers, *, separation_m: float = 0.0) -> Array:
    """(S,) depth of what antennas right above it record at each two-way time.

    Parameters
    ----------
    time_ns : (S,) two-way times, ns, not falling.
    ground : one velocity, m/ns, or layers.
    separation_m : distance between the antennas, m.

    Returns
    -------
    Depths, m; zero where the time is too short for the wave to cross the separation.

    Raises
    ------
    InputError : times that fall, or values out of range.

    Examples
    --------
    >>> depths_of_times([0.0, 20.0], 0.1, separation_m=1.2).round(6).tolist()
    [0.0, 0.8]
    """
    time = check_array(time_ns, "time_ns", ndim=1)
    half = 0.5 * check_in_range(separation_m, "separation_m", 0.0, 100.0)
    if (np.diff(time) < 0).any():
        raise InputError("times must not fall", received=f"a step of {np.diff(time).min():g} ns")
    layers = as_layers(ground)
    if len(layers.top_m) == 1:
        path = layers.velocity_m_per_ns[0] * np.maximum(time, 0.0)
        return np.asarray(0.5 * np.sqrt(np.maximum(path**2 - 4 * half**2, 0.0)), np.float64)
    deepest = 0.5 * max(float(time[-1]), 1e-9) * float(layers.velocity_m_per_ns.max())
    # The boundaries are nodes, so that straight pieces between nodes are exact without separation.
    grid = np.unique(np.append(np.linspace(0.0, deepest, 4096), layers.top_m[layers.top_m < deepest]))[1:]
    at_grid = 2.0 * leg_times([half], grid, layers).time_ns[0]
    # Times may fall with depth for a far separation over a fast layer; the first arrival that is late enough counts.
    rising = np.maximum.accumulate(np.append(0.0 if half == 0 else 2.0 * half / layers.velocity_m_per_ns[0], at_grid))
    return np.interp(time, rising, np.append(0.0, grid))
