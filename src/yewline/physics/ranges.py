"""One checker for arrays of numbers that must lie within limits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError

__all__ = ["numbers_within"]


def numbers_within(
    values: npt.ArrayLike, name: str, low: float, high: npt.ArrayLike, *, do: str | None = None
) -> npt.NDArray[np.float64]:
    """`values` as an array of floats, refused where one lies outside [low, high]; NaN stays NaN.

    Parameters
    ----------
    values : any shape.
    name : for the message.
    low, high : both ends allowed; `high` may be an array that broadcasts with `values`.
    do : advice for the message.

    Raises
    ------
    InputError : not numbers, or one outside.

    Examples
    --------
    >>> numbers_within([0.1, 0.2], "vwc", 0.0, 0.6).tolist()
    [0.1, 0.2]
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} must be numbers", received=type(values).__name__) from error
    top = np.asarray(high, dtype=np.float64)
    outside = (array < low) | (array > top)
    if outside.any():
        value, limit = (np.broadcast_to(part, outside.shape)[outside].flat[0] for part in (array, top))
        raise InputError(f"{name} must lie between {low:g} and {limit:g}", received=f"{value:g}", do=do)
    return array
