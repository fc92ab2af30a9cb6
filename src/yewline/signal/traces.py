"""The one check of samples that every step begins with."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["Traces", "check_traces"]

Traces = npt.NDArray[np.float32]
"""Samples of one line, (T, S), float32, C order."""
LARGEST = 1e32
"""Gains of a million times still stay inside single precision, and no receiver counts so far."""


def check_traces(amplitude: npt.ArrayLike, *, samples: int = 1) -> Traces:
    """Return `amplitude` as (T, S) float32 in C order, refused when empty, not finite, too large, or too short.

    Raises
    ------
    InputError : not two axes, empty, NaN or infinite samples, any above 10³², fewer than `samples` samples in a trace.

    Examples
    --------
    >>> check_traces([[1, 2], [3, 4]]).dtype
    dtype('float32')
    """
    with np.errstate(over="ignore"):
        values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32, finite=False)
    low, high = float(values.min()), float(values.max())
    if not (low >= -LARGEST and high <= LARGEST):
        check_array(values, "amplitude", ndim=2, dtype=np.float32)
        raise InputError(
            "amplitude holds values too large to work on",
            received=f"{max(high, -low):.2g}",
            do=f"look for damage to the file, or bring it to a unit in which nothing is above {LARGEST:g}",
        )
    if values.shape[1] < samples:
        raise InputError(
            f"traces are too short: at least {samples} samples are needed",
            received=f"{values.shape[1]} sample{'s' if values.shape[1] > 1 else ''}",
            do="record a longer time window or leave this step out",
        )
    return values
