"""A wavelet: what one reflector looks like in a record, with the numbers that describe it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.signal.wavelets.band import Band, band_of

__all__ = ["Lobes", "Wavelet", "lobes", "make_wavelet"]

F64 = npt.NDArray[np.float64]

FINER = 64
"""Points between samples, in time and in frequency, on which numbers are read off."""

SMALLEST_SWING = 1e-3
"""Share of the crest below which a swing is what interpolation leaves."""


@dataclass(frozen=True, slots=True, eq=False)
class Wavelet:
    """A sampled wavelet.

    Attributes
    ----------
    samples : (N,) read-only, largest magnitude one.
    interval_ns : sample interval, ns.
    zero_index : sample that stands for the time of a reflector.
    scale : what `samples` was divided by: the wavelet's size in the unit of the record, where its maker knew it.
    band : peak, centroids and half-amplitude edges of its amplitude spectrum.
    """

    samples: F64
    interval_ns: float
    zero_index: int
    scale: float
    band: Band = field(compare=False)

    @property
    def time_ns(self) -> F64:
        """(N,) time of each sample from that of the reflector, ns."""
        return self.interval_ns * (np.arange(len(self.samples), dtype=np.float64) - float(self.zero_index))


@dataclass(frozen=True, slots=True)
class Lobes:
    """The middle lobe of a wavelet and the two beside it: what limits how close two reflectors may lie.

    Attributes
    ----------
    crest_ns : time of the largest magnitude, from that of the reflector.
    zero_before_ns, zero_after_ns : times at which the wavelet passes zero on both sides of the crest.
    trough_before_ns, trough_after_ns : times of the largest opposite swings next to it.
    trough_before, trough_after : their size over that of the crest; −0.446 for a Ricker wavelet.
    """

    crest_ns: float
    zero_before_ns: float
    zero_after_ns: float
    trough_before_ns: float
    trough_after_ns: float
    trough_before: float
    trough_after: float


def make_wavelet(samples: npt.ArrayLike, *, interval_ns: float, zero_index: int) -> Wavelet:
    """A wavelet from its samples, scaled to a largest magnitude of one.

    Parameters
    ----------
    samples : (N,).
    interval_ns : sample interval, ns.
    zero_index : sample that stands for the time of a reflector.

    Returns
    -------
    The wavelet with its bandwidth numbers.

    Raises
    ------
    InputError : samples that are all zero or not finite, or a zero index outside them.

    Examples
    --------
    >>> t = 0.1 * np.arange(-40, 41)
    >>> ricker = make_wavelet((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)),
    ...     interval_ns=0.1, zero_index=40)
    >>> round(ricker.band.peak_mhz), round(ricker.band.low_mhz), round(ricker.band.high_mhz)
    (400, 193, 655)
    """
    values = check_array(samples, "samples", ndim=1)
    step = check_positive(interval_ns, "interval_ns")
    if not 0 <= zero_index < len(values):
        raise InputError("the zero index lies outside the wavelet", received=f"{zero_index} of {len(values)}")
    top = float(np.abs(values).max())
    if top == 0.0:
        raise InputError("the wavelet is zero throughout", do="look for it where the record is not silent")
    unit = values / top
    unit.setflags(write=False)
    length = int(fft.next_fast_len(FINER * max(len(unit), 8), real=True))
    frequency = np.fft.rfftfreq(length, step) * 1e3
    return Wavelet(unit, step, int(zero_index), top, band_of(frequency, np.abs(np.fft.rfft(unit, length))))


def lobes(wavelet: Wavelet) -> Lobes:
    """Middle lobe of a wavelet, read between its samples.

    Parameters
    ----------
    wavelet : whose largest magnitude lies inside it, with an opposite swing on both sides.

    Returns
    -------
    Times and sizes of crest, zeros and troughs.

    Raises
    ------
    InputError : a wavelet that does not swing back on both sides of its crest.

    Notes
    -----
    The wavelet is interpolated by its Fourier series over three times its length, 64 points a sample.

    Examples
    --------
    >>> t = 0.1 * np.arange(-40, 41)
    >>> ricker = make_wavelet((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)),
    ...     interval_ns=0.1, zero_index=40)
    >>> round(lobes(ricker).zero_after_ns, 4), round(lobes(ricker).trough_after, 4)
    (0.5627, -0.4463)
    """
    n = len(wavelet.samples)
    padded = np.concatenate([np.zeros(n), wavelet.samples, np.zeros(n)])
    spectrum = np.fft.rfft(padded)
    if len(padded) % 2 == 0:
        spectrum[-1] *= 0.5
    fine = np.fft.irfft(spectrum, FINER * len(padded)) * FINER
    step = wavelet.interval_ns / FINER
    start = wavelet.interval_ns * (n + wavelet.zero_index)
    crest = int(np.abs(fine).argmax())
    upright = fine / fine[crest]
    zeros = np.flatnonzero(np.signbit(upright[1:]) != np.signbit(upright[:-1]))
    before, after = zeros[zeros < crest], zeros[zeros >= crest]
    if len(before) < 1 or len(after) < 1:
        raise _one_sided()
    left, right = int(before[-1]), int(after[0])
    far_left = int(before[-2]) + 1 if len(before) > 1 else 0
    far_right = int(after[1]) + 1 if len(after) > 1 else len(upright)
    trough_left = far_left + int(upright[far_left : left + 1].argmin())
    trough_right = right + 1 + int(upright[right + 1 : far_right].argmin())
    if max(upright[trough_left], upright[trough_right]) > -SMALLEST_SWING:
        raise _one_sided()

    def zero(k: int) -> float:
        return float(step * (k + upright[k] / (upright[k] - upright[k + 1])) - start)

    return Lobes(
        crest_ns=_vertex(upright, crest)[0] * step - start,
        zero_before_ns=zero(left),
        zero_after_ns=zero(right),
        trough_before_ns=_vertex(upright, trough_left)[0] * step - start,
        trough_after_ns=_vertex(upright, trough_right)[0] * step - start,
        trough_before=_vertex(upright, trough_left)[1],
        trough_after=_vertex(upright, trough_right)[1],
    )


def _one_sided() -> InputError:
    return InputError("the wavelet does not swing back on both sides of its crest", do="give more of it")


def _vertex(y: F64, k: int) -> tuple[float, float]:
    """Place and height of the parabola through value k and its neighbours."""
    if not 0 < k < len(y) - 1:
        return float(k), float(y[k])
    left, top, right = (float(v) for v in y[k - 1 : k + 2])
    bend = left - 2.0 * top + right
    if bend == 0.0:
        return float(k), top
    offset = 0.5 * (left - right) / bend
    return k + offset, top - 0.25 * (left - right) * offset
