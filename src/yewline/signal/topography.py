"""Topography: traces moved so that time counts from a level datum instead of from the ground."""

from __future__ import annotations

import math
from typing import Annotated, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_array, check_choice, check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.shift import shift_by
from yewline.signal.slope import ground_slope
from yewline.signal.traces import Traces, check_traces

__all__ = ["datum_of", "static_shift", "topography"]

F64 = npt.NDArray[np.float64]
Datum = Literal["highest", "mean", "lowest"]

MOST_GROWTH: Final = 20
"""A record that would grow to more than this many times its length comes from heights in a wrong unit or frame."""


def datum_of(elevation_m: npt.ArrayLike, datum: str) -> float:
    """Height of a level datum over a line, m: its highest point, its mean or its lowest.

    Examples
    --------
    >>> datum_of([1.0, 3.0, 2.0], "highest")
    3.0
    """
    heights = check_array(elevation_m, "elevation_m", ndim=1)
    check_choice(datum, "datum", ("highest", "mean", "lowest"))
    return float(heights.mean() if datum == "mean" else heights.max() if datum == "highest" else heights.min())


def static_shift(
    amplitude: npt.ArrayLike,
    elevation_m: npt.ArrayLike,
    *,
    interval_ns: float,
    velocity_m_per_ns: float,
    datum_m: float,
) -> Traces:
    """Move each trace so that time counts from a level datum.

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    elevation_m : (T,) height of the ground at each trace, m.
    interval_ns : sample interval, ns.
    velocity_m_per_ns : between the ground and the datum, m/ns.
    datum_m : height of the datum, m, in the frame of the elevations.

    Returns
    -------
    (T, S') float32, its first sample at the datum. Traces on ground below the datum come later, with silence before
    them, and S' is as long as the lowest of them needs: nothing recorded is lost at the end. Of traces on ground above
    the datum, what lies above it is cut off.

    Raises
    ------
    InputError : samples or heights that are not finite, lengths that differ, no such velocity, or heights so far from
        the datum that the record would grow more than twentyfold.

    Notes
    -----
    Δt = 2·(datum − elevation)/v: exact for waves that travel upright, so good for slopes of a few degrees.

    Examples
    --------
    >>> static_shift([[1, 0, 0], [1, 0, 0]], [2.0, 1.9], interval_ns=1.0, velocity_m_per_ns=0.1, datum_m=2.0).tolist()
    [[1.0, 0.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0, 0.0]]
    """
    values = check_traces(amplitude)
    heights = _heights(elevation_m, len(values))
    step = check_positive(interval_ns, "interval_ns")
    speed = check_velocity(velocity_m_per_ns, "velocity_m_per_ns")
    later = 2.0 * (check_finite(datum_m, "datum_m") - heights) / (speed * step)
    # A shift by a millionth of a sample does not lengthen the record.
    longest = max(0, math.ceil(float(later.max()) - 1e-6))
    if longest > MOST_GROWTH * max(values.shape[1], 1):
        raise InputError(
            "the ground lies too far below the datum for this record",
            received=f"{float(datum_m) - float(heights.min()):g} m at {speed:g} m/ns",
            do="check the unit and frame of the elevations and of the datum",
        )
    padded = np.pad(values, ((0, 0), (0, longest)))
    return np.ascontiguousarray(shift_by(padded, -later))


def topography(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    datum: Literal["highest", "mean", "lowest"] = "highest",
    datum_m: Annotated[float | None, Field(ge=-500, le=9_000)] = None,
    velocity_m_per_ns: Annotated[float | None, Field(gt=0, le=0.2998)] = None,
    smooth_m: Annotated[float, Field(ge=0, le=100)] = 0.0,
) -> Traces:
    """Show a line under its true surface: each trace is moved so that time counts from a level datum.

    For display: depth below the ground can no longer be read from the time of a sample. It is right where slopes are
    gentle; steeper ground needs migration from topography. The top of a diffraction then lies above its target; on
    records that were not moved it lies where the tilted antenna looks at the target (`tilt_offset_m`).

    Parameters
    ----------
    amplitude : (T, S) samples, the first one at time zero.
    section : sampling, the ground's height at each trace and, if known, its velocity.
    datum : the line's highest point, its mean height or its lowest point. Ground above the datum is cut off.
    datum_m : height of the datum, m, in place of `datum`: the same for all lines of a site.
    velocity_m_per_ns : velocity above the datum, m/ns; left out, that of the ground as estimated for the visit.
    smooth_m : half-length over which heights are smoothed along the line, m; 0 takes them as they are.

    Returns
    -------
    (T, S') float32, its first sample at the datum, with silence where a trace does not reach.

    Raises
    ------
    InputError : no heights, no velocity, samples that are not finite, or a value out of range.

    Notes
    -----
    Δt = 2·(datum − elevation)/v. A place at time t lies at the height datum − v·t/2.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.5, centre_mhz=200.0, elevation_m=[2.0, 1.9])
    >>> topography([[1, 0, 0], [1, 0, 0]], section, velocity_m_per_ns=0.1).tolist()
    [[1.0, 0.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0, 0.0]]
    """
    values = check_traces(amplitude)
    check_choice(datum, "datum", ("highest", "mean", "lowest"))
    smooth = check_in_range(smooth_m, "smooth_m", 0.0, 100.0)
    if section.elevation_m is None:
        raise InputError("topography needs the height of the ground at each trace", do="give elevations for the site")
    speed = section.velocity_m_per_ns if velocity_m_per_ns is None else velocity_m_per_ns
    if speed is None:
        raise InputError("topography needs a velocity", do="give velocity_m_per_ns")
    heights = _heights(section.elevation_m, len(values))
    if smooth > 0 and len(heights) > 1:
        heights, _ = ground_slope(_along(section, len(heights)), heights, smooth_m=smooth)
    level = datum_of(heights, datum) if datum_m is None else check_finite(datum_m, "datum_m")
    return static_shift(values, heights, interval_ns=section.interval_ns, velocity_m_per_ns=speed, datum_m=level)


def _heights(elevation_m: npt.ArrayLike, n: int) -> F64:
    heights: F64 = check_array(elevation_m, "elevation_m", ndim=1)
    if len(heights) != n:
        raise InputError("each trace needs an elevation", received=f"{len(heights)} elevations for {n} traces")
    return heights


def _along(section: Section, n: int) -> F64:
    if section.distance_m is not None:
        return section.distance_m
    if section.spacing_m <= 0:
        raise InputError(
            "smoothing of heights needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces, or leave smooth_m out",
        )
    return section.spacing_m * np.arange(n, dtype=np.float64)
