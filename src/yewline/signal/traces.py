"""The one check of samples that every step begins with."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["Traces", "check_traces"]

Traces = npt.NDArray[np.float32]
"""Samples of one line, (T, S), float32, C order."""


def check_traces(amplitude: npt.ArrayLike, *, samples: int = 1) -> Traces:
    """Return `amplitude` as (T, S) float32 in C order, refused when empty, not finite, or too short.

    Raises
    ------
    InputError : not two axes, empty, NaN or infinite samples, fewer than `samples` samples in a trace.

    Examples
    --------
    >>> check_traces([[1, 2], [3, 4]]).dtype
    dtype('float32')
    """
    values = check_array(amplitude, "amplitude", ndim=2, dtype=np.float32)
    if values.shape[1] < samples:
        raise InputError(
            f"traces are too short: at least {samples} samples are needed",
            received=f"{values.shape[1]} samples",
            do="record a longer time window or leave this step out",
        )
    return values
