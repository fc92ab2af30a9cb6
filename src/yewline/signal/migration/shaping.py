"""What is done to traces before a diffraction sum: the derivative, finer samples, and copies for steep operators."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft

__all__ = ["UPPER_EDGE", "Shaping", "Weights", "finer_samples", "make_shaping", "phase_of"]

Weights = Literal["2d", "2.5d", "3d", "none"]

_ORDER = {"none": 0.0, "2d": 0.5, "2.5d": 0.5, "3d": 1.0}
UPPER_EDGE = 2.76
"""Times the centre: where a Ricker wavelet's amplitude has fallen to 1 %."""
_SAMPLES_A_PERIOD = 16.0
"""Linear interpolation is off by (π/n)²/2 at worst: 2 % at the upper edge of the band."""
_FINEST = 8
_MOST_COPIES = 16


def phase_of(weights: Weights) -> float:
    """Angle that the derivative turns each frequency by in modelling, degrees; migration turns it back."""
    return 90.0 * _ORDER[weights]


@dataclass(frozen=True, eq=False)
class Shaping:
    """A linear map of traces (T, S) onto copies (C, T, L), and its exact transpose.

    Attributes
    ----------
    samples : S.
    finer : samples of a copy for each sample of a trace.
    response : (C, F) what each copy does to each frequency.
    padded : length that traces are padded to, S samples and silence.
    room : samples of silence that are put behind each copy, so that late times read zero.
    """

    samples: int
    finer: int
    response: npt.NDArray[np.complex128]
    padded: int
    room: int = 2

    @property
    def copies(self) -> int:
        """C."""
        return len(self.response)

    @property
    def length(self) -> int:
        """L."""
        return (self.samples - 1) * self.finer + 1 + self.room

    def forward(self, traces: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """(T, S) to (C, T, L)."""
        out = np.zeros((self.copies, len(traces), self.length), traces.dtype)
        kept = self.length - self.room
        spectrum = fft.rfft(traces, self.padded, axis=1)
        for copy, response in enumerate(self.response):
            shaped = spectrum * response.astype(spectrum.dtype)
            fine = fft.irfft(shaped, self.padded * self.finer, axis=1, overwrite_x=True)
            np.multiply(fine[:, :kept], traces.dtype.type(self.finer), out=out[copy, :, :kept])
        return out

    def transpose(self, copies: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """(C, T, L) to (T, S)."""
        kept = self.length - self.room
        total = np.zeros((copies.shape[1], self.padded // 2 + 1), np.result_type(copies.dtype, np.complex64))
        for copy, response in enumerate(self.response):
            spectrum = fft.rfft(copies[copy, :, :kept], self.padded * self.finer, axis=1)
            total += spectrum[:, : self.padded // 2 + 1] * response.conj().astype(spectrum.dtype)
        return np.ascontiguousarray(fft.irfft(total, self.padded, axis=1)[:, : self.samples])


def finer_samples(interval_ns: float, centre_mhz: float) -> int:
    """Samples that a sum needs for each sample recorded, so that linear interpolation keeps the band.

    Examples
    --------
    >>> finer_samples(0.2, 400.0), finer_samples(0.02, 400.0)
    (4, 1)
    """
    return min(_FINEST, max(1, math.ceil(_SAMPLES_A_PERIOD * 1e-3 * UPPER_EDGE * centre_mhz * interval_ns)))


def make_shaping(
    samples: int, interval_ns: float, weights: Weights, finer: int, *, steepest_ns: float, highest_mhz: float
) -> Shaping:
    """The map for a sum with these weights.

    Parameters
    ----------
    samples, interval_ns : of the traces.
    weights : which derivative.
    finer : samples of a copy for each sample.
    steepest_ns : the most that an operator's time moves from trace to trace; 0 for no anti-alias control.
    highest_mhz : upper edge of the band: what no copy would change needs no copies.

    Notes
    -----
    Migration multiplies with the conjugate of √(jω) (2-D) or of jω (3-D), modelling with these themselves. Copy c of C
    is for operators that move by μ_c = c/(C − 1)·μ_max from trace to trace: they alias above 1/2μ, so the copy keeps
    frequencies up to 1/4μ and fades them out by a half cosine up to 1/2μ (Gray 1992, Geophysical Prospecting
    40:565–571: copies of the traces with limited bands; the shape of the band's end is this function's own).
    """
    padded = 2 * fft.next_fast_len(samples + 64, real=True)
    frequency = np.arange(padded // 2 + 1) / (padded * interval_ns)
    order = _ORDER[weights]
    derivative = np.ones(len(frequency), np.complex128)
    if order:
        derivative = (2 * np.pi * frequency) ** order * np.exp(-0.5j * np.pi * order)
    # The highest frequency of an even length has no phase of its own.
    derivative[-1] = 0.0
    widest = steepest_ns * 1e-3 * highest_mhz
    count = 1 if widest <= 0.25 else min(_MOST_COPIES, 2 + math.ceil(8.0 * widest))
    cycles = frequency * np.linspace(0.0, steepest_ns, count)[:, None]
    response = derivative * np.cos(np.pi * np.clip(2.0 * cycles - 0.5, 0.0, 0.5)) ** 2
    return Shaping(samples, finer, response, padded)
