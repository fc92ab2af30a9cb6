"""Wavelets from the statistics of many traces: amplitude spectrum from the data, phase by assumption."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_choice, check_in_range
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import check_traces
from yewline.signal.wavelets.autocorrelation import mean_autocorrelation
from yewline.signal.wavelets.minimum_phase import minimum_phase
from yewline.signal.wavelets.wavelet import Wavelet, make_wavelet
from yewline.signal.wavelets.window import samples_of, time_window

__all__ = ["check_one_interval", "default_wavelet_ns", "statistical_wavelet"]

F64 = npt.NDArray[np.float64]
Line = tuple[npt.ArrayLike, Section]

FEWEST_LAGS = 4


def default_wavelet_ns(section: Section) -> float:
    """Three periods of the centre frequency, ns: a little more than an antenna's pulse lasts (common practice)."""
    return 3.0 * section.period_ns


def statistical_wavelet(
    lines: Sequence[Line],
    *,
    phase: Literal["zero", "minimum"] = "zero",
    length_ns: float | None = None,
    start_ns: float = 0.0,
    stop_ns: float | None = None,
    floor: float = 1e-3,
) -> Wavelet:
    """Wavelet whose amplitude spectrum is that of the lines, with the phase that is assumed of it.

    Reflectors are taken to lie at random, so that the autocorrelation of the traces is that of the wavelet. A line
    counts by its shape, not by its strength.

    Parameters
    ----------
    lines : for each line its samples (T, S) and its section; one sample interval.
    phase : zero (symmetrical about its middle) or minimum (all that it can be given before its start is nothing).
    length_ns : to which the wavelet may reach on one side, ns; left out, three periods of the centre frequency.
    start_ns, stop_ns : times between which traces are used, ns; left out, all of the record.
    floor : share of the largest amplitude below which the spectrum is held up before a minimum phase is made for it.

    Returns
    -------
    Wavelet with its middle, or for minimum phase its first sample, at the time of the reflector.

    Raises
    ------
    InputError : no lines, silent ones, different sample intervals, or windows shorter than the wavelet.

    Notes
    -----
    Autocorrelation at lags up to the length, faded out by Parzen's lag window, whose transform is nowhere negative; the
    root of its spectrum is the wavelet's amplitude.

    References
    ----------
    Robinson & Treitel 1980, Geophysical Signal Analysis (random reflectivity; from memory); Parzen 1961, Technometrics
    3:167–190 (lag window; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> noise = np.random.default_rng(1).standard_normal((60, 400))
    >>> pulse = np.exp(-np.arange(12.0))
    >>> found = statistical_wavelet([(np.stack([np.convolve(row, pulse)[:400] for row in noise]), section)],
    ...     phase="minimum")
    >>> found.samples[:3].round(1).tolist()
    [1.0, 0.4, 0.1]
    """
    check_choice(phase, "phase", ("zero", "minimum"))
    lowest = check_in_range(floor, "floor", 1e-12, 1.0)
    interval = check_one_interval(lines)
    section = lines[0][1]
    lags = max(FEWEST_LAGS, samples_of(length_ns, default_wavelet_ns(section), "length_ns", section))
    total = np.zeros(lags)
    for amplitude, own in lines:
        part = time_window(check_traces(amplitude), own, start_ns, stop_ns, samples=lags)
        correlation = mean_autocorrelation(part, lags=lags)
        if correlation[0] > 0:
            total += correlation / correlation[0]
    if total[0] == 0:
        raise InputError("no wavelet can be told from silent lines", received=f"{len(lines)} lines")
    size = _smooth_amplitude(total / total[0], padding=8 if phase == "zero" else 64)
    if phase == "minimum":
        return make_wavelet(_unit(minimum_phase(size, floor=lowest)[:lags]), interval_ns=interval, zero_index=0)
    around = np.fft.irfft(size, 2 * (len(size) - 1))
    return make_wavelet(
        _unit(np.concatenate([around[-lags:], around[: lags + 1]])), interval_ns=interval, zero_index=lags
    )


def check_one_interval(lines: Sequence[Line]) -> float:
    """The sample interval of all lines, ns; refused where they differ or there is none."""
    if not lines:
        raise InputError("no lines to find a wavelet in", do="give at least one line")
    intervals = np.array([section.interval_ns for _, section in lines])
    if np.ptp(intervals) > 1e-6 * intervals.min():
        raise InputError(
            "a wavelet needs lines of one sample interval",
            received=f"{intervals.min():g} to {intervals.max():g} ns",
            do="resample them or take them apart",
        )
    return float(intervals[0])


def _smooth_amplitude(correlation: F64, *, padding: int) -> F64:
    """Amplitude spectrum of a one-sided autocorrelation, faded out over its lags."""
    lags = len(correlation)
    x = np.arange(lags) / lags
    fade = np.where(x <= 0.5, 1.0 - 6.0 * x**2 * (1.0 - x), 2.0 * (1.0 - x) ** 3)
    length = 2 * padding * lags
    both = np.zeros(length)
    both[:lags] = correlation * fade
    both[length - lags + 1 :] = both[1:lags][::-1]
    size: F64 = np.sqrt(np.maximum(np.fft.rfft(both).real, 0.0))
    return size


def _unit(samples: F64) -> F64:
    return samples / np.abs(samples).max()
