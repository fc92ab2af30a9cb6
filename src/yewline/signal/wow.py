"""Wow: the slow swing under every trace that the near field of the antenna leaves in the receiver."""

from __future__ import annotations

from typing import Annotated

import numpy.typing as npt
from pydantic import Field

from yewline._check import check_positive
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["default_dewow_window_ns", "dewow"]


def default_dewow_window_ns(section: Section) -> float:
    """Two periods of the centre frequency, ns: the shortest window but one that leaves that frequency as it is."""
    return 2.0 * section.period_ns


def dewow(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
) -> Traces:
    """Take the running mean out of each trace.

    A running mean over W passes sin(πfW)/(πfW) of frequency f; with W of two periods of the centre frequency, that
    is nothing at the centre frequency itself, and nearly all of the wow far below it.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    window_ns : length of the running mean, ns; left out, two periods of the antenna's centre frequency.

    Returns
    -------
    (T, S) float32. At the ends of a trace the mean is that of the samples there are.

    Raises
    ------
    InputError : samples that are not finite, or a window that is not positive.

    Notes
    -----
    y_i = x_i − mean(x_{i−h} … x_{i+h}), with 2h + 1 samples the odd number nearest to the window.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=100.0)
    >>> dewow([[5.0, 5.0, 5.0, 8.0, 5.0]], section, window_ns=3.0).round(2).tolist()
    [[0.0, 0.0, -1.0, 2.0, -1.5]]
    """
    values = check_traces(amplitude)
    window = default_dewow_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    half = half_window(window, section.interval_ns)
    mean: Traces = COMPILED.running_mean(values, half)
    return values - mean


def half_window(window: float, step: float) -> int:
    """Half-width h ≥ 1 in samples of the odd window 2h + 1 nearest to `window`."""
    return max(1, round((window / step - 1.0) / 2.0))
