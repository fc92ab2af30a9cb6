"""Deconvolution of a line: ringing suppression that keeps amplitude, and two that sharpen for the eye."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from yewline._check import check_choice, check_positive
from yewline.errors import InputError
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.autocorrelation import autocorrelations, mean_autocorrelation
from yewline.signal.wavelets.deterministic import direct_wavelet
from yewline.signal.wavelets.operators import filter_traces, prediction_operators, shaping_operator, spiking_operators
from yewline.signal.wavelets.ricker import REACH, ricker_wavelet
from yewline.signal.wavelets.statistical import statistical_wavelet
from yewline.signal.wavelets.wavelet import Wavelet
from yewline.signal.wavelets.window import samples_of, time_window

__all__ = [
    "default_deconvolution_ns",
    "default_gap_ns",
    "default_prediction_ns",
    "predictive_deconvolution",
    "predictive_deconvolution_by_trace",
    "shaping_deconvolution",
    "spiking_deconvolution",
]


def default_gap_ns(section: Section) -> float:
    """Two periods of the centre frequency, ns: as long as an antenna's own pulse, which then stays as it is."""
    return 2.0 * section.period_ns


def default_prediction_ns(section: Section) -> float:
    """Four periods of the centre frequency, ns: ringing repeats itself within them (common practice, no source)."""
    return 4.0 * section.period_ns


def default_deconvolution_ns(section: Section) -> float:
    """Three periods of the centre frequency, ns: about the length of the pulse that is to be undone."""
    return 3.0 * section.period_ns


def predictive_deconvolution(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    gap_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    length_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    prewhitening: Annotated[float, Field(ge=0, le=1)] = 0.001,
    start_ns: Annotated[float, Field(ge=0, le=100_000)] = 0.0,
    stop_ns: Annotated[float | None, Field(gt=0, le=100_000)] = None,
) -> Traces:
    """Suppress ringing: take out of every trace what the line's own repetition foretells.

    Amplitude-true: one operator for the whole line, which begins with 1 and leaves the first `gap_ns` of every response
    exactly as it is, so that strengths stay comparable between traces, lines and visits. What repeats itself for
    another reason, such as even layers, is weakened like ringing.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    gap_ns : how far ahead is foretold, ns: nothing nearer than that to the onset of a response is touched; left out,
        two periods of the centre frequency.
    length_ns : length of the operator beyond the gap, ns; it has to reach over one repetition of the ringing; left out,
        four periods of the centre frequency.
    prewhitening : share of the line's power that counts as noise; more makes a weaker and steadier operator.
    start_ns : time from which the line's repetition is measured, ns.
    stop_ns : time until which it is measured, ns; left out, to the end of the record.

    Returns
    -------
    (T, S) float32.

    Raises
    ------
    InputError : samples that are not finite, values out of range, or a window shorter than gap and operator.

    Notes
    -----
    e_i = x_i − Σ_j a_j x_{i−g−j}, R a = (r_g, r_{g+1}, …)ᵀ with r the autocorrelation averaged over the traces and its
    lag 0 raised by the prewhitening; solved by Levinson's recursion.

    References
    ----------
    Peacock & Treitel 1969, Geophysics 34:155–169 (from memory).

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1_000.0)
    >>> ringing = np.zeros((1, 40)); ringing[0, 5::4] = 0.5 ** np.arange(9)
    >>> left = predictive_deconvolution(ringing, section, gap_ns=4.0, length_ns=2.0)
    >>> abs(left[0, 5:14]).round(2).tolist()
    [1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    """
    values, gap, lags, part = _prepared(amplitude, section, gap_ns, length_ns, start_ns, stop_ns)
    correlation = mean_autocorrelation(part, lags=lags)[None, :]
    return filter_traces(values, prediction_operators(correlation, gap=gap, prewhitening=prewhitening))


def predictive_deconvolution_by_trace(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    gap_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    length_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    prewhitening: Annotated[float, Field(ge=0, le=1)] = 0.001,
    start_ns: Annotated[float, Field(ge=0, le=100_000)] = 0.0,
    stop_ns: Annotated[float | None, Field(gt=0, le=100_000)] = None,
) -> Traces:
    """Suppress ringing by an operator of each trace's own: for display only.

    Where ringing changes along the line this follows it, but a strong response changes the operator of its trace, so
    that what is left of two responses cannot be compared.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    gap_ns : how far ahead is foretold, ns; left out, two periods of the centre frequency.
    length_ns : length of the operator beyond the gap, ns; left out, four periods of the centre frequency.
    prewhitening : share of the trace's power that counts as noise.
    start_ns : time from which the trace's repetition is measured, ns.
    stop_ns : time until which it is measured, ns; left out, to the end of the record.

    Returns
    -------
    (T, S) float32; a silent trace stays silent.

    Raises
    ------
    InputError : as for `predictive_deconvolution`.

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1_000.0)
    >>> ringing = np.zeros((2, 40)); ringing[0, 5::4] = 0.5 ** np.arange(9); ringing[1, 5::5] = 0.5 ** np.arange(7)
    >>> predictive_deconvolution_by_trace(ringing, section, gap_ns=4.0, length_ns=3.0).round(1).max(axis=1).tolist()
    [1.0, 1.0]
    """
    values, gap, lags, part = _prepared(amplitude, section, gap_ns, length_ns, start_ns, stop_ns)
    correlation = autocorrelations(part, lags=lags)
    return filter_traces(values, prediction_operators(correlation, gap=gap, prewhitening=prewhitening))


def spiking_deconvolution(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    length_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    prewhitening: Annotated[float, Field(ge=0, le=1)] = 0.01,
    start_ns: Annotated[float, Field(ge=0, le=100_000)] = 0.0,
    stop_ns: Annotated[float | None, Field(gt=0, le=100_000)] = None,
    operator: Literal["line", "trace"] = "line",
) -> Traces:
    """Sharpen a line towards spikes, taking its wavelet to be of minimum phase: for display only.

    The operator undoes the line's own spectrum, noise and all. It takes out just what moisture does to the spectrum,
    and how strong a response comes out depends on the spectrum of its line.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    length_ns : length of the operator, ns; left out, three periods of the centre frequency.
    prewhitening : share of the power that counts as noise; less makes sharper spikes and more noise.
    start_ns : time from which the spectrum is measured, ns.
    stop_ns : time until which it is measured, ns; left out, to the end of the record.
    operator : one for the line, or each trace its own.

    Returns
    -------
    (T, S) float32, with the root mean square that each line (or trace) had; spikes lie at the onsets of responses.

    Raises
    ------
    InputError : samples that are not finite, values out of range, or a window shorter than the operator.

    Notes
    -----
    R f = (1, 0, …, 0)ᵀ by Levinson's recursion, R from the autocorrelation with its lag 0 raised by the prewhitening.

    References
    ----------
    Robinson & Treitel 1967, Geophys. Prospect. 15:311–333 (from memory).

    Examples
    --------
    >>> section = Section(interval_ns=1.0, spacing_m=0.1, centre_mhz=1_000.0)
    >>> wavelet = np.zeros((1, 30)); wavelet[0, 8:10] = 1.0, 0.6
    >>> spikes = spiking_deconvolution(wavelet, section, length_ns=12.0, prewhitening=0.0)
    >>> int(spikes.argmax()), bool(abs(np.delete(spikes, 8)).max() < 0.01 * spikes.max())
    (8, True)
    """
    check_choice(operator, "operator", ("line", "trace"))
    lags = samples_of(length_ns, default_deconvolution_ns(section), "length_ns", section)
    values = check_traces(amplitude)
    part = time_window(values, section, start_ns, stop_ns, samples=lags)
    if operator == "line":
        correlation = mean_autocorrelation(part, lags=lags)[None, :]
    else:
        correlation = autocorrelations(part, lags=lags)
    sharp = filter_traces(values, spiking_operators(correlation, prewhitening=prewhitening))
    return same_level(sharp, values, by_trace=operator == "trace")


def shaping_deconvolution(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    wavelet: Literal["minimum", "zero", "direct"] = "minimum",
    peak_mhz: Annotated[float | None, Field(gt=0, le=20_000)] = None,
    length_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    prewhitening: Annotated[float, Field(ge=0, le=1)] = 0.01,
    start_ns: Annotated[float, Field(ge=0, le=100_000)] = 0.0,
    stop_ns: Annotated[float | None, Field(gt=0, le=100_000)] = None,
) -> Traces:
    """Turn the line's wavelet into a Ricker wavelet by a Wiener filter: for display only.

    The filter is made from the line's own wavelet. A wet day's weaker upper band is brought up to the same Ricker
    wavelet as a dry day's, so that strengths of two lines or visits cannot be compared.

    Parameters
    ----------
    amplitude : (T, S) samples.
    section : sampling and antenna.
    wavelet : what the line's wavelet is taken to be: of its spectrum with minimum or zero phase, or its direct wave.
    peak_mhz : peak of the Ricker wavelet's spectrum, MHz; left out, the centre frequency of the antenna.
    length_ns : reach of the filter ahead and back, ns; left out, three periods of the centre frequency.
    prewhitening : share of the wavelet's power that counts as noise.
    start_ns : time from which the spectrum is measured, ns; not used for the direct wave.
    stop_ns : time until which it is measured, ns; left out, to the end of the record.

    Returns
    -------
    (T, S) float32; a response keeps its energy, and its Ricker wavelet stands where its wavelet began (minimum phase),
    had its middle (zero phase) or the crest of its envelope (direct wave).

    Raises
    ------
    InputError : samples that are not finite or all zero, values out of range, a peak above the Nyquist frequency, or
        a record shorter than the wavelet.

    Notes
    -----
    Least squares of f * w − d, f reaching to both sides; Levinson's recursion.

    References
    ----------
    Robinson & Treitel 1967, Geophys. Prospect. 15:311–333 (from memory); Ricker 1953, Geophysics 18:10–40.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.1, centre_mhz=400.0)
    >>> onset = np.zeros((4, 120)); onset[:, 60:72] = np.exp(-0.4 * np.arange(12)) * np.cos(0.6 * np.arange(12))
    >>> int(shaping_deconvolution(onset, section)[0].argmax())
    60
    """
    check_choice(wavelet, "wavelet", ("minimum", "zero", "direct"))
    values = check_traces(amplitude)
    peak = section.centre_mhz if peak_mhz is None else check_positive(peak_mhz, "peak_mhz")
    if peak >= section.nyquist_mhz:
        raise InputError(
            "the Ricker wavelet lies above the Nyquist frequency",
            received=f"{peak:g} MHz with one sample each {section.interval_ns:g} ns (Nyquist {section.nyquist_mhz:g})",
            do="lower peak_mhz, and check the sample interval and the centre frequency of the antenna",
        )
    reach = samples_of(length_ns, default_deconvolution_ns(section), "length_ns", section)
    if not values.any():
        return values.copy()
    now = _wavelet_of(values, section, wavelet, start_ns, stop_ns)
    longest_ns = section.interval_ns * values.shape[1]
    if 1_000.0 * REACH / peak > longest_ns:
        raise InputError(
            "the Ricker wavelet is longer than the record",
            received=f"{peak:g} MHz in {longest_ns:g} ns",
            do=f"raise peak_mhz to {1_000.0 * REACH / longest_ns:.3g} or more, or record a longer time window",
        )
    wanted = ricker_wavelet(peak_mhz=peak, interval_ns=section.interval_ns)
    f = shaping_operator(now, wanted, before=reach, after=reach, prewhitening=prewhitening)
    return filter_traces(values, f, zero=reach)


def same_level(changed: Traces, values: Traces, *, by_trace: bool) -> Traces:
    """`changed` with the root mean square that `values` has, over the line or trace by trace."""
    axis = 1 if by_trace else None
    # In double precision: squares of large or tiny float32 would leave their range.
    new, old = changed.astype(np.float64), values.astype(np.float64)
    was, now = (np.sqrt(np.mean(x * x, axis=axis, keepdims=True)) for x in (old, new))
    factor = np.where(now > 0, was / np.where(now > 0, now, 1.0), 0.0)
    return (new * factor).astype(np.float32)


def _prepared(
    amplitude: npt.ArrayLike,
    section: Section,
    gap_ns: float | None,
    length_ns: float | None,
    start_ns: float,
    stop_ns: float | None,
) -> tuple[Traces, int, int, Traces]:
    """Samples, gap and lags in samples, and the window that the operator is made from."""
    values = check_traces(amplitude)
    gap = samples_of(gap_ns, default_gap_ns(section), "gap_ns", section)
    lags = gap + samples_of(length_ns, default_prediction_ns(section), "length_ns", section)
    return values, gap, lags, time_window(values, section, start_ns, stop_ns, samples=lags)


def _wavelet_of(values: Traces, section: Section, kind: str, start_ns: float, stop_ns: float | None) -> Wavelet:
    if kind == "direct":
        return direct_wavelet([(values, section)])
    return statistical_wavelet(
        [(values, section)],
        phase="minimum" if kind == "minimum" else "zero",
        start_ns=start_ns,
        stop_ns=stop_ns,
    )
