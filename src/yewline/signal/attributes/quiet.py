"""Quietness: where the ground answers less than what is around it."""

from __future__ import annotations

from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.ndimage import map_coordinates, median_filter

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import half_window

__all__ = ["default_quiet_window_ns", "low_amplitude"]

SILENT: Final = 1e-7
"""Level, beside the largest sample, of what is silent from end to end."""


def default_quiet_window_ns(section: Section) -> float:
    """Three periods of the centre frequency, ns."""
    return 3.0 * section.period_ns


def low_amplitude(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    length_m: Annotated[float, Field(gt=0, le=100)] = 0.4,
    surround_m: Annotated[float, Field(gt=0, le=1_000)] = 6.0,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    highest_db: Annotated[float, Field(gt=0, le=200)] = 30.0,
) -> Traces:
    """How much quieter the ground is than its surroundings at the same time: high in a shaft filled with mixed soil.

    A ratio, so it knows no gain. A dead trace is the quietest of all: fill those first. Where the record is noise
    everything is alike, and nothing is quiet.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling, trace spacing and antenna.
    length_m : length along the line over which the level is measured, m: less than a shaft's width.
    surround_m : length along the line, with the place in its middle, over which the surroundings are measured, m: at
        least three times as long as what is looked for, since the median holds as long as less than half is quiet.
    window_ns : length in time over which the level is measured, ns; left out, three periods of the centre frequency.
    highest_db : nothing is called quieter than this, dB.

    Returns
    -------
    (T, S) float32, dB below the surroundings; 0 where the ground is as loud as these or louder.

    Raises
    ------
    InputError : samples that are not finite, a value out of range, or no trace spacing.

    Notes
    -----
    20·log₁₀(median of L over the surroundings / L), cut at 0 and the highest; L is the root mean square over length and
    window. The median is taken of every L that differs by half a window or more from the next.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> ground = np.random.default_rng(0).standard_normal((100, 80))
    >>> ground[45:55] *= 0.1
    >>> quiet = low_amplitude(ground, section)
    >>> bool(quiet[50, 40] > 15), bool(np.median(quiet[:40]) < 2)
    (True, True)
    """
    values = check_traces(amplitude)
    length, surround = check_positive(length_m, "length_m"), check_positive(surround_m, "surround_m")
    window = default_quiet_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    highest = check_in_range(highest_db, "highest_db", 1e-6, 200.0)
    if len(values) == 1:
        return np.zeros_like(values)
    if section.spacing_m <= 0:
        raise InputError(
            "a length in metres needs the trace spacing",
            received=f"{section.spacing_m:g} m",
            do="check the positions of the line's traces",
        )
    if surround <= length:
        raise InputError(
            "the surroundings must be longer than what is held against them",
            received=f"{surround:g} m around {length:g} m",
            do="make surround_m at least three times length_m",
        )
    unit, _ = near_one(values)
    half_t = half_window(window, section.interval_ns)
    half_x = max(0, round(0.5 * (length / section.spacing_m - 1.0)))
    power = COMPILED.running_mean(unit * unit, half_t)
    power = COMPILED.running_mean(np.ascontiguousarray(power.T), half_x).T if half_x else power
    level = np.sqrt(np.maximum(power, np.float32(0.0)))
    around = _median_along(level, (max(1, half_x), max(1, half_t)), surround / section.spacing_m)
    ratio = np.maximum(around, SILENT) / np.maximum(level, SILENT)
    return np.clip(20.0 * np.log10(ratio), 0.0, highest).astype(np.float32, order="C")


def _median_along(level: Traces, stride: tuple[int, int], traces: float) -> npt.NDArray[np.float64]:
    """Running median along the line over a number of traces, taken on a coarser grid and interpolated."""
    n_trace, n_time = level.shape
    steps = [min(step, max(1, n // 4)) for step, n in zip(stride, level.shape, strict=True)]
    coarse = level[:: steps[0], :: steps[1]].astype(np.float64)
    # At the ends of the line the window reaches inward only, by the mirror image.
    width = min(max(3, 2 * round(0.5 * traces / steps[0]) + 1), 2 * len(coarse) - 1)
    middle = median_filter(coarse, (width, 1), mode="reflect")
    places = np.meshgrid(np.arange(n_trace) / steps[0], np.arange(n_time) / steps[1], indexing="ij")
    around: npt.NDArray[np.float64] = map_coordinates(middle, places, order=1, mode="nearest")
    return around
