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

__all__ = ["add_provenance", "interval_ns", "make_radargram", "provenance_steps", "spacing_m", "with_amplitude"]


def make_radargram(
    amplitude: npt.ArrayLike,
    *,
    interval_ns: float,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    start_ns: float = 0.0,
    sigma_xy: float = 0.0,
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
    sigma_xy : standard deviation of a trace's position per axis, m.
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
    stride = np.hypot(np.diff(xs), np.diff(ys))
    stride[np.diff(part) != 0] = 0.0
    return xr.DataArray(
        values,
        dims=("trace", "time"),
        coords={
            "time": ("time", start_ns + step * np.arange(n_time), {"units": "ns"}),
            "distance": ("trace", np.concatenate([[0.0], np.cumsum(stride)]), {"units": "m"}),
            "x": ("trace", xs, {"units": "m"}),
            "y": ("trace", ys, {"units": "m"}),
            "z": ("trace", np.zeros(n_trace), {"units": "m"}),
            "sigma_xy": ("trace", np.full(n_trace, float(sigma_xy)), {"units": "m"}),
            "segment": ("trace", part),
        },
        name="amplitude",
        attrs={"units": "1", "provenance": "[]", "interval_ns": step, **(attrs or {})},
    )


def interval_ns(radargram: xr.DataArray) -> float:
    """Sample interval of a radargram, ns."""
    return float(radargram.attrs["interval_ns"])


def spacing_m(radargram: xr.DataArray) -> float:
    """Median distance between neighbouring traces of the same segment, m; 0 for a single trace."""
    steps = np.diff(radargram["distance"].values)[np.diff(radargram["segment"].values) == 0]
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
