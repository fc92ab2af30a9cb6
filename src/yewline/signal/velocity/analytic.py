"""Analytic signal of a line, finely enough sampled for sums along curves, and level along time."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import uniform_filter1d

from yewline.signal.section import Section
from yewline.signal.traces import Traces

__all__ = ["Analytic", "analytic"]

F32 = npt.NDArray[np.float32]

SAMPLES_A_PERIOD: Final = 10
LEAST_LEVEL: Final = 1e-3
"""Level of ground without any signal, as a share of the strongest: what is fainter is no recording."""


class Analytic(NamedTuple):
    """Real and imaginary part (T, N), their sample interval, and the level of each time (N,) that was divided out."""

    real: F32
    imag: F32
    interval_ns: float
    level: F32


def analytic(values: Traces, section: Section, *, even: bool) -> Analytic:
    """Analytic signal by its spectrum, at ten samples a period or more; `even` brings every time to a level of one.

    The samples are divided by their own largest size first, so that enormous amplitudes do not overflow.
    """
    n_trace, n = values.shape
    peak = float(np.abs(values).max())
    finer = max(1, math.ceil(section.interval_ns * SAMPLES_A_PERIOD / section.period_ns - 1e-6))
    length = fft.next_fast_len(n + min(n, 64), real=True)
    spectrum = fft.rfft(values / np.float32(peak if peak > 0 else 1.0), length, axis=1)
    whole = np.zeros((n_trace, length * finer), np.complex64)
    count = spectrum.shape[1]
    whole[:, :count] = spectrum * np.float32(2.0 * finer)
    whole[:, 0] *= np.float32(0.5)
    if length % 2 == 0:
        whole[:, count - 1] *= np.float32(0.5)
    signal = fft.ifft(whole, axis=1, overwrite_x=True)[:, : (n - 1) * finer + 1]
    real, imag = np.ascontiguousarray(signal.real), np.ascontiguousarray(signal.imag)
    level = np.ones(real.shape[1], np.float32)
    if even:
        power = (real**2 + imag**2).mean(axis=0, dtype=np.float64)
        wide = max(3, round(section.period_ns * finer / section.interval_ns))
        smooth = np.sqrt(np.maximum(uniform_filter1d(power, wide, mode="nearest"), 0.0))
        level = np.maximum(smooth, max(LEAST_LEVEL * float(smooth.max()), 1e-30)).astype(np.float32)
        real /= level
        imag /= level
    return Analytic(real, imag, section.interval_ns / finer, level)
