"""Quality of a recorded line: silent, spiky and clipped traces, drift of time zero, noise and usable time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_positive
from yewline.signal.faulty_samples import cut_samples, odd_samples
from yewline.signal.section import Section
from yewline.signal.time_zero import pick_time_zero
from yewline.signal.traces import Traces, check_traces

__all__ = [
    "NoiseLevel",
    "TimeZeroDrift",
    "TraceFaults",
    "clipped_traces",
    "dead_traces",
    "noise_level",
    "spiky_traces",
    "time_zero_drift",
]

F64 = npt.NDArray[np.float64]
DEAD_SHARE = 0.02
STRONG_PERCENT = 95.0
"""Responses of graves fill few of a line's traces; below this share of them they would pass unseen."""
FEWEST_FOR_STRONG = 20


@dataclass(frozen=True, slots=True)
class TraceFaults:
    """Traces with one kind of fault.

    Attributes
    ----------
    traces : (n,) indices from 0.
    samples : how many samples are affected in all of them.
    largest : the size of the worst one, in the units of the check (see the function).
    """

    traces: tuple[int, ...]
    samples: int
    largest: float

    def __bool__(self) -> bool:
        return bool(self.traces)


@dataclass(frozen=True, slots=True)
class TimeZeroDrift:
    """How time zero moves along a line.

    Attributes
    ----------
    drift_ns : between its lowest and highest smoothed place, ns.
    step_ns : largest change between one stretch of traces and the next, ns.
    step_trace : first trace after that change.
    drifting : whether the drift is above the limit.
    """

    drift_ns: float
    step_ns: float
    step_trace: int
    drifting: bool


@dataclass(frozen=True, slots=True)
class NoiseLevel:
    """What is left when the ground no longer answers.

    Attributes
    ----------
    noise : root mean square of the last tenth of the record, median over traces.
    usable_ns : last moment at which the line's level, or that of its strongest traces, stands above the noise by the
        ratio asked for, ns.
    window_ns : length of the record, ns.
    """

    noise: float
    usable_ns: float
    window_ns: float


def dead_traces(amplitude: npt.ArrayLike) -> TraceFaults:
    """Traces that hold nothing, or next to nothing, beside the line's typical trace.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.

    Returns
    -------
    TraceFaults; `largest` is the typical trace's swing.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    A trace is silent when its standard deviation is below 2 % of the line's median; where most traces are silent,
    those without any swing are named.

    Examples
    --------
    >>> dead_traces([[0, 1, -1, 0], [0, 0, 0, 0], [0, 1, -1, 0]]).traces
    (1,)
    """
    values = check_traces(amplitude)
    swing = values.std(axis=1, dtype=np.float64)
    typical = float(np.median(swing))
    dead = np.flatnonzero((swing < DEAD_SHARE * typical) | (swing == 0.0))
    return TraceFaults(tuple(dead.tolist()), len(dead) * values.shape[1], typical)


def clipped_traces(amplitude: npt.ArrayLike, *, full_scale: float | None = None) -> TraceFaults:
    """Traces whose crests are cut off at the largest value that the receiver can hold.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.
    full_scale : that largest value, if known; left out, the largest in the line.

    Returns
    -------
    TraceFaults; `largest` is the longest cut, in samples.

    Raises
    ------
    InputError : samples that are not finite, or a full scale that is not positive.

    Notes
    -----
    A cut is a run of three or more samples at full scale: a crest that was not cut touches it for one, or for two
    where the recording's steps are coarse. Three or four that neither neighbouring trace comes near to are a spike.

    Examples
    --------
    >>> clipped_traces([[0, 9, 9, 9, 9, 0], [0, 3, 6, 3, 0, 0]]).traces
    (0,)
    """
    values = check_traces(amplitude)
    cut, runs = cut_samples(values, full_scale)
    return TraceFaults(tuple(np.flatnonzero(cut.any(axis=1)).tolist()), int(cut.sum()), float(runs.max(initial=0)))


def spiky_traces(amplitude: npt.ArrayLike) -> TraceFaults:
    """Traces with single wild samples, or with far more rapid noise than their neighbours.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.

    Returns
    -------
    TraceFaults; `largest` is the worst sample's departure, in units of what is usual at that time.

    Raises
    ------
    InputError : samples that are not finite.

    Notes
    -----
    d is the sixth difference, scaled so that a single wild sample keeps its size: a wave sampled 10 times a period
    keeps 0.3 % of its own, and two equal wild samples in a row 45 %. There are wild samples where d is 30 times what is
    usual over the line at that time, above 0.3 of the largest departure of the trace from the line's median nearby, and
    3 times as large as any d nearby in three of the four traces beside it. A trace is rough when the median of |d|
    over time leaves the line's by 8 times its scatter.

    Examples
    --------
    >>> x = np.random.default_rng(0).standard_normal((40, 64))
    >>> x[7, 30] += 60.0
    >>> spiky_traces(x).traces
    (7,)
    """
    values = check_traces(amplitude).astype(np.float64)
    found = odd_samples(values)
    bad = np.flatnonzero(found.odd.any(axis=1) | found.rough)
    return TraceFaults(tuple(bad.tolist()), int(found.odd[bad].sum()), float(found.score[bad].max(initial=0.0)))


def time_zero_drift(amplitude: npt.ArrayLike, section: Section, *, limit_ns: float = 0.5) -> TimeZeroDrift:
    """How far time zero moves along a line.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.
    section : sampling and antenna.
    limit_ns : drift above which it is called so, ns (0.5 in one session: from memory, no source).

    Returns
    -------
    TimeZeroDrift.

    Raises
    ------
    InputError : every trace is silent, fewer than 4 samples, or a value out of range.

    Examples
    --------
    >>> t = 0.25 * np.arange(120)
    >>> pulse = lambda at: (1 - 2 * (np.pi * 0.4 * (t - at)) ** 2) * np.exp(-((np.pi * 0.4 * (t - at)) ** 2))
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> drift = time_zero_drift([pulse(6.0 + 0.02 * i) for i in range(101)], section)
    >>> round(drift.drift_ns, 1), drift.drifting
    (2.0, True)
    """
    limit = check_positive(limit_ns, "limit_ns")
    # By the start of the direct wave: its crest moves with the ground's moisture too, by half a nanosecond on a line.
    smooth = pick_time_zero(amplitude, section, pick="correlation", smooth_traces=9)
    drift = float(smooth.max() - smooth.min())
    reach = 3
    if len(smooth) <= reach:
        return TimeZeroDrift(drift, drift, int(np.argmax(np.abs(np.diff(smooth, prepend=smooth[0])))), drift > limit)
    change = np.abs(smooth[reach:] - smooth[:-reach])
    largest = int(change.argmax())
    inside = np.abs(np.diff(smooth[largest : largest + reach + 1]))
    return TimeZeroDrift(drift, float(change[largest]), largest + 1 + int(inside.argmax()), drift > limit)


def noise_level(amplitude: npt.ArrayLike, section: Section, *, ratio: float = 2.0) -> NoiseLevel:
    """Noise at the end of the record, and the time until which the ground answers above it.

    Parameters
    ----------
    amplitude : (T, S) samples, before any gain.
    section : sampling and antenna.
    ratio : level above the noise, as a ratio of amplitudes, that counts as an answer.

    Returns
    -------
    NoiseLevel. Where the record ends before the answer does, `usable_ns` is near `window_ns` only if the level still
    falls there; the noise is then an upper bound.

    Raises
    ------
    InputError : samples that are not finite, or a ratio that is not above one.

    Notes
    -----
    The level at a time is the root mean square over one period. Its median over traces is held against the noise, and
    its 95th percentile against the same percentile at the end of the record: a quiet line where few traces answer is
    usable as late as those do, and noise alone is not. The percentile counts from 20 traces on, where it is not the
    strongest trace alone.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> x = rng.standard_normal((50, 400)) * np.where(np.arange(400) < 200, 10.0, 1.0)
    >>> level = noise_level(x, Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0))
    >>> round(level.noise), 49 <= level.usable_ns <= 52
    (1, True)
    """
    values = check_traces(amplitude)
    factor = max(check_finite(ratio, "ratio"), 1.0)
    n = values.shape[1]
    usual, strong = _levels(values, max(1, round(section.period_ns / section.interval_ns)))
    end = n - max(1, n // 10)
    noise = float(np.median(np.sqrt((values[:, end:].astype(np.float64) ** 2).mean(axis=1))))
    answers = usual > factor * noise
    if len(values) >= FEWEST_FOR_STRONG:
        answers |= strong > factor * float(np.median(strong[end:]))
    above = np.flatnonzero(answers)
    usable = 0.0 if len(above) == 0 else (int(above[-1]) + 1) * section.interval_ns
    return NoiseLevel(noise=noise, usable_ns=usable, window_ns=n * section.interval_ns)


def _levels(values: Traces, width: int) -> F64:
    """Median and strong level over traces of the root mean square over `width` samples about each sample, (2, S)."""
    square = values.astype(np.float64) ** 2
    total = np.concatenate([np.zeros((len(square), 1)), np.cumsum(square, axis=1)], axis=1)
    n = values.shape[1]
    high = np.minimum(np.arange(n) + width // 2 + 1, n)
    low = np.maximum(np.arange(n) - width // 2, 0)
    mean = np.maximum(total[:, high] - total[:, low], 0.0) / (high - low)
    levels: F64 = np.sqrt(np.percentile(mean, [50.0, STRONG_PERCENT], axis=0))
    return levels
