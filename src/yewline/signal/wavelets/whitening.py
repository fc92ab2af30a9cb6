"""Spectral whitening: one level for all frequencies of the band, for the eye."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft
from scipy.ndimage import gaussian_filter1d

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.filters import default_band_mhz
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.deconvolution import same_level

__all__ = ["default_smoothing_mhz", "spectral_whitening"]

F64 = npt.NDArray[np.float64]

EDGE_SHARE = 0.25
"""Share of a band edge's frequency over which the band fades in or out, outward of the edge."""
AT_ONCE = 128


def default_smoothing_mhz(section: Section) -> float:
    """A quarter of the centre frequency, MHz: wide beside the dips that single reflectors make in a spectrum."""
    return 0.25 * section.centre_mhz


def spectral_whitening(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    low_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    high_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    smoothing_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    water_level: Annotated[float, Field(gt=0, le=1)] = 0.01,
    operator: Literal["line", "trace"] = "line",
) -> Traces:
    """Bring all frequencies inside the band to one level, phases kept: for display only.

    Sharper pictures for the eye. The operator undoes the line's own spectrum, which is just what moisture changes: two
    visits come out alike where the ground was not, so that no strength may be measured on what comes out.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    low_mhz : lower edge of the band, MHz; left out, 0.3 × the antenna's centre frequency.
    high_mhz : upper edge of the band, MHz; left out, 2.5 × the antenna's centre frequency, held under the Nyquist
        frequency.
    smoothing_mhz : standard deviation of the Gaussian that smooths the spectrum before it is divided out, MHz; left
        out, a quarter of the antenna's centre frequency.
    water_level : share of the spectrum's largest value inside the band below which it is not followed, so that noise is
        not blown up.
    operator : one for the line, or each trace its own.

    Returns
    -------
    (T, S) float32, with the root mean square that each line (or trace) had.

    Raises
    ------
    InputError : samples that are not finite, values out of range, or a band that reaches above the Nyquist frequency.

    Notes
    -----
    Y = X · B / max(A, w max A), with A the root mean square spectrum over the traces, smoothed, and B 1 inside the
    band, fading to 0 over a quarter of the edge's frequency outside it. The operator is real: no event moves.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(256) - 32.0
    >>> line = np.tile((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)), (4, 1))
    >>> white = spectral_whitening(line, section)
    >>> level = np.abs(np.fft.rfft(white[0]))[[13, 26, 38]]
    >>> bool(level.max() / level.min() < 1.5)
    True
    """
    check_choice(operator, "operator", ("line", "trace"))
    values = check_traces(amplitude, samples=2)
    low, high = _band(section, low_mhz, high_mhz)
    smoothing = (
        default_smoothing_mhz(section) if smoothing_mhz is None else check_positive(smoothing_mhz, "smoothing_mhz")
    )
    water = check_in_range(water_level, "water_level", 1e-9, 1.0)
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy()
    n = values.shape[1]
    length = int(fft.next_fast_len(2 * n, real=True))
    spectrum = fft.rfft(values / np.float32(peak), length, axis=1)
    frequency: F64 = np.fft.rfftfreq(length, section.interval_ns).astype(np.float64) * 1e3
    power = _power(spectrum, by_trace=operator == "trace")
    width = smoothing / (frequency[1] - frequency[0])
    size = np.sqrt(np.maximum(gaussian_filter1d(power, width, axis=1, mode="mirror"), 0.0))
    inside = (frequency >= low) & (frequency <= high)
    if not inside.any():
        raise InputError(
            "the band holds no frequency of so short a record",
            received=f"{low:g} to {high:g} MHz",
            do="widen the band, record a longer time window, or check the centre frequency of the antenna",
        )
    top = size[:, inside].max(axis=1, keepdims=True)
    silent = top == 0
    gain = _fade(frequency, low, high) / np.maximum(size, np.where(silent, 1.0, water * top))
    spectrum *= np.where(silent, 0.0, gain * np.where(silent, 1.0, top)).astype(np.float32)
    white = np.ascontiguousarray(fft.irfft(spectrum, length, axis=1, overwrite_x=True)[:, :n])
    return same_level(white, values, by_trace=operator == "trace")


def _power(spectrum: npt.NDArray[np.complex64], *, by_trace: bool) -> F64:
    if by_trace:
        return spectrum.real.astype(np.float64) ** 2 + spectrum.imag.astype(np.float64) ** 2
    total = np.zeros(spectrum.shape[1])
    for start in range(0, len(spectrum), AT_ONCE):
        part = spectrum[start : start + AT_ONCE]
        total += (part.real.astype(np.float64) ** 2 + part.imag.astype(np.float64) ** 2).sum(axis=0)
    return total[None, :] / len(spectrum)


def _band(section: Section, low_mhz: float | None, high_mhz: float | None) -> tuple[float, float]:
    default_low, default_high = default_band_mhz(section)
    low = default_low if low_mhz is None else check_positive(low_mhz, "low_mhz")
    high = default_high if high_mhz is None else check_positive(high_mhz, "high_mhz")
    if high > section.nyquist_mhz or low >= high:
        raise InputError(
            "the band must rise and stay under the Nyquist frequency",
            received=f"{low:g} to {high:g} MHz with one sample each {section.interval_ns:g} ns "
            f"(Nyquist {section.nyquist_mhz:g})",
            do="check low_mhz and high_mhz, the sample interval and the centre frequency of the antenna",
        )
    return low, high


def _fade(frequency: F64, low: float, high: float) -> F64:
    """1 inside the band, cosine to 0 over a quarter of the edge's frequency outside it."""
    under = np.clip((low - frequency) / (EDGE_SHARE * low), 0.0, 1.0)
    over = np.clip((frequency - high) / (EDGE_SHARE * high), 0.0, 1.0)
    faded: F64 = 0.25 * (1.0 + np.cos(np.pi * under)) * (1.0 + np.cos(np.pi * over))
    return faded
