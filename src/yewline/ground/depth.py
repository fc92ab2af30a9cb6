"""Time to depth and back, and how far a depth may be off."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_velocity
from yewline.errors import InputError
from yewline.units import C_M_PER_NS, Z90

__all__ = ["depth_error_m", "depth_of_time", "time_of_depth"]

Array = npt.NDArray[np.float64]


def depth_of_time(time_ns: npt.ArrayLike, v_m_per_ns: npt.ArrayLike, *, separation_m: float = 0.0) -> Array:
    """Depth of a reflector midway below the antennas, from its two-way time.

    Parameters
    ----------
    time_ns : any shape, ns, ≥ 0, counted from the moment the wave enters the ground.
    v_m_per_ns : mean velocity down to the reflector, m/ns, that broadcasts with it.
    separation_m : distance between transmitter and receiver, m.

    Returns
    -------
    Depth, m, positive downward. Zero where the time is too short for the wave to cross the separation.

    Raises
    ------
    InputError : a negative time, or a velocity that is not between 0 and that of light.

    Notes
    -----
    Down to the reflector and up again is 2√(z² + (s/2)²) = vt, hence z = ½√((vt)² − s²).

    Examples
    --------
    >>> depth_of_time([20.0, 20.0639], 0.1).round(4).tolist()
    [1.0, 1.0032]
    >>> depth_of_time(20.0639, 0.1, separation_m=0.16).round(4).item()
    1.0
    """
    time = _not_negative(time_ns, "time_ns")
    path = time * _velocity(v_m_per_ns)
    return 0.5 * np.sqrt(np.maximum(path**2 - _separation(separation_m) ** 2, 0.0))


def time_of_depth(depth_m: npt.ArrayLike, v_m_per_ns: npt.ArrayLike, *, separation_m: float = 0.0) -> Array:
    """Two-way time of a reflector midway below the antennas: inverse of `depth_of_time`.

    Parameters
    ----------
    depth_m : any shape, m, ≥ 0.
    v_m_per_ns, separation_m : as in `depth_of_time`.

    Examples
    --------
    >>> time_of_depth(1.0, 0.1, separation_m=0.16).round(5).item()
    20.0639
    """
    depth = _not_negative(depth_m, "depth_m")
    return np.sqrt(4.0 * depth**2 + _separation(separation_m) ** 2) / _velocity(v_m_per_ns)


def depth_error_m(
    depth_m: npt.ArrayLike,
    v_m_per_ns: npt.ArrayLike,
    sigma_v_m_per_ns: npt.ArrayLike,
    *,
    time_zero_sigma_ns: float = 0.0,
    separation_m: float = 0.0,
) -> Array:
    """Half-width of the 90 % interval of a depth, from the errors of velocity and of time zero.

    Parameters
    ----------
    depth_m : any shape, m, ≥ 0.
    v_m_per_ns, sigma_v_m_per_ns : mean velocity to that depth and its standard deviation; they broadcast with it.
    time_zero_sigma_ns : standard deviation of time zero, ns.
    separation_m : as in `depth_of_time`.

    Returns
    -------
    Broadcast shape, m.

    Notes
    -----
    1.645 √[(∂z/∂v · σ_v)² + (∂z/∂t · σ_t)²] with ∂z/∂v = (z/v)(1 + (s/2z)²) and ∂z/∂t = (v/2)√(1 + (s/2z)²). The line
    through a point says nothing where the curve is steep, so above half the separation s/2z is held at one.

    Examples
    --------
    >>> depth_error_m([0.0, 1.0], 0.1, 0.01, time_zero_sigma_ns=0.2).round(4).tolist()
    [0.0164, 0.1653]
    """
    depth, v, sigma = np.broadcast_arrays(
        _not_negative(depth_m, "depth_m"),
        _velocity(v_m_per_ns),
        _not_negative(sigma_v_m_per_ns, "sigma_v_m_per_ns"),
    )
    if check_finite(time_zero_sigma_ns, "time_zero_sigma_ns") < 0:
        raise InputError("time_zero_sigma_ns must not be negative", received=time_zero_sigma_ns)
    half = 0.5 * _separation(separation_m)
    # (z/v)(1 + (s/2z)²) written so that z = 0 without separation gives 0.
    z = np.maximum(depth, half)
    slant = 1.0 + np.divide(half, z, out=np.zeros_like(z), where=z > 0) ** 2
    by_velocity = z / v * slant * sigma
    by_time = 0.5 * v * np.sqrt(slant) * time_zero_sigma_ns
    return np.asarray(Z90 * np.hypot(by_velocity, by_time))


def _separation(value: float) -> float:
    if check_finite(value, "separation_m") < 0:
        raise InputError("separation_m must not be negative", received=value)
    return float(value)


def _not_negative(values: npt.ArrayLike, name: str) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if np.any(array < 0):
        raise InputError(f"{name} must not be negative", received=f"{array[array < 0].flat[0]:g}")
    return array


def _velocity(values: npt.ArrayLike) -> Array:
    v = np.asarray(values, dtype=np.float64)
    fast = v[v > C_M_PER_NS]
    if fast.size:
        check_velocity(float(fast.max()), "velocity")
    if np.any(v <= 0):
        raise InputError("velocity must be greater than zero", received=f"{np.nanmin(v):g} m/ns")
    return v
