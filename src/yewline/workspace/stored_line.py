"""A radargram as plain arrays and back: what every place that keeps lines stores of one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy.typing as npt
import xarray as xr

__all__ = ["COORDINATES", "stored_line"]

COORDINATES: Final = ("distance", "x", "y", "z", "sigma_xy", "segment")
"""What is stored of each trace."""


def stored_line(
    amplitude: npt.NDArray[Any],
    time_ns: npt.NDArray[Any],
    coordinates: Mapping[str, npt.NDArray[Any]],
    attrs: Mapping[str, Any],
) -> xr.DataArray:
    """A radargram from its samples (T, S), times (S,), one array (T,) for each of `COORDINATES`, and attributes."""
    return xr.DataArray(
        amplitude,
        dims=("trace", "time"),
        coords={
            "time": ("time", time_ns, {"units": "ns"}),
            **{name: ("trace", coordinates[name], {} if name == "segment" else {"units": "m"}) for name in COORDINATES},
        },
        name="amplitude",
        attrs=dict(attrs),
    )
