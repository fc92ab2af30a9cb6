"""Pulses: the Ricker wavelet, the first derivative of a Gaussian, and the current whose rate is a Ricker wavelet.

Each in time, in frequency, and where its band ends.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range, check_positive

__all__ = [
    "RICKER_CENTROID",
    "gaussian_derivative",
    "gaussian_derivative_band_mhz",
    "gaussian_derivative_spectrum",
    "ricker",
    "ricker_band_mhz",
    "ricker_current",
    "ricker_current_band_mhz",
    "ricker_current_spectrum",
    "ricker_spectrum",
]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

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


def gaussian_derivative(time_ns: npt.ArrayLike, *, peak_mhz: float) -> Array:
    """First derivative of a Gaussian, with extremes of +1 and −1; its middle, a zero, at time zero.

    Parameters
    ----------
    time_ns : any shape, ns.
    peak_mhz : peak of its amplitude spectrum, MHz.

    Returns
    -------
    Same shape. The extremes lie at ∓s, s = 1/(2πf).

    Notes
    -----
    w(t) = −(t/s) e^{½ − t²/(2s²)} = s √e d/dt e^{−t²/(2s²)}.

    References
    ----------
    Taflove & Hagness 2005, Computational Electrodynamics, ch. 5 (the pulse; its scaling is ours).

    Examples
    --------
    >>> gaussian_derivative([-0.3978874, 0.0, 0.3978874], peak_mhz=400.0).round(6).tolist()
    [1.0, -0.0, -1.0]
    """
    ratio = 2e-3 * np.pi * check_positive(peak_mhz, "peak_mhz") * np.asarray(time_ns, dtype=np.float64)
    return np.asarray(-ratio * np.exp(0.5 * (1.0 - ratio**2)))


def gaussian_derivative_spectrum(frequency_mhz: npt.ArrayLike, *, peak_mhz: float) -> Complex:
    """Fourier transform of `gaussian_derivative`; it is imaginary, because the pulse is odd.

    Parameters
    ----------
    frequency_mhz : any shape, MHz.
    peak_mhz : as in `gaussian_derivative`.

    Returns
    -------
    Same shape, ns: ∫ w(t) e^{−j2πft} dt = j √(2πe) s · (f/f_p) e^{−f²/(2f_p²)}, s = 1/(2πf_p).

    References
    ----------
    Taflove & Hagness 2005, ch. 5 (the pulse); the transform is that of a Gaussian times jω.

    Examples
    --------
    >>> gaussian_derivative_spectrum(400.0, peak_mhz=400.0).round(6).item()
    0.997356j
    """
    fp = 1e-3 * check_positive(peak_mhz, "peak_mhz")
    ratio = 1e-3 * np.asarray(frequency_mhz, dtype=np.float64) / fp
    return np.asarray(1j * math.sqrt(2.0 * math.pi * math.e) / (2.0 * math.pi * fp) * ratio * np.exp(-0.5 * ratio**2))


def gaussian_derivative_band_mhz(*, peak_mhz: float, level: float = 0.5) -> tuple[float, float]:
    """Lower and upper frequency at which the spectrum of `gaussian_derivative` has fallen to `level` of its peak.

    Parameters
    ----------
    peak_mhz : as in `gaussian_derivative`.
    level : share of the peak amplitude, 1e-3 to 1 (0.01 is −40 dB).

    Notes
    -----
    √x e^{(1−x)/2} = level with x = f²/f_p²: a Ricker's equation at the square of the level.

    Examples
    --------
    >>> [round(f, 4) for f in gaussian_derivative_band_mhz(peak_mhz=1.0)]
    [0.3191, 1.9216]
    """
    return ricker_band_mhz(peak_mhz=peak_mhz, level=check_in_range(level, "level", 1e-3, 1.0) ** 2)


def ricker_current(time_ns: npt.ArrayLike, *, peak_mhz: float) -> Array:
    """Current whose rate of change is the Ricker wavelet of 1 A/ns; its middle, a zero, at time zero.

    A source radiates as its current changes: with this current the field of a point source is a Ricker wavelet.

    Parameters
    ----------
    time_ns : any shape, ns.
    peak_mhz : peak of the Ricker wavelet's amplitude spectrum, MHz; the current's own peak is lower by √2.

    Returns
    -------
    Same shape, A.

    Notes
    -----
    I(t) = t e^{−π²f²t²}, dI/dt = (1 − 2π²f²t²) e^{−π²f²t²}. It is minus a first derivative of a Gaussian.

    References
    ----------
    Integral of the wavelet of Ricker 1953, Geophysics 18:10-40.

    Examples
    --------
    >>> ricker_current([0.0, 0.5], peak_mhz=400.0).round(6).tolist()
    [0.0, 0.336913]
    """
    time = np.asarray(time_ns, dtype=np.float64)
    return np.asarray(time * np.exp(-((np.pi * 1e-3 * check_positive(peak_mhz, "peak_mhz") * time) ** 2)))


def ricker_current_spectrum(frequency_mhz: npt.ArrayLike, *, peak_mhz: float) -> Complex:
    """Fourier transform of `ricker_current`: that of the Ricker wavelet divided by jω.

    Parameters
    ----------
    frequency_mhz : any shape, MHz; 0 is allowed.
    peak_mhz : as in `ricker_current`.

    Returns
    -------
    Same shape, A ns.

    References
    ----------
    Ricker 1953, Geophysics 18:10-40, divided by jω.

    Examples
    --------
    >>> bool(ricker_current_spectrum(0.0, peak_mhz=400.0) == 0)
    True
    """
    fp = 1e-3 * check_positive(peak_mhz, "peak_mhz")
    f = 1e-3 * np.asarray(frequency_mhz, dtype=np.float64)
    return np.asarray(-1j / (math.pi**1.5 * fp**3) * f * np.exp(-((f / fp) ** 2)))


def ricker_current_band_mhz(*, peak_mhz: float, level: float = 0.5) -> tuple[float, float]:
    """Lower and upper frequency at which the spectrum of `ricker_current` has fallen to `level` of its peak.

    Parameters
    ----------
    peak_mhz : as in `ricker_current`.
    level : share of the peak amplitude, 1e-3 to 1.

    Examples
    --------
    >>> [round(f, 4) for f in ricker_current_band_mhz(peak_mhz=1.0, level=1.0)]
    [0.7071, 0.7071]
    """
    return gaussian_derivative_band_mhz(peak_mhz=check_positive(peak_mhz, "peak_mhz") / math.sqrt(2.0), level=level)


def _newton(target: float, x: float) -> float:
    for _ in range(100):
        step = (math.log(x) + 1.0 - x - target) / (1.0 / x - 1.0)
        x -= step
        if abs(step) <= 1e-15 * x:
            break
    return x
