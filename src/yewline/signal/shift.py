"""Traces moved in time, by parts of a sample."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline.signal.engines import COMPILED
from yewline.signal.traces import Traces

__all__ = ["shift_by"]

F64 = npt.NDArray[np.float64]


def shift_by(values: Traces, samples: F64) -> Traces:
    """Move trace t earlier by samples[t], which may be fractional; zeros follow."""
    # A shift by a millionth of a sample is none: whole shifts then copy samples as they are.
    near = np.round(samples * 1e6) / 1e6
    whole = np.floor(near).astype(np.int64)
    shifted: Traces = COMPILED.shift_traces(values, whole, _sinc_weights(near - whole))
    return shifted


def _sinc_weights(part: F64) -> npt.NDArray[np.float32]:
    """(T, 8) weights of the samples −3 … 4 about a point that lies `part` of a sample after sample 0."""
    offset = part[:, None] - np.arange(-3, 5)
    weights = np.sinc(offset) * np.sinc(offset / 4.0)
    weights /= weights.sum(axis=1, keepdims=True)
    weights[np.abs(weights) < 1e-9] = 0.0
    return weights.astype(np.float32)
