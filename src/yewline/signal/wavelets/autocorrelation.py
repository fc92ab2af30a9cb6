"""Autocorrelation of traces, one by one or averaged over a line: what operators and statistical wavelets rest on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_in_range
from yewline.signal.traces import Traces, check_traces

__all__ = ["autocorrelations", "mean_autocorrelation"]

F64 = npt.NDArray[np.float64]

AT_ONCE = 128
"""Traces transformed at a time, in double precision, so that memory does not grow with the line."""


def mean_autocorrelation(amplitude: npt.ArrayLike, *, lags: int) -> F64:
    """Autocorrelation at lags 0 … lags − 1, averaged over the traces of a line.

    Parameters
    ----------
    amplitude : (T, S) samples.
    lags : how many, 1 to S.

    Returns
    -------
    (lags,) float64, in units of amplitude squared, summed over time.

    Raises
    ------
    InputError : samples that are not finite, or more lags than samples.

    Notes
    -----
    r_l = (1/T) Σ_t Σ_i x_{t,i} x_{t,i+l}, nothing outside the record.

    Examples
    --------
    >>> mean_autocorrelation([[1.0, 2.0, 0.0]], lags=2).round(6).tolist()
    [5.0, 2.0]
    """
    values, count = _checked(amplitude, lags)
    n = values.shape[1]
    length = int(fft.next_fast_len(n + count, real=True))
    power = np.zeros(length // 2 + 1)
    for start in range(0, len(values), AT_ONCE):
        spectrum = fft.rfft(values[start : start + AT_ONCE].astype(np.float64), length, axis=1)
        power += np.einsum("tf,tf->f", spectrum.real, spectrum.real)
        power += np.einsum("tf,tf->f", spectrum.imag, spectrum.imag)
    lagged: F64 = fft.irfft(power / len(values), length)[:count]
    return lagged


def autocorrelations(amplitude: npt.ArrayLike, *, lags: int) -> F64:
    """Autocorrelation of each trace at lags 0 … lags − 1.

    Parameters
    ----------
    amplitude : (T, S) samples.
    lags : how many, 1 to S.

    Returns
    -------
    (T, lags) float64.

    Raises
    ------
    InputError : samples that are not finite, or more lags than samples.

    Examples
    --------
    >>> autocorrelations([[1.0, 2.0, 0.0], [1.0, 0.0, 0.0]], lags=2).round(6).tolist()
    [[5.0, 2.0], [1.0, 0.0]]
    """
    values, count = _checked(amplitude, lags)
    length = int(fft.next_fast_len(values.shape[1] + count, real=True))
    out = np.empty((len(values), count))
    for start in range(0, len(values), AT_ONCE):
        spectrum = fft.rfft(values[start : start + AT_ONCE].astype(np.float64), length, axis=1)
        out[start : start + AT_ONCE] = fft.irfft(spectrum.real**2 + spectrum.imag**2, length, axis=1)[:, :count]
    return out


def _checked(amplitude: npt.ArrayLike, lags: int) -> tuple[Traces, int]:
    values = check_traces(amplitude)
    return values, int(check_in_range(lags, "lags", 1, values.shape[1]))
