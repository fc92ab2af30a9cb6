"""From a transfer function and a sampled pulse to the response in time."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["apply_transfer"]

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

PADDING = 4
"""Length of the transform over that of the longer of pulse and response."""
WRAP = 1e-6
"""What is left of the part of the response that wraps round the transform's end."""
QUIET = 1e-4
"""Greatest share of its peak that a pulse may hold at its ends, and its spectrum at half the sampling rate."""


def apply_transfer(
    pulse: npt.ArrayLike,
    *,
    interval_ns: float,
    transfer: Callable[[Complex], npt.NDArray[Any]],
    samples: int | None = None,
) -> Array:
    """Response in time of a linear system to a sampled pulse.

    Parameters
    ----------
    pulse : (S,) samples of the input from time 0; it is zero before and after.
    interval_ns : sampling interval, ns.
    transfer : called once with frequencies (F,) in MHz, complex (see Notes); returns (..., F).
    samples : length of the response; by default that of the pulse.

    Returns
    -------
    (..., samples) response at the pulse's own times.

    Raises
    ------
    InputError : the pulse does not start and end at zero, or is sampled too coarsely.

    Notes
    -----
    The pulse is multiplied by e^{−γt}, transformed, multiplied by H(ω − jγ), transformed back and multiplied by e^{γt}.
    The result is that of the real frequencies, but what comes after the end of the transform (the slow tail of a line
    source in two dimensions) wraps round weakened to a millionth, and singularities on the axis of real frequencies do
    no harm. The transform is four times as long as the signals, so errors grow by no more than a factor of 32.

    Sampling demand: the pulse has its first and last sample, and its spectrum at half the sampling rate, below
    1e-4 of their peaks. For a Ricker wavelet that is an interval of at most 1/(7.3 f); the response is then right to
    some 1e-5 of its peak, and the error falls as fast as the spectrum: at 1/(10 f) it is below 1e-9.

    References
    ----------
    Phinney 1965, J. Geophys. Res. 70:2301-2325 (transforms at complex frequencies; from memory).

    Examples
    --------
    A delay of 2 ns, which falls between two samples:

    >>> t = 0.3 * np.arange(60)
    >>> pulse = np.exp(-((t - 6.0) ** 2))
    >>> late = apply_transfer(pulse, interval_ns=0.3, transfer=lambda f: np.exp(-2j * np.pi * 1e-3 * f * 2.0))
    >>> bool(np.allclose(late, np.exp(-((t - 8.0) ** 2)), atol=1e-6))
    True
    """
    values = check_array(pulse, "pulse", ndim=1)
    step = check_positive(interval_ns, "interval_ns")
    count = values.size if samples is None else samples
    if count < 1:
        raise InputError("samples must be at least 1", received=samples)
    peak = float(np.abs(values).max())
    if peak == 0:
        raise InputError("the pulse is zero throughout")
    _check_ends(values, peak)

    length = next_fast_len(PADDING * max(values.size, count), real=True)
    gamma = -math.log(WRAP) / (length * step)
    spectrum = np.fft.rfft(values * np.exp(-gamma * step * np.arange(values.size)), length)
    size = np.abs(spectrum)
    _check_band(size, step)
    # Beyond the pulse's band the transfer function would be work for nothing.
    used = size > 1e-13 * size.max()
    frequency = (np.fft.rfftfreq(length, step)[used] - 0.5j * gamma / np.pi) * 1e3
    gain = np.asarray(transfer(frequency))
    out = np.zeros((*gain.shape[:-1], size.size), dtype=np.complex128)
    out[..., used] = gain * spectrum[used]
    damped = np.fft.irfft(out, length, axis=-1)[..., :count]
    return np.asarray(damped * np.exp(gamma * step * np.arange(count)))


def _check_ends(values: Array, peak: float) -> None:
    ends = max(abs(float(values[0])), abs(float(values[-1]))) / peak
    if ends > QUIET:
        raise InputError(
            "the pulse does not start and end at zero",
            received=f"{ends:.2g} of its peak at an end",
            do="take more of it, or taper it",
        )


def _check_band(size: Array, step: float) -> None:
    left = float(size[int(0.95 * size.size) :].max() / size.max())
    if left > QUIET:
        raise InputError(
            "the pulse is sampled too coarsely",
            received=f"{left:.2g} of its peak spectrum at {500.0 / step:.4g} MHz, half the sampling rate",
            do="sample it at a shorter interval",
        )
