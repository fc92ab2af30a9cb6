"""Zero-phasing: responses made symmetrical about their time, their amplitude spectrum kept."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.signal import hilbert

from yewline._check import check_choice
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.constant_phase import constant_phase, rotate_phase
from yewline.signal.wavelets.deterministic import direct_wavelet
from yewline.signal.wavelets.operators import filter_traces
from yewline.signal.wavelets.statistical import statistical_wavelet
from yewline.signal.wavelets.wavelet import Wavelet, make_wavelet

__all__ = ["zero_phase", "zero_phase_operator", "zero_phase_wavelet"]

F64 = npt.NDArray[np.float64]

HEARD = 0.02
"""Share of its largest amplitude down to which a wavelet's phase means something; beyond, the last one is kept."""


def zero_phase(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    wavelet: Literal["constant", "minimum", "direct"] = "constant",
    phase_deg: Annotated[float | None, Field(ge=-180, le=180)] = None,
    start_ns: Annotated[float, Field(ge=0, le=100_000)] = 0.0,
    stop_ns: Annotated[float | None, Field(gt=0, le=100_000)] = None,
) -> Traces:
    """Turn the line's wavelet into its zero-phase equivalent: symmetrical, its crest at the time of the response.

    Amplitude-true: only phases are turned, by one operator for the whole line, so that every response keeps its energy.
    A constant phase leaves the envelope untouched; the other two also draw it together.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    wavelet : how the phase is found: one angle for all frequencies, that of the minimum-phase wavelet of the line's
        spectrum, or that of its direct wave.
    phase_deg : the wavelet's constant phase, degrees; left out, the one that makes the line most spiky, between −90
        and 90: whether responses then stand upright or upside down stays open.
    start_ns : time from which constant phase or spectrum are measured, ns; not used for the direct wave.
    stop_ns : time until which they are measured, ns; left out, to the end of the record.

    Returns
    -------
    (T, S) float32; crests of envelopes stay at their times.

    Raises
    ------
    InputError : samples that are not finite, values out of range, an angle stated where a wavelet gives the phase, or
        records shorter than the wavelet.

    Notes
    -----
    Constant: X e^{−jφ}. Else X conj(W)/|W|, W counted from the crest of the wavelet's envelope; where |W| is below 2 %
    of its largest value its phase is taken from the nearest frequency above that.

    References
    ----------
    Levy & Oldenburg 1987, Geophysics 52:51–59 (constant phase; from memory).

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(200) - 25.0
    >>> ricker = np.tile((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)), (8, 1))
    >>> turned = rotate_phase(ricker, 70.0)
    >>> bool(np.abs(zero_phase(turned, section) - ricker).max() < 0.02)
    True
    """
    check_choice(wavelet, "wavelet", ("constant", "minimum", "direct"))
    values = check_traces(amplitude)
    if wavelet == "constant":
        if not values.any():
            return values.copy()
        angle = phase_deg
        if angle is None:
            angle = constant_phase([(values, section)], start_ns=start_ns, stop_ns=stop_ns).phase_deg
        return rotate_phase(values, -angle)
    if phase_deg is not None:
        raise InputError(
            "phase_deg is the constant phase, and here a wavelet gives the phase",
            received=f"phase_deg {phase_deg:g} with wavelet {wavelet!r}",
            do="leave phase_deg out or set wavelet to 'constant'",
        )
    if not values.any():
        return values.copy()
    if wavelet == "direct":
        found = direct_wavelet([(values, section)])
    else:
        found = statistical_wavelet([(values, section)], phase="minimum", start_ns=start_ns, stop_ns=stop_ns)
    operator, zero = zero_phase_operator(found)
    return filter_traces(values, operator, zero=zero)


def zero_phase_wavelet(wavelet: Wavelet) -> Wavelet:
    """The zero-phase equivalent of a wavelet: the same amplitude spectrum, symmetrical about its zero index.

    Parameters
    ----------
    wavelet : any.

    Returns
    -------
    Wavelet of four times the length and one, its middle at the time of the reflector.

    Notes
    -----
    Inverse transform of |W|. Its scale is that of the wavelet times the growth of the crest.

    Examples
    --------
    >>> from yewline.signal.wavelets.ricker import ricker_wavelet
    >>> ricker = ricker_wavelet(peak_mhz=400.0, interval_ns=0.25)
    >>> again = zero_phase_wavelet(make_wavelet(-ricker.samples[::-1], interval_ns=0.25, zero_index=3))
    >>> bool(np.allclose(again.samples[50:83], ricker.samples, atol=0.001))
    True
    """
    n = len(wavelet.samples)
    # Long enough that the tails of the symmetrical wavelet, which may outlast the one-sided one, do not meet.
    around = wavelet.scale * np.fft.irfft(np.abs(np.fft.rfft(wavelet.samples, 16 * n)), 16 * n)
    samples = np.concatenate([around[-2 * n :], around[: 2 * n + 1]])
    return make_wavelet(samples, interval_ns=wavelet.interval_ns, zero_index=2 * n)


def zero_phase_operator(wavelet: Wavelet) -> tuple[F64, int]:
    """All-pass operator that turns a wavelet into its zero-phase equivalent about the crest of its envelope.

    Parameters
    ----------
    wavelet : whose phase is taken out.

    Returns
    -------
    Operator (n,) and the index in it of what is not delayed.

    Examples
    --------
    >>> from yewline.signal.wavelets.ricker import ricker_wavelet
    >>> operator, zero = zero_phase_operator(ricker_wavelet(peak_mhz=400.0, interval_ns=0.25))
    >>> bool(abs(operator[zero] - 1.0) < 1e-6)
    True
    """
    n = len(wavelet.samples)
    length = 16 * n
    crest = int(np.abs(hilbert(wavelet.samples, 2 * n))[:n].argmax())
    spectrum = np.fft.rfft(wavelet.samples, length)
    spectrum *= np.exp(2j * np.pi * np.fft.rfftfreq(length) * crest)
    size = np.abs(spectrum)
    heard = np.flatnonzero(size >= HEARD * size.max())
    k = np.arange(len(size))
    nearest = heard[np.clip(np.searchsorted(heard, k), 0, len(heard) - 1)]
    below = heard[np.clip(np.searchsorted(heard, k) - 1, 0, len(heard) - 1)]
    nearest = np.where(np.abs(below - k) < np.abs(nearest - k), below, nearest)
    turn = spectrum.conj()[nearest] / size[nearest]
    # Zero and Nyquist frequency have no phase but a sign.
    for edge in (0, -1):
        turn[edge] = 1.0 if turn[edge].real >= 0 else -1.0
    operator = np.fft.irfft(turn, length)
    return np.roll(operator, length // 2), length // 2
