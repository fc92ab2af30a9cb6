"""The minimum-phase wavelet of a given amplitude spectrum, by Kolmogorov's factorisation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError

__all__ = ["minimum_phase"]

F64 = npt.NDArray[np.float64]


def minimum_phase(amplitude: npt.ArrayLike, *, floor: float = 1e-4) -> F64:
    """Of all wavelets that begin at time zero and have this amplitude spectrum, the one whose energy comes earliest.

    Parameters
    ----------
    amplitude : (N/2 + 1,) amplitude spectrum at the frequencies of a transform of even length N.
    floor : share of the largest value below which the spectrum is held up: its logarithm must exist.

    Returns
    -------
    (N,) samples, float64.

    Raises
    ------
    InputError : a spectrum that is negative, zero throughout or shorter than two values, or a floor out of range.

    Notes
    -----
    The cepstrum c of ln A is folded to positive times, c_0, 2c_1, 2c_2, …, and W = e^{F(folded c)}: ln|W| is ln A, and
    W has no zeros outside the unit circle. N must be long enough for the cepstrum to die away within N/2.

    References
    ----------
    Kolmogorov 1939; Oppenheim & Schafer, Discrete-Time Signal Processing, ch. on cepstra; Claerbout 1976, Fundamentals
    of Geophysical Data Processing, §3-4 (all from memory).

    Examples
    --------
    >>> late = np.array([0.5, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    >>> minimum_phase(np.abs(np.fft.rfft(late, 64)))[:2].round(6).tolist()
    [1.0, 0.5]
    """
    size = check_array(amplitude, "amplitude", ndim=1)
    lowest = check_in_range(floor, "floor", 1e-12, 1.0)
    if len(size) < 2 or size.min() < 0 or size.max() == 0:
        raise InputError(
            "an amplitude spectrum must have two values or more, not negative and not all zero",
            received=f"{len(size)} values from {size.min():g} to {size.max():g}",
        )
    length = 2 * (len(size) - 1)
    cepstrum = np.fft.irfft(np.log(np.maximum(size, lowest * size.max())), length)
    folded = np.zeros(length)
    folded[0] = cepstrum[0]
    folded[1 : length // 2] = 2.0 * cepstrum[1 : length // 2]
    folded[length // 2] = cepstrum[length // 2]
    return np.fft.irfft(np.exp(np.fft.rfft(folded)), length)
