"""Envelope: the strength of a response, free of where in its cycle the wave stands."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline.signal.scale import near_one
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces

__all__ = ["envelope"]


def envelope(amplitude: npt.ArrayLike, section: Section) -> Traces:
    """Magnitude of the analytic signal of each trace.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna (not used: the envelope knows no units of time).

    Returns
    -------
    (T, S) float32, nowhere negative.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    e = √(x² + H[x]²), with H the Hilbert transform over the record taken as periodic.

    References
    ----------
    Taner, Koehler & Sheriff 1979, Geophysics 44:1041–1063.

    Examples
    --------
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=250.0)
    >>> t = 0.5 * np.arange(64)
    >>> envelope([np.cos(2 * np.pi * 0.25 * t)], section).round(3)[0, :3].tolist()
    [1.0, 1.0, 1.0]
    """
    # Squares of a file in unusual units would leave single precision.
    values, factor = near_one(check_traces(amplitude))
    n = values.shape[1]
    spectrum = fft.rfft(values, axis=1)
    # A quarter turn of every frequency; zero and Nyquist have no quadrature.
    spectrum *= np.complex64(-1j)
    spectrum[:, 0] = 0
    if n % 2 == 0:
        spectrum[:, -1] = 0
    quadrature: Traces = fft.irfft(spectrum, n, axis=1, overwrite_x=True)
    quadrature *= quadrature
    quadrature += values * values
    np.sqrt(quadrature, out=quadrature)
    quadrature *= factor
    return quadrature
