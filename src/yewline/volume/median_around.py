"""Median over a square about each cell, where only some cells hold data."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["median_around"]

Array = npt.NDArray[np.float64]


def median_around(level: npt.ArrayLike, side: int, *, places: int = 9) -> Array:
    """Median over a square about each cell of what is known there; NaN where nothing is.

    Parameters
    ----------
    level : (Y, X); NaN where there is no data.
    side : of the square, cells.
    places : so many rows and columns of the square are looked at, evenly spread; a large square costs no more.

    Examples
    --------
    >>> median_around([[1.0, 9.0, 2.0, np.nan]], 3).tolist()
    [[5.0, 2.0, 5.5, 2.0]]
    """
    values = np.asarray(level, np.float64)
    reach = side // 2
    offsets = np.unique(np.round(np.linspace(-reach, reach, min(places, 2 * reach + 1))).astype(int))
    ny, nx = values.shape
    wide = np.pad(values, reach, constant_values=np.nan)
    # NaN sorts last, so that the known values stand first in each column.
    stack = np.sort(
        [wide[reach + j : reach + j + ny, reach + i : reach + i + nx] for j in offsets for i in offsets], axis=0
    )
    count = np.isfinite(stack).sum(axis=0)
    low, high = (np.take_along_axis(stack, np.maximum(k, 0)[None], axis=0)[0] for k in ((count - 1) // 2, count // 2))
    return np.where(count > 0, 0.5 * (low + high), np.nan)
