"""Running median along a line: follows ramps and steps, ignores single outliers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from yewline._check import check_array

__all__ = ["running_median"]


def running_median(values: npt.ArrayLike, width: int) -> npt.NDArray[np.float64]:
    """Median over `width` neighbours (an even width counts as the next odd one).

    Near the ends the window shrinks on both sides alike, so that a ramp is not bent there.

    Parameters
    ----------
    values : (n,).
    width : neighbours in the window, at least 1.

    Returns
    -------
    (n,) float64.

    Raises
    ------
    InputError : an empty array or values that are not finite.

    Examples
    --------
    >>> running_median([1.0, 2.0, 90.0, 4.0, 5.0], 3).tolist()
    [1.0, 2.0, 4.0, 5.0, 5.0]
    """
    line = check_array(values, "values", ndim=1)
    n = len(line)
    half = min(max(0, width // 2), (n - 1) // 2)
    out = line.copy()
    if half == 0:
        return out
    out[half : n - half] = median_filter(line, 2 * half + 1, mode="nearest")[half : n - half]
    for i in range(1, half):
        out[i] = sorted(line[: 2 * i + 1].tolist())[i]
        out[n - 1 - i] = sorted(line[n - 1 - 2 * i :].tolist())[i]
    return out
