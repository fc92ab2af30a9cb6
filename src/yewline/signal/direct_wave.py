"""The direct wave followed along a line: by its strongest part, or by the front of what comes first."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.interpolate import make_interp_spline
from scipy.ndimage import median_filter

from yewline.errors import InputError
from yewline.signal.engines import COMPILED
from yewline.signal.onsets import pick_onsets, vertex
from yewline.signal.section import Section
from yewline.signal.traces import Traces
from yewline.units import C_M_PER_NS

__all__ = ["Followed", "follow_front", "follow_strongest"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

TRUSTED_CORRELATION = 0.6
"""A trace whose direct wave is less like the line's takes its neighbours' pick."""
DEAD_SHARE = 1e-3
"""A trace whose swing is below this share of the line's median is silent."""
COARSE_TRACES = 61
"""Traces in the median that first tells roughly where the direct wave lies."""
ONSET_TRACES = 15
"""Traces in the median of single onsets, before the front is followed."""
EDGE = 3
"""Samples beside the front that it is interpolated with when it is moved by parts of a sample."""
FASTEST_GROUND_M_PER_NS = 0.15
"""Dry sand: the ground wave comes no sooner than by this velocity."""


@dataclass(frozen=True, slots=True)
class Followed:
    """Where the direct wave lies in each trace.

    Attributes
    ----------
    picks : (T,) places of one and the same point of it, in samples.
    arrival : from that point to the moment that was asked for, in samples.
    like : (T,) whether the trace's own direct wave was trusted; the others take what lies between their neighbours.
    """

    picks: F64
    arrival: float
    like: Flags


def follow_strongest(values: Traces, stop: int, section: Section, *, pick: str, threshold: float) -> Followed:
    """Follow the strongest swing of the first `stop` samples by correlation with the line's own mean."""
    centre, live = _crests(values, stop)
    period = section.period_ns / section.interval_ns
    half, lags = math.ceil(1.25 * period), math.ceil(period)
    picks, like = centre.astype(np.float64), live
    # The second round is free of the smear that a coarse first alignment leaves in the reference.
    for round_lags in (lags, max(2, lags // 3)):
        reference = _reference(values, centre, like, half, half)
        picks, like = _correlated(values, centre, reference, round_lags, live)
        centre = np.round(picks).astype(np.int64)
    lead = math.ceil(2.5 * period)
    return Followed(picks, _arrival(_reference(values, centre, like, lead, half), pick, threshold) - lead, like)


def follow_front(
    values: Traces, stop: int, section: Section, *, pick: str, pulse: npt.NDArray[np.float32] | None
) -> Followed:
    """Follow the front of the first wave, ahead of what the ground wave may reach.

    Single onsets say roughly where it lies; the stretch from half a period before to where the ground wave may set in
    is then correlated with the line's mean of it, or with that of `pulse` (its middle sample the moment asked for).
    """
    # Crests by the wide median: an echo stronger than the direct wave, under some tens of traces, is not followed.
    crest, live = _crests(values, stop)
    period = section.period_ns / section.interval_ns
    single = "aic" if pick == "aic" else "energy_ratio"
    onsets = _between(pick_onsets(values[:, :stop].astype(np.float64), crest, period, single), live)
    width = min(len(onsets), ONSET_TRACES)
    centre = np.round(median_filter(onsets, width - 1 + width % 2, mode="nearest")).astype(np.int64)
    before, after = _front(section)
    given = None if pulse is None else _front_of(pulse, period, single, before, after)
    picks, like = centre.astype(np.float64), live
    lags, shift = math.ceil(0.5 * period), (after - before) // 2
    for round_lags in (lags, max(2, lags // 2)):
        reference = _reference(values, centre, like, before, after) if given is None else given[0][EDGE:-EDGE]
        picks, like = _correlated(values, centre + shift, reference, round_lags, live)
        picks = picks - shift
        centre = np.round(picks).astype(np.int64)
    wide = _reference(values, centre, like, before + EDGE, after + EDGE) if given is None else given[0]
    picks = _between(_refined(values, picks, wide, before), like)
    if given is not None:
        return Followed(picks, given[1], like)
    centre = np.round(picks).astype(np.int64)
    lead = math.ceil(2.5 * period)
    mean = _reference(values, centre, like, lead, lead)
    if pick == "correlation":
        return Followed(picks, _arrival(mean, "peak", 0.5) - lead, like)
    near = np.abs(mean[: lead + after + 1]).argmax()
    return Followed(picks, float(pick_onsets(mean[None], np.array([near]), period, single)[0]) - lead, like)


def _refined(values: Traces, picks: F64, wide: F64, before: int) -> F64:
    """Picks moved by parts of a sample to where the front, scaled and offset at will, fits each trace best.

    The vertex of a correlation is drawn aside where the window holds a front alone. `wide` is the front with `EDGE`
    samples more on either side; x ≈ a·w(t) − a·δ·w′(t) + b is solved for δ, twice.
    """
    wave = make_interp_spline(np.arange(len(wide)) - before - EDGE, wide, k=5)
    slope = wave.derivative()
    whole = np.round(picks).astype(np.int64)
    at = np.arange(-before, len(wide) - before - 2 * EDGE)
    index = whole[:, None] + at
    inside = (index >= 0) & (index < values.shape[1])
    part = np.where(inside, np.take_along_axis(values, np.clip(index, 0, values.shape[1] - 1), axis=1), 0.0)
    moved = picks - whole
    for _ in range(2):
        front, steep = wave(at - moved[:, None]), -slope(at - moved[:, None])
        basis = np.stack([front, steep, np.ones_like(front)], axis=2)
        normal = basis.transpose(0, 2, 1) @ basis
        # A ridge in the last digits keeps a silent front from being solved for.
        normal += 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
        fit = np.linalg.solve(normal, basis.transpose(0, 2, 1) @ part[..., None])[..., 0]
        usable = fit[:, 0] > 0
        step = np.where(usable, fit[:, 1], 0.0) / np.where(usable, fit[:, 0], 1.0)
        moved = np.clip(moved + np.clip(step, -0.5, 0.5), -1.5, 1.5)
    return whole + moved


def _front(section: Section) -> tuple[int, int]:
    """Samples before and after an onset that belong to the wave through the air; their number is odd with it."""
    half = 0.5 * section.period_ns
    alone = section.separation_m * (1.0 / FASTEST_GROUND_M_PER_NS - 1.0 / C_M_PER_NS)
    before, after = math.ceil(half / section.interval_ns), math.ceil(max(half, alone) / section.interval_ns)
    return before + (before + after) % 2, after


def _front_of(pulse: npt.NDArray[np.float32], period: float, single: str, before: int, after: int) -> tuple[F64, float]:
    """The front of a given pulse with `EDGE` samples more on either side, and from its onset to its middle sample."""
    lead = before + EDGE + math.ceil(2.5 * period)
    wide = np.pad(pulse.astype(np.float64), (lead, lead + after))
    onset = float(pick_onsets(wide[None], np.array([np.abs(wide).argmax()]), period, single)[0])
    at = round(onset)
    return wide[at - before - EDGE : at + after + EDGE + 1], lead + len(pulse) // 2 - float(at)


def _correlated(values: Traces, centre: Index, reference: F64, lags: int, live: Flags) -> tuple[F64, Flags]:
    """Where each trace is most like `reference` near `centre`, with parts of a sample, and which traces are like it."""
    norm = reference - reference.mean()
    norm = (norm / max(float(np.linalg.norm(norm)), 1e-30)).astype(np.float32)
    score = COMPILED.correlate_lags(values, centre, norm, lags)
    best = score.argmax(axis=1)
    found = live & (np.take_along_axis(score, best[:, None], axis=1)[:, 0] >= TRUSTED_CORRELATION)
    like = found if found.any() else live
    return _between(centre + (best - lags) + vertex(score, best), like), like


def _swings(values: Traces, stop: int) -> tuple[Index, Flags]:
    """Sample of the largest early swing of each trace, and which traces are live."""
    crest, size = COMPILED.largest_swing(values, stop)
    typical = float(np.median(size[size > 0])) if (size > 0).any() else 0.0
    live = size > DEAD_SHARE * typical
    if not live.any():
        raise InputError(
            "no direct wave: every trace is silent",
            received=f"{len(values)} traces without any swing",
            do="leave this line out, or record it again",
        )
    return crest, live


def _crests(values: Traces, stop: int) -> tuple[Index, Flags]:
    """Sample of the largest early swing of each trace, smoothed along the line, and which traces are live."""
    crest, live = _swings(values, stop)
    crests = _between(crest.astype(np.float64), live)
    # A wide median, standing still at the ends: a bright object under some tens of traces does not draw it away, and
    # what a ramp or a step bends it by is within reach of the correlation that follows.
    half = (min(len(crests), COARSE_TRACES) - 1) // 2
    smooth = median_filter(crests, 2 * half + 1, mode="nearest")
    smooth[:half], smooth[len(smooth) - half :] = smooth[half], smooth[len(smooth) - 1 - half]
    return np.round(smooth).astype(np.int64), live


def _reference(values: Traces, centre: Index, use: Flags, before: int, after: int) -> F64:
    """Mean of the traces about their `centre`, each scaled to the same swing so that a wild one counts no more."""
    return np.asarray(COMPILED.mean_about(values, centre, use, before, after), np.float64)


def _between(picks: F64, good: Flags) -> F64:
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
        return first + float(vertex(crest[None].astype(np.float32), np.array([first]))[0])
    size = np.abs(baseline)
    level = threshold * size.max()
    first = int(np.flatnonzero(size >= level)[0])
    if first == 0:
        return 0.0
    return first - (size[first] - level) / max(size[first] - size[first - 1], 1e-30)
