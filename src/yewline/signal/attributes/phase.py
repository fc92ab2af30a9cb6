"""Instantaneous phase and frequency: where in its cycle the wave stands, and how fast that goes on."""

from __future__ import annotations

from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft

from yewline._check import check_positive
from yewline.signal.engines import COMPILED
from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wow import half_window

__all__ = ["cosine_phase", "default_frequency_window_ns", "instantaneous_frequency", "instantaneous_phase"]

C64 = npt.NDArray[np.complex64]

SILENT = np.float32(1e-12)
"""Power beside that of the largest sample below which nothing is said of phase or frequency."""


def instantaneous_phase(amplitude: npt.ArrayLike, section: Section) -> Traces:
    """Phase of the analytic signal of each trace: for display only, since a weak wave looks like a strong one.

    Lines of one phase can be followed through weak stretches, and across a shaft they step or break off.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna (not used: phase knows no units of time).

    Returns
    -------
    (T, S) float32, radians from −π to π: 0 at a crest, ±π at a trough, −π/2 where the wave rises through zero. Silence
    has the phase 0.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    φ = arg(x + jH[x]), with H the Hilbert transform over the record taken as periodic.

    References
    ----------
    Taner, Koehler & Sheriff 1979, Geophysics 44:1041–1063.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> t = 0.5 * np.arange(64)
    >>> phase = instantaneous_phase([np.cos(2 * np.pi * 0.25 * t)], section)
    >>> (phase[0, :3] / np.pi).round(3).tolist()
    [0.0, 0.25, 0.5]
    """
    signal, _ = _analytic(check_traces(amplitude))
    phase: Traces = np.angle(signal)
    phase[_power(signal) <= SILENT] = 0.0
    return phase


def cosine_phase(amplitude: npt.ArrayLike, section: Section) -> Traces:
    """Cosine of the phase of each trace: a section of strength one everywhere, for display only.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna (not used: phase knows no units of time).

    Returns
    -------
    (T, S) float32, −1 at troughs to 1 at crests; 0 in silence.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    cos φ = x/e, with e the envelope.

    References
    ----------
    Taner, Koehler & Sheriff 1979, Geophysics 44:1041–1063.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> t = 0.5 * np.arange(64)
    >>> cosine_phase([9.0 * np.cos(2 * np.pi * 0.25 * t)], section)[0, [0, 2, 4]].round(3).tolist()
    [1.0, 0.0, -1.0]
    """
    signal, _ = _analytic(check_traces(amplitude))
    power = _power(signal)
    cosine = signal.real / np.sqrt(np.maximum(power, SILENT))
    cosine[power <= SILENT] = 0.0
    # Plus zero: a negative zero is a zero.
    return (np.clip(cosine, -1.0, 1.0) + np.float32(0.0)).astype(np.float32, copy=False)


def default_frequency_window_ns(section: Section) -> float:
    """One period of the centre frequency, ns."""
    return section.period_ns


def instantaneous_frequency(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    window_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
) -> Traces:
    """Frequency at each moment, as the mean over a window weighted by power.

    Clay, water and metal lower it along a trace; where two pulses overlap it swings. Its values are in MHz whatever the
    gain, so they can be compared between traces, lines and visits.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    window_ns : length of the mean, ns; left out, one period of the centre frequency. One sample or less: no mean.

    Returns
    -------
    (T, S) float32, MHz; 0 in silence. Unsmoothed, and where pulses cancel, it may be negative or above Nyquist.

    Raises
    ------
    InputError : samples that are not finite, or a window that is not positive.

    Notes
    -----
    f = Σ Im(z*·dz/dt) / (2π Σ |z|²), sums over the window, z = x + jH[x], the derivative exact for the record taken as
    periodic: the instantaneous frequency weighted by the envelope squared, which is also the mean frequency of the
    power spectrum of the window.

    References
    ----------
    Taner, Koehler & Sheriff 1979, Geophysics 44:1041–1063. Barnes 1993, Geophysics 58:419–428 (weighting; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> t = 0.5 * np.arange(64)
    >>> instantaneous_frequency([np.cos(2 * np.pi * 0.25 * t)], section)[0, :3].round(2).tolist()
    [250.0, 250.0, 250.0]
    """
    values = check_traces(amplitude)
    window = default_frequency_window_ns(section) if window_ns is None else check_positive(window_ns, "window_ns")
    signal, slope = _analytic(values)
    # Im(z* z′), z′ in turns a sample.
    turning = np.ascontiguousarray(signal.real * slope.imag - signal.imag * slope.real)
    power = _power(signal)
    if window > section.interval_ns:
        half = half_window(window, section.interval_ns)
        turning, power = COMPILED.running_mean(turning, half), COMPILED.running_mean(power, half)
    frequency = (turning / np.maximum(power, SILENT) * np.float32(1e3 / section.interval_ns)).astype(
        np.float32, copy=False
    )
    frequency[power <= SILENT] = 0.0
    return frequency


def _analytic(values: Traces) -> tuple[C64, C64]:
    """Analytic signal of the samples, scaled near one, and its derivative in turns a sample; (T, S) both."""
    unit, _ = near_one(values)
    n = values.shape[1]
    spectrum = fft.rfft(unit, axis=1)
    # Twice the positive frequencies; zero and Nyquist have no quadrature.
    spectrum[:, 1 : (n + 1) // 2] *= 2
    full = np.zeros(values.shape, np.complex64)
    full[:, : spectrum.shape[1]] = spectrum
    turns = fft.fftfreq(n).astype(np.float32)
    if n % 2 == 0:
        # The derivative of what alternates from sample to sample is nothing at the samples.
        turns[n // 2] = 0.0
    return fft.ifft(full, axis=1), fft.ifft(full * (1j * turns).astype(np.complex64), axis=1)


def _power(signal: C64) -> Traces:
    return (signal.real**2 + signal.imag**2).astype(np.float32, copy=False)
