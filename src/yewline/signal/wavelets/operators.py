"""Wiener's operators, designed on autocorrelations, and the one way they are applied."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.levinson import solve_levinson
from yewline.signal.wavelets.wavelet import Wavelet

__all__ = ["filter_traces", "prediction_operators", "shaping_operator", "spiking_operators"]

F64 = npt.NDArray[np.float64]


def spiking_operators(correlation: npt.ArrayLike, *, prewhitening: float = 0.01) -> F64:
    """Operators that turn a minimum-phase wavelet into a spike at its start.

    Parameters
    ----------
    correlation : (K, n) autocorrelation at lags 0 … n − 1 of each of K lines or traces.
    prewhitening : share of lag 0 that is added to it, as white noise of that power would.

    Returns
    -------
    (K, n) causal operators, scaled so that each begins with 1; a silent row gets one that changes nothing.

    Raises
    ------
    InputError : an autocorrelation that is not positive definite, or prewhitening out of range.

    Notes
    -----
    R f = (1, 0, …, 0)ᵀ, then f / f_0: the prediction-error operator of a gap of one sample.

    References
    ----------
    Robinson & Treitel 1967, Geophys. Prospect. 15:311–333 (digital Wiener filtering; from memory).

    Examples
    --------
    >>> spiking_operators([[1.25, 0.5, 0.0, 0.0, 0.0, 0.0]], prewhitening=0.0).round(2).tolist()
    [[1.0, -0.5, 0.25, -0.12, 0.06, -0.02]]
    """
    r, silent = _whitened(correlation, prewhitening)
    right = np.zeros_like(r)
    right[:, 0] = 1.0
    f = solve_levinson(r, right)
    f /= f[:, :1]
    f[silent] = right[silent]
    return f


def prediction_operators(correlation: npt.ArrayLike, *, gap: int, prewhitening: float = 0.001) -> F64:
    """Operators that take out what can be foretold of a trace from what came `gap` samples and more before.

    Parameters
    ----------
    correlation : (K, gap + n) autocorrelation at lags 0 … gap + n − 1 of each of K lines or traces.
    gap : samples ahead that are foretold: the first `gap` samples of every response stay as they are.
    prewhitening : share of lag 0 that is added to it.

    Returns
    -------
    (K, gap + n) causal operators 1, 0, …, 0, −a_0, …, −a_{n−1}.

    Raises
    ------
    InputError : a gap that leaves no lags, an autocorrelation that is not positive definite, or prewhitening out of
        range.

    Notes
    -----
    R a = (r_gap, …, r_{gap+n−1})ᵀ, e_i = x_i − Σ_j a_j x_{i−gap−j}.

    References
    ----------
    Peacock & Treitel 1969, Geophysics 34:155–169 (predictive deconvolution; from memory).

    Examples
    --------
    >>> prediction_operators([[1.0, 0.0, 0.5, 0.0]], gap=2, prewhitening=0.0).round(3).tolist()
    [[1.0, 0.0, -0.5, -0.0]]
    """
    r, silent = _whitened(correlation, prewhitening)
    count = r.shape[1] - gap
    if gap < 1 or count < 1:
        raise InputError(
            "a prediction needs a gap of one sample or more and lags beyond it",
            received=f"gap {gap} of {r.shape[1]} lags",
        )
    out = np.zeros_like(r)
    out[:, 0] = 1.0
    out[:, gap:] = -solve_levinson(r[:, :count], r[:, gap:])
    out[silent, gap:] = 0.0
    return out


def shaping_operator(wavelet: Wavelet, desired: Wavelet, *, before: int, after: int, prewhitening: float = 0.01) -> F64:
    """Operator that turns one wavelet into another as nearly as its length and the noise allow.

    Parameters
    ----------
    wavelet : as it is.
    desired : as it should be; its zero index comes to lie where that of `wavelet` is.
    before, after : samples by which the operator reaches ahead and back; at least one in all.
    prewhitening : share of lag 0 of the wavelet's autocorrelation that is added to it.

    Returns
    -------
    (before + 1 + after,) operator, its zero at index `before`, scaled so that the wavelet keeps its energy.

    Raises
    ------
    InputError : different sample intervals, lengths or prewhitening out of range.

    Notes
    -----
    R f = g with R the wavelet's autocorrelation and g its cross-correlation with the desired one at lags −before …
    after: least squares of the difference between f * w and d.

    References
    ----------
    Robinson & Treitel 1967, Geophys. Prospect. 15:311–333 (from memory).

    Examples
    --------
    >>> from yewline.signal.wavelets.ricker import ricker_wavelet
    >>> same = ricker_wavelet(peak_mhz=400.0, interval_ns=0.25)
    >>> abs(shaping_operator(same, same, before=2, after=2, prewhitening=0.0)).round(3).tolist()
    [0.0, 0.0, 1.0, 0.0, 0.0]
    """
    if abs(wavelet.interval_ns - desired.interval_ns) > 1e-6 * wavelet.interval_ns:
        raise InputError(
            "both wavelets need one sample interval",
            received=f"{wavelet.interval_ns:g} and {desired.interval_ns:g} ns",
        )
    ahead = int(check_in_range(before, "before", 0, 100_000))
    count = ahead + 1 + int(check_in_range(after, "after", 0, 100_000))
    w, d = wavelet.samples, desired.samples
    own = np.correlate(w, w, "full")[len(w) - 1 :]
    r = np.zeros((1, count))
    r[0, : min(count, len(own))] = own[:count]
    r[0, 0] *= 1.0 + _share(prewhitening)
    # Cross-correlation at lag l: Σ_i w_i d_{i + l}, both counted from their zero indices.
    cross = np.correlate(d, w, "full")
    lag = np.arange(len(cross)) - (len(w) - 1) + wavelet.zero_index - desired.zero_index
    wanted = np.arange(-ahead, count - ahead)
    right = np.zeros((1, count))
    inside = (wanted >= lag[0]) & (wanted <= lag[-1])
    right[0, inside] = cross[wanted[inside] - lag[0]]
    operator = solve_levinson(r, right)[0]
    shaped = np.convolve(w, operator)
    return operator * np.sqrt((w @ w) / (shaped @ shaped)) if shaped.any() else operator


def filter_traces(amplitude: npt.ArrayLike, operator: npt.ArrayLike, *, zero: int = 0) -> Traces:
    """Convolve every trace with one operator, or each with its own.

    Parameters
    ----------
    amplitude : (T, S) samples.
    operator : (n,) for all traces, or (T, n).
    zero : index in the operator of what is not delayed: 0 for a causal one.

    Returns
    -------
    (T, S) float32, samples outside the record taken as zero.

    Raises
    ------
    InputError : samples or an operator that are not finite, or one operator a trace and not as many.

    Notes
    -----
    y_i = Σ_j f_j x_{i − j + zero}, by transform in single precision.

    Examples
    --------
    >>> filter_traces([[1.0, 2.0, 4.0]], [1.0, -0.5]).round(6).tolist()
    [[1.0, 1.5, 3.0]]
    """
    values = check_traces(amplitude)
    given = np.asarray(operator)
    rows = check_array(np.atleast_2d(given), "operator", ndim=2)
    n, count = values.shape[1], rows.shape[1]
    if len(rows) not in (1, len(values)):
        raise InputError("one operator for all traces or one for each", received=f"{len(rows)} for {len(values)}")
    shift = int(check_in_range(zero, "zero", 0, count - 1))
    peak = float(np.abs(values).max())
    if peak == 0.0:
        return values.copy()
    # Scaled by the largest sample: sums of large float32 would else overflow in the transform.
    length = int(fft.next_fast_len(n + count, real=True))
    spectrum = fft.rfft(values / np.float32(peak), length, axis=1)
    spectrum *= fft.rfft(rows, length, axis=1).astype(np.complex64)
    full = fft.irfft(spectrum, length, axis=1, overwrite_x=True)[:, shift : shift + n]
    return np.ascontiguousarray(full * np.float32(peak))


def _whitened(correlation: npt.ArrayLike, prewhitening: float) -> tuple[F64, npt.NDArray[np.bool_]]:
    """Autocorrelations scaled to one at lag 0, with white noise added; and which of them are silent."""
    r = check_array(correlation, "correlation", ndim=2).copy()
    silent = r[:, 0] <= 0
    r[silent] = 0.0
    r[silent, 0] = 1.0
    r /= r[:, :1]
    r[:, 0] += _share(prewhitening)
    return r, silent


def _share(prewhitening: float) -> float:
    return check_in_range(prewhitening, "prewhitening", 0.0, 1.0)
