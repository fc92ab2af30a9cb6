"""Time zero: the moment the wave enters the ground, found in each trace by the direct wave and set to sample 0."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy import fft
from scipy.ndimage import median_filter

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.section import Section
from yewline.signal.smoothing import running_median
from yewline.signal.traces import Traces, check_traces
from yewline.units import C_M_PER_NS

__all__ = ["pick_time_zero", "time_zero"]

F64 = npt.NDArray[np.float64]

TRUSTED_CORRELATION = 0.6
"""A trace whose direct wave is less like the line's takes its neighbours' pick."""
DEAD_SHARE = 1e-3
"""A trace whose swing is below this share of the line's median is silent."""
COARSE_TRACES = 61
"""Traces in the median that first tells roughly where the direct wave lies."""


def time_zero(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    pick: Literal["peak", "first_break"] = "peak",
    search_ns: Annotated[float | None, Field(gt=0, le=10_000)] = None,
    threshold: Annotated[float, Field(gt=0, lt=1)] = 0.05,
    smooth_traces: Annotated[int, Field(ge=1, le=999)] = 9,
) -> Traces:
    """Shift every trace, by parts of a sample, so that its first sample is the moment the wave enters the ground.

    The direct wave through the air travels the distance between the antennas, so time zero lies separation/c before
    it. Its drift along the line is followed trace by trace and smoothed by a running median, which keeps steps.

    Parameters
    ----------
    amplitude : (T, S) samples as recorded.
    section : sampling and antenna.
    pick : "peak", the crest of the direct wave's envelope; reflections are later measured by the same crest, so the
        length of the pulse drops out of depths but for what moisture moves the crest by where air and ground wave merge
        (0.3 ns at most for antennas 0.16 m apart at 400 MHz). "first_break", the moment the direct wave first rises
        above the threshold, which is earlier by the pulse's own rise.
    search_ns : the direct wave is looked for from the start of the record to here, ns; left out, half the record.
    threshold : for "first_break", share of the direct wave's largest swing.
    smooth_traces : traces in the running median of the drift; 1 takes every pick as it is.

    Returns
    -------
    (T, S') float32; samples before time zero are dropped, and the record ends where that of the trace that was moved
    most does: every sample that is left was recorded.

    Raises
    ------
    InputError : every trace is silent, fewer than 4 samples, or a value out of range.

    Notes
    -----
    Silent traces, and those whose direct wave is unlike the line's (correlation below 0.6), take the pick between their
    neighbours'. Where antennas are close together, air and ground wave merge, and the crest of their sum moves with the
    velocity of the ground, hence with moisture: 0.16 m apart at 400 MHz and with a ground wave of 0.6 the air wave's
    size, by +0.04 ns at 0.06 m/ns, −0.10 at 0.08, −0.26 at 0.10 and −0.04 at 0.13. Shifts use an 8-point sinc under the
    main lobe of a sinc four times as wide.

    Examples
    --------
    >>> t = 0.25 * np.arange(120)
    >>> pulse = lambda at: (1 - 2 * (np.pi * 0.4 * (t - at)) ** 2) * np.exp(-((np.pi * 0.4 * (t - at)) ** 2))
    >>> section = Section(interval_ns=0.25, spacing_m=0.05, centre_mhz=400.0)
    >>> shifted = time_zero([pulse(6.0) + 0.5 * pulse(16.0)] * 3, section)
    >>> int(shifted[1, 20:].argmax()) + 20
    40
    """
    values = check_traces(amplitude, samples=4)
    zero = pick_time_zero(
        values, section, pick=pick, search_ns=search_ns, threshold=threshold, smooth_traces=smooth_traces
    )
    samples = zero / section.interval_ns
    # What no trace recorded must not pass for silence: the record ends where that of the most shifted trace does.
    lost = min(max(0, math.ceil(float(samples.max()) - 1e-6)), values.shape[1] - 1)
    return np.ascontiguousarray(shift_by(values, samples)[:, : values.shape[1] - lost])


def shift_by(values: Traces, samples: F64) -> Traces:
    """Move trace t earlier by samples[t], which may be fractional; zeros follow."""
    # A shift by a millionth of a sample is none: whole shifts then copy samples as they are.
    near = np.round(samples * 1e6) / 1e6
    whole = np.floor(near).astype(np.int64)
    shifted: Traces = COMPILED.shift_traces(values, whole, _sinc_weights(near - whole))
    return shifted


def _sinc_weights(part: F64) -> npt.NDArray[np.float32]:
    """(T, 8) weights of the samples −3 … 4 about a point that lies `part` of a sample after sample 0."""
    offset = part[:, None] - np.arange(-3, 5)
    weights = np.sinc(offset) * np.sinc(offset / 4.0)
    weights /= weights.sum(axis=1, keepdims=True)
    weights[np.abs(weights) < 1e-9] = 0.0
    return weights.astype(np.float32)


def pick_time_zero(
    amplitude: npt.ArrayLike,
    section: Section,
    *,
    pick: Literal["peak", "first_break"] = "peak",
    search_ns: float | None = None,
    threshold: float = 0.05,
    smooth_traces: int = 9,
) -> F64:
    """Time zero of each trace, (T,), in ns after its first sample; parameters as for `time_zero`.

    Raises
    ------
    InputError : every trace is silent, fewer than 4 samples, or a value out of range.

    Examples
    --------
    >>> x = np.zeros((3, 64), np.float32)
    >>> x[:, 19:22] = [1.0, 2.0, 1.0]
    >>> section = Section(interval_ns=0.5, spacing_m=0.1, centre_mhz=400.0)
    >>> pick_time_zero(x, section).round(1).tolist()
    [10.0, 10.0, 10.0]
    """
    values = check_traces(amplitude, samples=4)
    check_choice(pick, "pick", ("peak", "first_break"))
    check_in_range(threshold, "threshold", 1e-6, 1.0)
    check_in_range(smooth_traces, "smooth_traces", 1, 999)
    n = values.shape[1]
    stop = n // 2 if search_ns is None else round(check_positive(search_ns, "search_ns") / section.interval_ns)
    centre, live = _crests(values, min(max(stop, 4), n))
    period = section.period_ns / section.interval_ns
    half, lags = math.ceil(1.25 * period), math.ceil(period)
    picks, like = centre.astype(np.float64), live
    # The second round is free of the smear that a coarse first alignment leaves in the reference.
    for round_lags in (lags, max(2, lags // 3)):
        reference = _reference(values, centre, like, half, half)
        norm = reference - reference.mean()
        norm = (norm / max(float(np.linalg.norm(norm)), 1e-30)).astype(np.float32)
        score = COMPILED.correlate_lags(values, centre, norm, round_lags)
        best = score.argmax(axis=1)
        found = live & (np.take_along_axis(score, best[:, None], axis=1)[:, 0] >= TRUSTED_CORRELATION)
        like = found if found.any() else live
        picks = _between(centre + (best - round_lags) + _vertex(score, best), like)
        centre = np.round(picks).astype(np.int64)
    lead = math.ceil(2.5 * period)
    arrival = _arrival(_reference(values, centre, like, lead, half), pick, threshold) - lead
    drift = running_median(picks, smooth_traces)
    zero: F64 = (drift + arrival) * section.interval_ns - section.separation_m / C_M_PER_NS
    return zero


def _crests(values: Traces, stop: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Sample of the largest early swing of each trace, smoothed along the line, and which traces are live."""
    crest, size = COMPILED.largest_swing(values, stop)
    typical = float(np.median(size[size > 0])) if (size > 0).any() else 0.0
    live = size > DEAD_SHARE * typical
    if not live.any():
        raise InputError(
            "no direct wave: every trace is silent",
            received=f"{len(values)} traces without any swing",
            do="leave this line out, or record it again",
        )
    crests = _between(crest.astype(np.float64), live)
    # A wide median, standing still at the ends: a bright object under some tens of traces does not draw it away, and
    # what a ramp or a step bends it by is within reach of the correlation that follows.
    half = (min(len(crests), COARSE_TRACES) - 1) // 2
    smooth = median_filter(crests, 2 * half + 1, mode="nearest")
    smooth[:half], smooth[len(smooth) - half :] = smooth[half], smooth[len(smooth) - 1 - half]
    return np.round(smooth).astype(np.int64), live


def _reference(
    values: Traces, centre: npt.NDArray[np.int64], use: npt.NDArray[np.bool_], before: int, after: int
) -> npt.NDArray[np.float64]:
    """Mean of the traces about their `centre`, each scaled to the same swing so that a wild one counts no more."""
    return np.asarray(COMPILED.mean_about(values, centre, use, before, after), np.float64)


def _vertex(score: npt.NDArray[np.float32], best: npt.NDArray[np.int64]) -> F64:
    """Offset in samples of the crest of the parabola through the best score and its neighbours; none at the edge."""
    inner = np.clip(best, 1, score.shape[1] - 2)
    left, top, right = (np.take_along_axis(score, (inner + d)[:, None], axis=1)[:, 0].astype(float) for d in (-1, 0, 1))
    bend = left - 2.0 * top + right
    usable = (bend < 0) & (inner == best)
    return np.where(usable, 0.5 * (left - right) / np.where(usable, bend, 1.0), 0.0)


def _between(picks: F64, good: npt.NDArray[np.bool_]) -> F64:
    """The picks, those that are not good replaced by what lies between their good neighbours."""
    at = np.arange(len(picks))
    return picks if good.all() else np.interp(at, at[good], picks[good])


def _arrival(reference: F64, pick: str, threshold: float) -> float:
    """Where in `reference` the direct wave arrives, in samples."""
    baseline = reference - np.median(reference)
    n = len(baseline)
    # Twice the length keeps the ends of the stretch from meeting in the transform.
    spectrum = fft.fft(baseline, 2 * n)
    spectrum[1:n] *= 2.0
    spectrum[n + 1 :] = 0.0
    crest = np.abs(fft.ifft(spectrum))[:n]
    if pick == "peak":
        high = np.flatnonzero(crest[1:-1] >= np.maximum(crest[:-2], crest[2:])) + 1
        high = high[crest[high] >= 0.5 * crest.max()]
        first = int(high[0]) if len(high) else int(crest.argmax())
        return first + float(_vertex(crest[None].astype(np.float32), np.array([first]))[0])
    size = np.abs(baseline)
    level = threshold * size.max()
    first = int(np.flatnonzero(size >= level)[0])
    if first == 0:
        return 0.0
    return first - (size[first] - level) / max(size[first] - size[first - 1], 1e-30)
