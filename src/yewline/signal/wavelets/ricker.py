"""The Ricker wavelet, sampled: what a response is shaped to."""

from __future__ import annotations

import math

import numpy as np

from yewline._check import check_positive
from yewline.signal.wavelets.wavelet import Wavelet, make_wavelet

__all__ = ["ricker_wavelet"]

REACH = 1.6
"""Periods of the peak frequency on each side: the wavelet has fallen below 1e-9 of its crest there."""


def ricker_wavelet(*, peak_mhz: float, interval_ns: float) -> Wavelet:
    """Ricker wavelet with its crest at the time of the reflector.

    Parameters
    ----------
    peak_mhz : peak of its amplitude spectrum, MHz.
    interval_ns : sample interval, ns.

    Returns
    -------
    Wavelet of an odd number of samples.

    Raises
    ------
    InputError : a value that is not positive.

    Notes
    -----
    r(t) = (1 − 2π²f²t²) e^{−π²f²t²}.

    References
    ----------
    Ricker 1953, Geophysics 18:10–40; Wang 2015, Geophysics 80(2):A31–A37.

    Examples
    --------
    >>> ricker_wavelet(peak_mhz=400.0, interval_ns=0.25).samples.shape
    (33,)
    """
    peak = 1e-3 * check_positive(peak_mhz, "peak_mhz")
    step = check_positive(interval_ns, "interval_ns")
    half = max(1, math.ceil(REACH / (peak * step)))
    squared = (math.pi * peak * step * np.arange(-half, half + 1)) ** 2
    return make_wavelet((1.0 - 2.0 * squared) * np.exp(-squared), interval_ns=step, zero_index=half)
