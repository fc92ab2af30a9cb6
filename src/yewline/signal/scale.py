"""Samples brought near one by a power of two, so that squares and sums stay inside single precision."""

from __future__ import annotations

import numpy as np

from yewline.signal.traces import Traces

__all__ = ["near_one"]


def near_one(values: Traces) -> tuple[Traces, np.float32]:
    """Samples whose largest size lies between one half and one, and the factor that brings them back.

    The factor is a power of two, so no digit is lost; silent samples come back as they are, with a factor of one.

    Parameters
    ----------
    values : (T, S) finite samples.

    Returns
    -------
    (T, S) float32, and the factor.

    Examples
    --------
    >>> unit, factor = near_one(np.array([[3.0, -1.5]], np.float32))
    >>> unit.tolist(), float(factor)
    ([[0.75, -0.375]], 4.0)
    """
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy(), np.float32(1.0)
    # Outside these powers the factor or its inverse would itself leave the range of normal numbers.
    power = min(max(int(np.frexp(peak)[1]), -125), 126)
    factor = np.ldexp(np.float32(1.0), power)
    return values * np.ldexp(np.float32(1.0), -power), factor
