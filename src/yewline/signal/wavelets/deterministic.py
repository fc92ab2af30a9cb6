"""Wavelets read off the record: the direct wave, or one reflector, aligned and averaged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.signal import hilbert

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.traces import Traces, check_traces
from yewline.signal.wavelets.statistical import check_one_interval
from yewline.signal.wavelets.wavelet import Wavelet, make_wavelet

__all__ = ["direct_wavelet", "reflector_wavelet"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Line = tuple[npt.ArrayLike, Section]

ROUNDS = 6
"""Times that traces are aligned with their average: it has settled by then."""
MARGIN = 8
"""Samples beyond the window on which the shift between samples rests."""
FADE_SHARE = 0.15
"""Share of the window that is faded out at each end."""
DIRECT_PERIODS = 6.0
"""Three on each side of the strongest swing: a shorter window cuts off the end of a pulse that rings."""


def reflector_wavelet(
    lines: Sequence[Line],
    *,
    start_ns: float,
    stop_ns: float,
    lowest_correlation: float = 0.6,
) -> Wavelet:
    """Wavelet of one reflector that lies between two times: each trace moved to fit, then averaged.

    Parameters
    ----------
    lines : for each line its samples (T, S) and its section; one sample interval.
    start_ns, stop_ns : times between which the reflector lies on all traces, ns.
    lowest_correlation : traces that fit the average less well than this, −1 to 1, are left out.

    Returns
    -------
    Wavelet as long as the window, its ends faded out, with the crest of its envelope at the time of the reflector.

    Raises
    ------
    InputError : no lines, different sample intervals, a window outside the record or too short, a silent one, or no
        trace that fits the others.

    Notes
    -----
    Each trace is moved by up to a quarter of the window to where its normalised correlation with the average is
    largest, read between samples by a parabola, and averaged again, six times: weighted with how well it fits, and in
    the end over those that fit well enough, as strong as they are.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(120)[None, :] - 15.0 - np.linspace(-0.5, 0.5, 30)[:, None]
    >>> line = (1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2))
    >>> found = reflector_wavelet([(line, section)], start_ns=10.0, stop_ns=20.0)
    >>> round(found.band.peak_mhz, -1)
    400.0
    """
    interval = check_one_interval(lines)
    first, stop = check_in_range(start_ns, "start_ns", 0.0, 1e9), check_positive(stop_ns, "stop_ns")
    width = round((stop - first) / interval)
    if width < 9:
        raise InputError("the window is too short for a wavelet", received=f"{first:g} to {stop:g} ns at {interval:g}")
    half = width // 2
    centre = round(0.5 * (first + stop) / interval)
    values = [check_traces(amplitude) for amplitude, _ in lines]
    if any(centre + half >= x.shape[1] for x in values):
        raise InputError(
            "the window reaches beyond the record",
            received=f"{first:g} to {stop:g} ns of {min(x.shape[1] for x in values) * interval:g} ns",
        )
    centres = [np.full(len(x), centre, np.int64) for x in values]
    return _stacked(values, centres, half, interval, check_in_range(lowest_correlation, "lowest_correlation", -1, 1))


def direct_wavelet(
    lines: Sequence[Line], *, length_ns: float | None = None, lowest_correlation: float = 0.6
) -> Wavelet:
    """Wavelet of the direct wave: the strongest early swing of each trace, aligned and averaged.

    The direct wave is a sum of two, through air and along the ground, and not what a reflector sends back: it shows the
    antenna's ringing and phase where the two cannot be told apart.

    Parameters
    ----------
    lines : for each line its samples (T, S), direct wave still in them, and its section; one sample interval.
    length_ns : of the wavelet, ns; left out, six periods of the centre frequency.
    lowest_correlation : traces that fit the average less well than this, −1 to 1, are left out.

    Returns
    -------
    Wavelet with its ends faded out and the crest of its envelope at the time of the reflector.

    Raises
    ------
    InputError : no lines, different sample intervals, records too short, silent ones, or no trace that fits the others.

    Notes
    -----
    The strongest swing is looked for in the first half of the record; alignment is that of `reflector_wavelet`.

    Examples
    --------
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> t = 0.25 * np.arange(120) - 6.0
    >>> line = np.tile((1 - 2 * (0.4 * np.pi * t) ** 2) * np.exp(-((0.4 * np.pi * t) ** 2)), (8, 1))
    >>> direct_wavelet([(line, section)]).samples.shape
    (61,)
    """
    interval = check_one_interval(lines)
    length = DIRECT_PERIODS * lines[0][1].period_ns if length_ns is None else check_positive(length_ns, "length_ns")
    half = max(4, round(0.5 * length / interval))
    values = [check_traces(amplitude, samples=2 * half + 2) for amplitude, _ in lines]
    centres = [COMPILED.largest_swing(x, max(4, x.shape[1] // 2))[0] for x in values]
    return _stacked(values, centres, half, interval, check_in_range(lowest_correlation, "lowest_correlation", -1, 1))


def _stacked(values: list[Traces], centres: list[Index], half: int, interval: float, lowest: float) -> Wavelet:
    """Average of all traces about their centres, moved to fit it."""
    lags = max(1, half // 2)
    centres = [np.full(len(c), round(float(np.median(c))), np.int64) for c in centres]
    moves = [np.zeros(len(x)) for x in values]
    # At first all count alike, then by how well they fit: strong traces that are not alike would else lead.
    levels = [np.abs(_parts(x, c, half)).max(axis=1) for x, c in zip(values, centres, strict=True)]
    shares = [np.divide(1.0, level, out=np.zeros(len(level)), where=level > 0) for level in levels]
    fits = [np.ones(len(x)) for x in values]
    for _ in range(ROUNDS):
        weights = [np.maximum(fit, 0.0) ** 4 * share for fit, share in zip(fits, shares, strict=True)]
        reference = _average(values, centres, moves, weights, half)
        reference -= reference.mean()
        norm = float(np.linalg.norm(reference))
        if norm == 0.0:
            raise InputError("no wavelet can be told from silent lines", received=f"{len(values)} lines")
        for k, x in enumerate(values):
            score = COMPILED.correlate_lags(x, centres[k], (reference / norm).astype(np.float32), lags)
            best = score.argmax(axis=1)
            fits[k] = score.max(axis=1).astype(np.float64)
            moves[k] = best - lags + _vertex(score.astype(np.float64), best)
    weights = [(fit >= lowest).astype(np.float64) for fit in fits]
    if not any(weight.any() for weight in weights):
        raise InputError(
            "no trace fits the average well enough for a wavelet",
            received=f"correlations of {max(float(fit.max()) for fit in fits):.2f} at most",
            do="choose a window in which one reflector lies, or lower lowest_correlation",
        )
    mean = _average(values, centres, moves, weights, half)
    # Read anew so that the crest of the envelope falls on a sample.
    crest = np.abs(hilbert(mean))[None, :]
    top = crest.argmax(axis=1)
    part = float(_vertex(crest, top)[0])
    mean = _average(values, centres, [move + part for move in moves], weights, half)
    return make_wavelet(mean, interval_ns=interval, zero_index=int(top[0]))


def _parts(x: Traces, centre: Index, reach: int) -> F64:
    """(T, 2 reach + 1) samples about the centres, zero outside the record."""
    at = centre[:, None] + np.arange(-reach, reach + 1)
    inside = (at >= 0) & (at < x.shape[1])
    return np.where(inside, np.take_along_axis(x, np.clip(at, 0, x.shape[1] - 1), axis=1).astype(np.float64), 0.0)


def _average(values: list[Traces], centres: list[Index], moves: list[F64], weights: list[F64], half: int) -> F64:
    """Weighted mean, each trace read at its own times by a Fourier shift, its ends faded out."""
    reach = half + MARGIN
    length = 2 * reach + 1
    total, weight_sum = np.zeros(2 * half + 1), 0.0
    for x, centre, move, weight in zip(values, centres, moves, weights, strict=True):
        good = np.flatnonzero(weight > 0)
        whole = np.rint(move[good]).astype(np.int64)
        turn = np.exp(2j * np.pi * np.fft.rfftfreq(length) * (move[good] - whole)[:, None])
        parts = _parts(x[good], centre[good] + whole, reach)
        shifted = np.fft.irfft(np.fft.rfft(parts, axis=1) * turn, length, axis=1)
        total += weight[good] @ shifted[:, MARGIN : MARGIN + 2 * half + 1]
        weight_sum += float(weight[good].sum())
    return _faded(total / max(weight_sum, 1e-300))


def _faded(samples: F64) -> F64:
    n = len(samples)
    count = max(1, round(FADE_SHARE * n))
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)
    faded = samples - 0.5 * (samples[0] + samples[-1])
    faded[:count] *= ramp
    faded[-count:] *= ramp[::-1]
    return faded


def _vertex(score: F64, best: npt.NDArray[np.intp]) -> F64:
    """Offset of the parabola's vertex through the best lag and its neighbours; none at the ends."""
    inner = np.clip(best, 1, score.shape[1] - 2)
    left, top, right = (np.take_along_axis(score, inner[:, None] + d, axis=1)[:, 0] for d in (-1, 0, 1))
    bend = left - 2.0 * top + right
    usable = (bend < 0) & (inner == best)
    return np.where(usable, 0.5 * (left - right) / np.where(usable, bend, 1.0), 0.0)
