"""Radargram: traces along one line as an `xarray.DataArray`.

dims ``(trace, time)``, float32, C order. Coordinates: ``time`` [ns] on time; ``distance`` [m], ``x``, ``y``,
``z`` [m], ``sigma_xy`` [m] (1 sd per axis) and ``segment`` (int) on trace. Attributes: ``units``, ``line``,
``visit``, ``centre_mhz``, ``separation_m``, ``provenance`` (a JSON list of steps).
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = [
    "add_provenance",
    "coordinate",
    "distance_along",
    "interval_ns",
    "make_radargram",
    "provenance_steps",
    "spacing_m",
    "with_amplitude",
]


def make_radargram(
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    start_ns: float = 0.0,
    z: npt.ArrayLike = 0.0,
    sigma_xy: npt.ArrayLike = 0.0,
    segment: npt.ArrayLike | None = None,
    attrs: dict[str, Any] | None = None,
) -> xr.DataArray:
    """Make a radargram from samples and positions.

    Parameters
    ----------
    amplitude : (trace, time).
    interval_ns : sample interval, ns.
    x, y : (trace,) site metres.
    start_ns : time of the first sample, ns.
    z : height of the ground, m, a number or one for each trace; 0 throughout where nobody levelled it.
    sigma_xy : standard deviation of a trace's position per axis, m, a number or one for each trace.
    segment : (trace,) number of the line's segment that each trace belongs to; distance does not grow
        across the gap between two segments.
    attrs : ``line``, ``visit``, ``centre_mhz``, ``separation_m`` and others.

    Raises
    ------
    InputError : shapes do not fit together, or values are not finite.

    Examples
    --------
    >>> radargram = make_radargram([[0.0, 1.0], [0.0, 2.0]], interval_ns=0.5, x=[0, 0.1], y=[0, 0])
    >>> radargram.dims, radargram.time.values.tolist(), radargram.distance.values.round(3).tolist()
    (('trace', 'time'), [0.0, 0.5], [0.0, 0.1])
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    step = check_positive(interval_ns, "interval_ns")
    n_trace, n_time = values.shape
    xs = check_array(x, "x", ndim=1)
    ys = check_array(y, "y", ndim=1)
    part = np.zeros(n_trace, np.int32) if segment is None else np.asarray(segment, np.int32)
    if not (len(xs) == len(ys) == len(part) == n_trace):
        raise InputError("positions must have one value for each trace", received=f"{len(xs)} for {n_trace} traces")
    heights, spread = (_each_trace(value, name, n_trace) for value, name in ((z, "z"), (sigma_xy, "sigma_xy")))
    return xr.DataArray(
        values,
        dims=("trace", "time"),
        coords={
            "time": ("time", start_ns + step * np.arange(n_time), {"units": "ns"}),
            "distance": ("trace", distance_along(xs, ys, part), {"units": "m"}),
            "x": ("trace", xs, {"units": "m"}),
            "y": ("trace", ys, {"units": "m"}),
            "z": ("trace", heights, {"units": "m"}),
            "sigma_xy": ("trace", spread, {"units": "m"}),
            "segment": ("trace", part),
        },
        name="amplitude",
        attrs={"units": "1", "provenance": "[]", "interval_ns": step, **(attrs or {})},
    )


def distance_along(x: npt.ArrayLike, y: npt.ArrayLike, segment: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Distance of each trace along its line, m; it does not grow across the gap between two segments.

    Parameters
    ----------
    x, y : (T,) site metres.
    segment : (T,) number of each trace's segment.

    Examples
    --------
    >>> distance_along([0.0, 1.0, 4.0, 5.0], [0.0] * 4, [0, 0, 1, 1]).tolist()
    [0.0, 1.0, 1.0, 2.0]
    """
    stride = np.hypot(np.diff(np.asarray(x, np.float64)), np.diff(np.asarray(y, np.float64)))
    stride[np.diff(np.asarray(segment)) != 0] = 0.0
    return np.concatenate([[0.0], np.cumsum(stride)])


def _each_trace(value: npt.ArrayLike, name: str, traces: int) -> npt.NDArray[np.float64]:
    """One number for each trace, of what may be given once for all."""
    values = check_array(np.atleast_1d(np.asarray(value, np.float64)), name, ndim=1)
    if len(values) not in (1, traces):
        raise InputError(f"{name} needs one value, or one for each trace", received=f"{len(values)} for {traces}")
    return np.array(np.broadcast_to(values, traces))


def interval_ns(radargram: xr.DataArray) -> float:
    """Sample interval of a radargram, ns."""
    return float(radargram.attrs["interval_ns"])


def coordinate(radargram: xr.DataArray, name: str) -> npt.NDArray[Any]:
    """The values of a coordinate: ``radargram[name]`` makes an array of its own, which takes as long as a filter."""
    return np.asarray(radargram.coords.variables[name].values)


def spacing_m(radargram: xr.DataArray) -> float:
    """Median distance between neighbouring traces of the same segment, m; 0 for a single trace."""
    steps = np.diff(coordinate(radargram, "distance"))[np.diff(coordinate(radargram, "segment")) == 0]
    return float(np.median(steps)) if len(steps) else 0.0


def with_amplitude(radargram: xr.DataArray, amplitude: npt.NDArray[np.float32]) -> xr.DataArray:
    """The same radargram with other samples; times beyond the new length are dropped.

    Coordinates are shared with `radargram`, not copied.
    """
    shorter = amplitude.shape[1] < radargram.sizes["time"]
    held = radargram.isel(time=slice(0, amplitude.shape[1])) if shorter else radargram
    return held.copy(deep=False, data=amplitude)


def provenance_steps(radargram: xr.DataArray) -> list[dict[str, Any]]:
    """The steps that made a radargram, oldest first."""
    steps: list[dict[str, Any]] = json.loads(radargram.attrs.get("provenance", "[]"))
    return steps


def add_provenance(radargram: xr.DataArray, *steps: dict[str, Any]) -> xr.DataArray:
    """The same radargram with more steps in its provenance."""
    text = json.dumps([*provenance_steps(radargram), *steps], sort_keys=True)
    grown = radargram.copy(deep=False)
    grown.attrs["provenance"] = text
    return grown
