"""Spectra of many lines in windows that step down the record: what the quality factor is fitted to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import check_traces

__all__ = ["PooledSpectra", "pooled_spectra"]

F64 = npt.NDArray[np.float64]
Line = tuple[npt.ArrayLike, Section]

LOW_SHARE, HIGH_SHARE = 0.4, 1.8
"""Band over the centre frequency in which an antenna's reflections have strength (common practice, no source)."""
FREQUENCIES = 24
SKIPPED_PERIODS = 3.0
"""Periods of the centre frequency after time zero that the direct wave may fill."""
WINDOW_PERIODS = 5.0
WIDTHS = 6.0
"""Standard deviations of a window's Gaussian that it is long."""
FEWEST_WINDOWS = 5
MOST_PIECES = 12
FEWEST_PIECES = 6


@dataclass(frozen=True, slots=True, eq=False)
class PooledSpectra:
    """Logarithms of amplitude spectra in time windows, for pieces of a site's lines.

    Attributes
    ----------
    log_amplitude : (P, K, F) natural logarithm of the root mean square amplitude over each piece's traces, each piece
        from its own mean.
    frequency_mhz : (F,).
    time_ns : (K,) middles of the windows.
    blur_mhz : standard deviation in frequency, by power, of the Gaussian over which each window smears the spectrum.
    lines : how many lines had anything in them.
    """

    log_amplitude: F64
    frequency_mhz: F64
    time_ns: F64
    blur_mhz: float
    lines: int


def pooled_spectra(
    lines: Sequence[Line],
    *,
    low_mhz: float | None = None,
    high_mhz: float | None = None,
    window_ns: float | None = None,
    start_ns: float | None = None,
    stop_ns: float | None = None,
) -> PooledSpectra:
    """Amplitude spectra of many lines in Gaussian windows that overlap by half.

    Parameters
    ----------
    lines : for each line its samples (T, S), time zero at the first sample and background removed, and its section;
        sample intervals may differ.
    low_mhz, high_mhz : band, MHz; left out, 0.4 to 1.8 × the median centre frequency.
    window_ns : length of a window, six standard deviations of its Gaussian, ns; left out, five periods of the median
        centre frequency.
    start_ns : beginning of the first window, ns; left out, three periods, which the direct wave may fill.
    stop_ns : end of the last window, ns; left out, the end of the shortest record.

    Returns
    -------
    Spectra of up to twelve pieces: groups of lines, or parts of lines where there are few.

    Raises
    ------
    InputError : no lines, a band that reaches above a Nyquist frequency, records too short for five windows, or silent.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> noise = np.random.default_rng(0).standard_normal((60, 400))
    >>> pooled_spectra([(noise, section)]).log_amplitude.shape
    (6, 13, 24)
    """
    if not lines:
        raise InputError("no lines to fit a quality factor to", do="give at least one line")
    centre = float(np.median([section.centre_mhz for _, section in lines]))
    period = 1e3 / centre
    frequency = _frequencies(lines, centre, low_mhz, high_mhz)
    window = WINDOW_PERIODS * period if window_ns is None else check_positive(window_ns, "window_ns")
    first = SKIPPED_PERIODS * period if start_ns is None else check_in_range(start_ns, "start_ns", 0.0, 1e9)
    arrays = [check_traces(amplitude) for amplitude, _ in lines]
    shortest = min((x.shape[1] - 1) * own.interval_ns for x, (_, own) in zip(arrays, lines, strict=True))
    last = shortest if stop_ns is None else min(shortest, check_positive(stop_ns, "stop_ns"))
    count = math.floor((last - first) / (0.5 * window) + 1e-9) - 1
    if count < FEWEST_WINDOWS:
        raise InputError(
            f"a quality factor needs {FEWEST_WINDOWS} windows or more that every line holds",
            received=f"{max(count, 0)} windows of {window:g} ns between {first:g} and {last:g} ns",
            do="leave out the lines of short records, or shorten window_ns",
        )
    middle = first + 0.5 * window * (1.0 + np.arange(count))
    share = math.ceil(FEWEST_PIECES / len(lines))
    pieces: list[F64] = []
    heard = 0
    for x, (_, own) in zip(arrays, lines, strict=True):
        power = _power(x.astype(np.float64) / max(float(np.abs(x).max()), 1e-300), own, frequency, middle, window)
        parts = [part.mean(axis=0) for part in np.array_split(power, min(share, len(power)))]
        loud = [0.5 * np.log(part) for part in parts if (part > 0).all()]
        heard += bool(loud)
        pieces += [part - part.mean() for part in loud]
    if not pieces:
        raise InputError("no quality factor can be told from silent lines", received=f"{len(lines)} lines")
    groups = np.array_split(np.arange(len(pieces)), min(MOST_PIECES, len(pieces)))
    stacked = np.stack([np.mean([pieces[i] for i in group], axis=0) for group in groups])
    blur = 1e3 * WIDTHS / (2.0 * math.sqrt(2.0) * math.pi * window)
    return PooledSpectra(stacked, frequency, middle, blur, heard)


def _frequencies(lines: Sequence[Line], centre: float, low_mhz: float | None, high_mhz: float | None) -> F64:
    low = LOW_SHARE * centre if low_mhz is None else check_positive(low_mhz, "low_mhz")
    nyquist = min(section.nyquist_mhz for _, section in lines)
    high = min(HIGH_SHARE * centre, 0.95 * nyquist) if high_mhz is None else check_positive(high_mhz, "high_mhz")
    if high > nyquist or low >= high:
        raise InputError(
            "the band must rise and stay under the Nyquist frequency of every line",
            received=f"{low:g} to {high:g} MHz (Nyquist {nyquist:g})",
            do="check low_mhz and high_mhz, the sample intervals and the centre frequency of the antenna",
        )
    return np.linspace(low, high, FREQUENCIES)


def _power(x: F64, section: Section, frequency: F64, middle: F64, window: float) -> F64:
    """(T, K, F) power in Gaussian windows about `middle`, each on the samples that fall into it."""
    step = section.interval_ns
    # Strength is evened out inside the windows and given back between them: else its fall would narrow early ones.
    half = max(1, round(0.25 * window / step))
    level = np.sqrt(_running(_running(np.mean(x * x, axis=0), half), half))
    if not level.max() > 0:
        return np.zeros((len(x), len(middle), len(frequency)))
    level = np.maximum(level, 1e-9 * level.max())
    x = x / level
    out = np.empty((len(x), len(middle), len(frequency)))
    for k, centre in enumerate(middle):
        first = math.ceil((centre - 0.5 * window) / step)
        stop = min(math.floor((centre + 0.5 * window) / step) + 1, x.shape[1])
        time = step * np.arange(first, stop) - centre
        weight = np.exp(-0.5 * (WIDTHS * time / window) ** 2)
        wave = weight[:, None] * np.exp(-2e-3j * np.pi * np.outer(time, frequency))
        part = x[:, first:stop]
        local = np.interp(centre, step * np.arange(len(level)), level)
        out[:, k] = local**2 * ((part @ wave.real) ** 2 + (part @ wave.imag) ** 2)
    return out


def _running(values: F64, half: int) -> F64:
    """Mean over the values from `half` before to `half` after that there are."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    k = np.arange(len(values))
    high, low = np.minimum(k + half + 1, len(values)), np.maximum(k - half, 0)
    return (total[high] - total[low]) / (high - low)
