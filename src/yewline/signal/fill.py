"""Traces that hold nothing useful, replaced by what their neighbours show."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.signal.traces import Traces, check_traces

__all__ = ["fill_traces"]


def fill_traces(amplitude: npt.ArrayLike, faulty: Sequence[int] | npt.NDArray[np.intp]) -> Traces:
    """Replace faulty traces by linear interpolation between the nearest good ones.

    Parameters
    ----------
    amplitude : (T, S) samples.
    faulty : indices of the traces to replace, from 0; at the ends of a line the nearest good trace is repeated.

    Returns
    -------
    (T, S) float32; good traces are as they were.

    Raises
    ------
    InputError : an index outside the line, or no good trace at all.

    Examples
    --------
    >>> fill_traces([[1.0, 1.0], [9.0, 9.0], [3.0, 5.0]], [1]).tolist()
    [[1.0, 1.0], [2.0, 3.0], [3.0, 5.0]]
    """
    values = check_traces(amplitude).copy()
    bad = np.unique(np.asarray(faulty, np.intp))
    if len(bad) == 0:
        return values
    if bad[0] < 0 or bad[-1] >= len(values):
        raise InputError("a faulty trace lies outside the line", received=f"{bad[0]}..{bad[-1]} of {len(values)}")
    good = np.setdiff1d(np.arange(len(values)), bad)
    if len(good) == 0:
        raise InputError("no good trace is left to fill from", received=f"{len(values)} faulty traces")
    after = np.searchsorted(good, bad)
    left, right = good[np.maximum(after - 1, 0)], good[np.minimum(after, len(good) - 1)]
    # At the ends left and right may stand on one side; the share is then 0 or 1 by clipping.
    share = np.clip((bad - left) / np.maximum(right - left, 1), 0.0, 1.0).astype(np.float32)[:, None]
    values[bad] = (1 - share) * values[left] + share * values[right]
    return values
