"""Values between evenly spaced ones, by Lagrange's cubic through the four nearest."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["cubic_weights"]


def cubic_weights(place: npt.ArrayLike) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Where between values to read, and what each of the four nearest counts.

    Parameters
    ----------
    place : any shape, in units of the spacing, counted from the first value.

    Returns
    -------
    Index of the value at or before each place, same shape; weights (4, ...) of the values from one before that index to
    two after it. On a value, that value alone counts.

    Examples
    --------
    >>> at, weights = cubic_weights(2.5)
    >>> int(at), weights.tolist()
    (2, [-0.0625, 0.5625, 0.5625, -0.0625])
    """
    where = np.asarray(place, dtype=np.float64)
    at = np.floor(where + 1e-9)
    t: npt.NDArray[Any] = where - at
    t = np.where(np.abs(t) < 1e-9, 0.0, t)
    weights = [
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    ]
    return at.astype(np.int64), np.array(weights)
