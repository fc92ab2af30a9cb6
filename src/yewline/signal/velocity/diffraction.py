"""When the wave scattered by a buried object arrives: point or cylinder, antennas apart, line across or oblique."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError
from yewline.signal.velocity.engines import COMPILED

__all__ = [
    "DiffractionSlopes",
    "apparent_velocity",
    "diffraction_slopes",
    "diffraction_times",
    "oblique_velocity",
    "true_velocity",
]

F64 = npt.NDArray[np.float64]


class DiffractionSlopes(NamedTuple):
    """Derivatives of arrival times (n,): by the apex's place and the depth [ns/m], velocity [ns/(m/ns)], radius."""

    by_x0_ns_per_m: F64
    by_depth_ns_per_m: F64
    by_velocity: F64
    by_radius_ns_per_m: F64


def diffraction_times(
    x_m: npt.ArrayLike,
    *,
    x0_m: float,
    depth_m: float,
    v_m_per_ns: float,
    separation_m: float = 0.0,
    radius_m: float = 0.0,
    crossing_deg: float = 90.0,
) -> F64:
    """Arrival times of the wave that a buried object scatters, along a line over it.

    Parameters
    ----------
    x_m : (n,) middle between the antennas, m along the line.
    x0_m : where the line passes over the object, m.
    depth_m : of the object's top, m.
    v_m_per_ns : wave velocity, m/ns.
    separation_m : between the antennas, along the line, m.
    radius_m : of a round object, m; 0 is a point.
    crossing_deg : angle between the line and a long object, degrees; 90 crosses it straight. A point has none.

    Returns
    -------
    (n,) ns.

    Raises
    ------
    InputError : a value out of range, or a velocity above that of light.

    Notes
    -----
    For a point, v·t = √((x−s/2)² + d²) + √((x+s/2)² + d²). For a cylinder the wave is reflected where the sum of both
    ways is least (Fermat), found by Newton's method; with antennas at one place that is 2(√(x² + (d+R)²) − R). For a
    long object crossed at an angle β distances across it are x·sin β, and the path is the hypotenuse of that and of
    the antennas' distance along it, s·cos β.

    References
    ----------
    Ristić, Petrovački & Govedarica 2009, Comput. Geosci. 35:1620–1630 (radius; from memory).

    Examples
    --------
    >>> diffraction_times([0.0, 1.0], x0_m=0.0, depth_m=1.0, v_m_per_ns=0.1).round(5).tolist()
    [20.0, 28.28427]
    """
    times: F64 = _of(x_m, x0_m, depth_m, v_m_per_ns, separation_m, radius_m, crossing_deg)[0]
    return times


def diffraction_slopes(
    x_m: npt.ArrayLike,
    *,
    x0_m: float,
    depth_m: float,
    v_m_per_ns: float,
    separation_m: float = 0.0,
    radius_m: float = 0.0,
    crossing_deg: float = 90.0,
) -> DiffractionSlopes:
    """How arrival times change with the object's place, depth and radius and with velocity; see `diffraction_times`.

    Raises
    ------
    InputError : a value out of range, or a velocity above that of light.

    Examples
    --------
    >>> slopes = diffraction_slopes([0.0], x0_m=0.0, depth_m=1.0, v_m_per_ns=0.1)
    >>> slopes.by_depth_ns_per_m.round(6).tolist(), slopes.by_velocity.round(6).tolist()
    ([20.0], [-200.0])
    """
    slopes = _of(x_m, x0_m, depth_m, v_m_per_ns, separation_m, radius_m, crossing_deg)[1]
    return DiffractionSlopes(*np.ascontiguousarray(slopes.T))


def oblique_velocity(v_m_per_ns: float, crossing_deg: float) -> float:
    """Velocity that a long object seems to have where the line crosses it at an angle: too high by 1/sin of the angle.

    Raises
    ------
    InputError : a crossing of 0°, which is no crossing, or above 90°.

    Notes
    -----
    Distance from the object grows by x·sin β only, so that t² = t0² + 4x² sin²β/v².

    Examples
    --------
    >>> round(oblique_velocity(0.1, 30.0), 6)
    0.2
    """
    return check_velocity(v_m_per_ns, "v_m_per_ns") / math.sin(_crossing(crossing_deg))


def true_velocity(apparent_m_per_ns: float, crossing_deg: float) -> float:
    """Velocity behind what a long object crossed at an angle seems to have: the inverse of `oblique_velocity`.

    Examples
    --------
    >>> round(true_velocity(0.2, 30.0), 6)
    0.1
    """
    return check_positive(apparent_m_per_ns, "apparent_m_per_ns") * math.sin(_crossing(crossing_deg))


def apparent_velocity(x_m: npt.ArrayLike, *, depth_m: float, v_m_per_ns: float, radius_m: float) -> F64:
    """Velocity that apex and one point of a leg give where the object's radius is ignored: always too high.

    Parameters
    ----------
    x_m : (n,) distance of the point from the apex, m; at 0 the limit.
    depth_m : of the object's top, m.
    v_m_per_ns : wave velocity, m/ns.
    radius_m : of the object, m.

    Returns
    -------
    (n,) m/ns.

    Raises
    ------
    InputError : a value out of range.

    Notes
    -----
    From (t + 2R/v)² = 4(x² + (d+R)²)/v² follows t² − t0² = (4x²/v²)·(1 − Rv(t − t0)/x²), so that the apparent velocity
    2x/√(t² − t0²) is v/√(1 − Rv(t − t0)/x²): v√(1 + R/d) at the apex, and v far out. Antennas at one place.

    Examples
    --------
    >>> apparent_velocity([0.0], depth_m=1.0, v_m_per_ns=0.1, radius_m=0.21).round(6).tolist()
    [0.11]
    """
    x = check_array(x_m, "x_m", ndim=1)
    depth, v = check_positive(depth_m, "depth_m"), check_velocity(v_m_per_ns, "v_m_per_ns")
    radius = check_in_range(radius_m, "radius_m", 0.0, 100.0)
    deep = depth + radius
    # v(t − t0)/x² without the difference of two nearly equal times.
    rise = 2.0 / (np.hypot(x, deep) + deep)
    return np.asarray(v / np.sqrt(1.0 - radius * rise))


def _crossing(crossing_deg: float) -> float:
    angle = check_finite(crossing_deg, "crossing_deg")
    if not 0.0 < angle <= 90.0:
        raise InputError(
            "a line crosses a long object at more than 0 and at most 90 degrees",
            received=f"{angle:g}",
            do="give the smaller of the two angles between line and object",
        )
    return math.radians(angle)


def _of(
    x_m: npt.ArrayLike, x0: float, depth: float, v: float, separation: float, radius: float, crossing: float
) -> tuple[F64, F64]:
    found: tuple[F64, F64] = COMPILED.diffraction(
        check_array(x_m, "x_m", ndim=1),
        check_finite(x0, "x0_m"),
        check_positive(depth, "depth_m"),
        check_velocity(v, "v_m_per_ns"),
        check_in_range(separation, "separation_m", 0.0, 100.0),
        check_in_range(radius, "radius_m", 0.0, 100.0),
        _crossing(crossing),
    )
    return found
