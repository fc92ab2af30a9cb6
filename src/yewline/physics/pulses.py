"""The Ricker wavelet: in time, in frequency, and where its band ends."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive

__all__ = ["RICKER_CENTROID", "ricker", "ricker_band_mhz", "ricker_spectrum"]

Array = npt.NDArray[np.float64]

RICKER_CENTROID: Final = 2.0 / math.sqrt(math.pi)
"""Centroid of the amplitude spectrum over the peak frequency."""


def ricker(time_ns: npt.ArrayLike, *, peak_mhz: float) -> Array:
    """Ricker wavelet, one at time zero.

    Parameters
    ----------
    time_ns : any shape, ns, from the wavelet's middle.
    peak_mhz : peak of its amplitude spectrum, MHz.

    Returns
    -------
    Same shape. Zeros at ±0.225079/f, troughs of −0.446260 at ±0.389848/f.

    Notes
    -----
    r(t) = (1 − 2π²f²t²) e^{−π²f²t²}.

    References
    ----------
    Ricker 1953, Geophysics 18:10-40; Wang 2015, Geophysics 80(2):A31-A37.

    Examples
    --------
    >>> ricker([0.0, 0.562698], peak_mhz=400.0).round(4).tolist()
    [1.0, -0.0]
    """
    check_positive(peak_mhz, "peak_mhz")
    squared = (np.pi * 1e-3 * peak_mhz * np.asarray(time_ns, dtype=np.float64)) ** 2
    return np.asarray((1.0 - 2.0 * squared) * np.exp(-squared))


def ricker_spectrum(frequency_mhz: npt.ArrayLike, *, peak_mhz: float) -> Array:
    """Fourier transform of `ricker`; it is real, because the wavelet is even.

    Parameters
    ----------
    frequency_mhz : any shape, MHz.
    peak_mhz : as in `ricker`.

    Returns
    -------
    Same shape, ns (amplitude times time): ∫ r(t) e^{−j2πft} dt = 2/√π · f²/f_p³ · e^{−f²/f_p²}.

    References
    ----------
    Ricker 1953, Geophysics 18:10-40; Wang 2015, Geophysics 80(2):A31-A37.

    Examples
    --------
    >>> f = [390.0, 400.0, 410.0]
    >>> bool(ricker_spectrum(f, peak_mhz=400.0).argmax() == 1)
    True
    """
    fp = 1e-3 * check_positive(peak_mhz, "peak_mhz")
    ratio = (1e-3 * np.asarray(frequency_mhz, dtype=np.float64) / fp) ** 2
    return np.asarray(2.0 / (math.sqrt(math.pi) * fp) * ratio * np.exp(-ratio))


def ricker_band_mhz(*, peak_mhz: float, level: float = 0.5) -> tuple[float, float]:
    """Lower and upper frequency at which the amplitude spectrum has fallen to `level` of its peak.

    Parameters
    ----------
    peak_mhz : as in `ricker`.
    level : share of the peak amplitude, 1e-6 to 1 (0.01 is −40 dB).

    Notes
    -----
    x e^{1−x} = level with x = f²/f_p² has two roots; each is found by Newton's method from its own side.

    Examples
    --------
    >>> [round(f, 4) for f in ricker_band_mhz(peak_mhz=1.0)]
    [0.4816, 1.6366]
    """
    check_positive(peak_mhz, "peak_mhz")
    target = math.log(check_in_range(level, "level", 1e-6, 1.0))
    if target == 0.0:
        return peak_mhz, peak_mhz
    # g(x) = ln x + 1 − x is concave: from these starts Newton's steps run to the root without crossing it.
    low, high = _newton(target, math.exp(target - 1.0)), _newton(target, 4.0 - 2.0 * target)
    return peak_mhz * math.sqrt(low), peak_mhz * math.sqrt(high)


def _newton(target: float, x: float) -> float:
    for _ in range(100):
        step = (math.log(x) + 1.0 - x - target) / (1.0 / x - 1.0)
        x -= step
        if abs(step) <= 1e-15 * x:
            break
    return x
