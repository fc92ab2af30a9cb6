"""Background: what is the same in neighbouring traces, such as the direct wave and the ringing of the antenna."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.sliding_median import sliding_median
from yewline.signal.traces import Traces, check_traces

__all__ = ["background_removal", "traces_of"]


def background_removal(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    window_m: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    statistic: Literal["mean", "median"] = "mean",
) -> Traces:
    """Take the average trace out of every trace: over the whole line, or over a window that slides along it.

    It also takes out whatever else is level over the window: a window shorter than a grave removes the flat top of a
    response, and a line along a grave may lose it altogether.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and trace spacing.
    window_m : length of the sliding window along the line, m; left out, the whole line. At the ends of the line the
        window stays as long and stands still.
    statistic : mean, or median, which is not moved by a few strong responses.

    Returns
    -------
    (T, S) float32. A single trace has no background that could be told from it, and comes back as it is.

    Raises
    ------
    InputError : samples that are not finite, a window that is not positive, or no trace spacing to measure it by.

    Notes
    -----
    y_{t,i} = x_{t,i} − average over the window's traces of x_{·,i}.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> background_removal([[5.0, 1.0], [5.0, 3.0]], section).tolist()
    [[0.0, -1.0], [0.0, 1.0]]
    """
    values = check_traces(amplitude)
    check_choice(statistic, "statistic", ("mean", "median"))
    n = len(values)
    count = n if window_m is None else traces_of(check_positive(window_m, "window_m"), section, n)
    if n == 1:
        return values.copy()
    if count >= n:
        average = values.mean(axis=0, dtype=np.float64) if statistic == "mean" else np.median(values, axis=0)
        return values - average.astype(np.float32)
    average = COMPILED.sliding_mean(values, count) if statistic == "mean" else sliding_median(values, count)
    return np.asarray(values - average, np.float32)


def traces_of(window_m: float, section: Section, n: int) -> int:
    """Traces in a window of `window_m`, at least two; one where the line has no more."""
    if n == 1:
        return 1
    if section.spacing_m <= 0:
        raise InputError(
            "a window in metres needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the line's positions, or leave window_m out",
        )
    return max(2, round(window_m / section.spacing_m))
