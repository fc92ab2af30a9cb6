"""Offset and trend of each trace, taken out as a polynomial in time."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_in_range
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["detrend"]

HIGHEST_ORDER = 5


def detrend(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    order: Annotated[int, Field(ge=0, le=5)] = 1,
) -> Traces:
    """Take the best-fitting polynomial of low order out of each trace: its offset, slope, or slow bend.

    For the offset and drift of a receiver. Wow that follows the pulse is no polynomial: that is what `dewow` is for.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna (not used: the polynomial has the length of the record).
    order : 0 takes out the mean, 1 a straight line, up to 5; a higher order begins to follow the waves themselves.

    Returns
    -------
    (T, S) float32. A trace with no more samples than the polynomial has coefficients gets one of lower order.

    Raises
    ------
    InputError : samples that are not finite, or an order out of range.

    Notes
    -----
    y = x − Q Qᵀ x, the columns of Q an orthonormal basis of the polynomials over the record.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> detrend([[1.0, 2.0, 3.0, 8.0]], section, order=0).tolist()
    [[-2.5, -1.5, -0.5, 4.5]]
    """
    values = check_traces(amplitude)
    if int(check_in_range(order, "order", 0, HIGHEST_ORDER)) != order:
        raise InputError("order must be a whole number", received=order)
    n = values.shape[1]
    at = np.linspace(-1.0, 1.0, n) if n > 1 else np.zeros(1)
    # One sample is left free, so that a short trace is not fitted away.
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(at, max(0, min(int(order), n - 2))))
    wide = values.astype(np.float64)
    return np.ascontiguousarray(wide - (wide @ basis) @ basis.T, dtype=np.float32)
