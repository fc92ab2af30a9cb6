"""The quality factor of a site: how much faster high frequencies die out than low ones, fitted over all its lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from yewline.signal.section import Section
from yewline.signal.wavelets.q_spectra import PooledSpectra, pooled_spectra

__all__ = ["QStarFit", "fit_q_star"]

F64 = npt.NDArray[np.float64]
Line = tuple[npt.ArrayLike, Section]

ROUNDS = 2
"""Times that the smearing of the windows is worked out anew from what was fitted."""
SHAPE_ORDER = 6
"""Order of the polynomial by which a log spectrum's slope is read."""
LOUD_NEPERS = 0.7
"""A window's spectrum is used for the centroid where it stands this far above the noise, twice its level."""


@dataclass(frozen=True, slots=True)
class QStarFit:
    """Quality factor Q* of a site, by two methods side by side. Its inverse is what can be averaged.

    Attributes
    ----------
    inverse : 1/Q* from the ratios of spectra; not above zero where high frequencies do not fade faster.
    inverse_sigma : one standard deviation.
    shift_inverse, shift_inverse_sigma : the same from the downward shift of the spectrum's centroid.
    lines, pieces : lines with anything in them, and groups of them that were left out in turn for the sigma.
    windows : time windows down the record.
    low_mhz, high_mhz : band that was used.
    """

    inverse: float
    inverse_sigma: float
    shift_inverse: float
    shift_inverse_sigma: float
    lines: int
    pieces: int
    windows: int
    low_mhz: float
    high_mhz: float

    @property
    def q_star(self) -> float:
        """Q* from the ratios of spectra; infinite where nothing fades faster than the rest."""
        return 1.0 / self.inverse if self.inverse > 0 else math.inf

    @property
    def q_star_sigma(self) -> float:
        """One standard deviation of Q*, to first order; infinite where Q* is."""
        return self.inverse_sigma / self.inverse**2 if self.inverse > 0 else math.inf


def fit_q_star(
    lines: Sequence[Line],
    *,
    low_mhz: float | None = None,
    high_mhz: float | None = None,
    window_ns: float | None = None,
    start_ns: float | None = None,
    stop_ns: float | None = None,
) -> QStarFit:
    """Fit the part of a site's absorption that grows with frequency: once a site, over all lines of all visits.

    Fitted to one visit it would level out what moisture did to that visit's spectrum. Absorption that is the same at
    all frequencies, and spreading, do not enter: every window has a level of its own.

    Parameters
    ----------
    lines : for each line its samples (T, S), time zero at the first sample and background removed, and its section;
        sample intervals may differ.
    low_mhz, high_mhz : band, MHz; left out, 0.4 to 1.8 × the median centre frequency.
    window_ns : length of a window, ns; left out, five periods of the median centre frequency.
    start_ns, stop_ns : times between which windows lie, ns; left out, from three periods on to the end of the shortest
        record.

    Returns
    -------
    1/Q* by both methods with their standard deviations (NaN where there are fewer than three pieces).

    Raises
    ------
    InputError : no lines, silent ones, records too short, or a band above a Nyquist frequency.

    Notes
    -----
    Ratios: ln A(f, t) = ½ ln(e^{2(s_f + c_t − πft/Q*)} + n_f²), with a source spectrum s, a level c for each window and
    noise n whose logarithm is a straight line in f; robust least squares over all windows and frequencies at once.
    Shift: d⟨f⟩/dt = −π var(f)/Q*, with mean and variance weighted by amplitude less noise, summed up over the windows:
    true for any spectrum, in any fixed band. In both, f is where the energy at f came from before the window smeared
    it. Both take the reflectors to be alike at all depths: finer structure deeper down raises Q*. Sigma: jackknife over
    pieces, which covers noise, not that.

    References
    ----------
    Turner & Siggins 1994, Geophysics 59:1144–1155 (Q* of radar); Quan & Harris 1997, Geophysics 62:895–905 (shift of
    the centroid); both from memory.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> noise = np.random.default_rng(0).standard_normal((60, 400))
    >>> fit = fit_q_star([(noise, section)])
    >>> bool(abs(fit.inverse) < 4 * fit.inverse_sigma + 0.01)
    True
    """
    spectra = pooled_spectra(
        lines, low_mhz=low_mhz, high_mhz=high_mhz, window_ns=window_ns, start_ns=start_ns, stop_ns=stop_ns
    )
    logs = spectra.log_amplitude
    mean = logs.mean(axis=0)
    turns = _turns(spectra, None)
    start = None
    for _ in range(ROUNDS):
        start, signal, _ = _fit_ratios(mean, turns, spectra.frequency_mhz, start)
        turns = _turns(spectra, signal)
    start, _, noise = _fit_ratios(mean, turns, spectra.frequency_mhz, start)
    ratio, shift = float(start[0]), _fit_shift(mean, noise, turns, spectra.frequency_mhz)
    left = None
    if len(logs) > 2:
        left = np.array([_both((logs.sum(axis=0) - one) / (len(logs) - 1), turns, spectra, start) for one in logs])
    ratio_sigma, shift_sigma = (math.nan, math.nan) if left is None else _jackknife(left)
    return QStarFit(
        inverse=ratio,
        inverse_sigma=ratio_sigma,
        shift_inverse=shift,
        shift_inverse_sigma=shift_sigma,
        lines=spectra.lines,
        pieces=len(logs),
        windows=len(spectra.time_ns),
        low_mhz=float(spectra.frequency_mhz[0]),
        high_mhz=float(spectra.frequency_mhz[-1]),
    )


def _jackknife(left: F64) -> tuple[float, float]:
    count = len(left)
    spread = np.sqrt((count - 1) * np.mean((left - left.mean(axis=0)) ** 2, axis=0))
    return float(spread[0]), float(spread[1])


def _turns(spectra: PooledSpectra, signal: F64 | None) -> F64:
    """(K, F) what 1/Q* is multiplied with in the log amplitude: π ∫ f dt of the frequencies that reach each value.

    A window smears its spectrum over a Gaussian of variance b². What then stands at f came, on average, from
    f + b² ∂ ln P/∂f (the mean of a Gaussian's source given where it fell), towards the spectrum's middle.
    """
    f = spectra.frequency_mhz
    reached = np.tile(f, (len(spectra.time_ns), 1))
    if signal is not None:
        x = 2.0 * (f - f.mean()) / np.ptp(f)
        smooth = np.polynomial.chebyshev.Chebyshev.fit
        for k, row in enumerate(signal):
            slope = smooth(x, row, SHAPE_ORDER, domain=[-1.0, 1.0]).deriv()(x) * 2.0 / np.ptp(f)
            reached[k] += 2.0 * spectra.blur_mhz**2 * slope
    step = np.diff(spectra.time_ns)[:, None]
    way = np.concatenate([np.zeros((1, len(f))), np.cumsum(0.5 * step * (reached[1:] + reached[:-1]), axis=0)])
    turns: F64 = np.pi * 1e-3 * way
    return turns


def _both(level: F64, turns: F64, spectra: PooledSpectra, start: F64) -> tuple[float, float]:
    """1/Q* by ratios and by shift from one mean log spectrum (K, F)."""
    fitted, _, noise = _fit_ratios(level, turns, spectra.frequency_mhz, start)
    return float(fitted[0]), _fit_shift(level, noise, turns, spectra.frequency_mhz)


def _fit_ratios(level: F64, turns: F64, frequency: F64, start: F64 | None) -> tuple[F64, F64, F64]:
    """Parameters (1/Q* first), signal (K, F) and noise (F,) in logarithms, of ½ ln(e^{2(s + c − turns/Q*)} + n²)."""
    n_time, n_freq = level.shape
    slope = (frequency - frequency.mean()) / np.ptp(frequency)

    def parts(p: F64) -> tuple[F64, F64]:
        c = np.concatenate([[0.0], p[n_freq + 3 :]])
        signal: F64 = p[3 : n_freq + 3] + c[:, None] - turns * p[0]
        return signal, p[1] + p[2] * slope

    def residual(p: F64) -> F64:
        signal, noise = parts(p)
        return (0.5 * np.logaddexp(2.0 * signal, 2.0 * noise) - level).ravel()

    def jacobian(p: F64) -> F64:
        signal, noise = parts(p)
        # Share of the power that is signal: by it the signal's parameters act, by the rest the noise's.
        share = 1.0 / (1.0 + np.exp(np.clip(2.0 * (noise - signal), -700.0, 700.0)))
        out = np.zeros((n_time, n_freq, len(p)))
        out[:, :, 0] = -turns * share
        out[:, :, 1] = 1.0 - share
        out[:, :, 2] = (1.0 - share) * slope
        out[:, np.arange(n_freq), 3 + np.arange(n_freq)] = share
        for k in range(1, n_time):
            out[k, :, n_freq + 2 + k] = share[k]
        return out.reshape(n_time * n_freq, -1)

    lowest = float(level.min())
    if start is None:
        start = _start(level, turns, lowest)
    top = np.full(len(start), np.inf)
    bottom = -top
    bottom[:3], top[:3] = (-1.0, lowest - 12.0, -4.0), (1.0, lowest + 1.0, 4.0)
    fitted = least_squares(
        residual,
        np.clip(start, bottom + 1e-6, top - 1e-6),
        jac=jacobian,
        bounds=(bottom, top),
        loss="soft_l1",
        f_scale=0.1,
        x_scale="jac",
        ftol=1e-7,
        xtol=1e-7,
        max_nfev=100,
    )
    return fitted.x, *parts(fitted.x)


def _start(level: F64, turns: F64, lowest: float) -> F64:
    """Parameters to begin with, from the first half of the windows."""
    # Without what both means explain the answer is closed, where there is no noise.
    high = level[: max(3, len(level) // 2)]
    bare, rest = _without_means(turns[: len(high)]), _without_means(high)
    guess = float(np.clip(-(bare * rest).sum() / (bare * bare).sum(), -0.5, 0.9))
    free = level + guess * turns
    return np.concatenate([[guess, lowest - 1.0, 0.0], free[0], (free - free[0]).mean(axis=1)[1:]])


def _without_means(values: F64) -> F64:
    return values - values.mean(axis=0) - values.mean(axis=1, keepdims=True) + values.mean()


def _fit_shift(level: F64, noise: F64, turns: F64, frequency: F64) -> float:
    """1/Q* from the centroid's way down; NaN where fewer than three windows stand above the noise."""
    above = np.median(level - noise, axis=1) > LOUD_NEPERS
    count = len(above) if above.all() else int(above.argmin())
    if count < 3:
        return math.nan
    top = level[:count].max(axis=1, keepdims=True)
    size = np.sqrt(np.maximum(np.exp(2.0 * (level[:count] - top)) - np.exp(2.0 * (noise - top)), 0.0))
    size /= size.sum(axis=1, keepdims=True)
    mean = size @ frequency
    # Over each step the centroid falls by its covariance with the turns of that step.
    step = np.diff(turns[:count], axis=0)
    fall = [0.5 * sum((size[i] * (frequency - mean[i]) * step[k]).sum() for i in (k, k + 1)) for k in range(count - 1)]
    way = np.concatenate([[0.0], np.cumsum(fall)])
    centred = way - way.mean()
    return float(-(centred @ mean) / (centred @ centred))
