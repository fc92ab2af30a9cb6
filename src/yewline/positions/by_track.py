"""Traces of a line placed by a track: by the clock, or by the trace numbers at which positions were logged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError
from yewline.model import Finding
from yewline.positions.tracks import CleanTrack, clean_track, place_by_track, smooth_track, track_findings
from yewline.units import Z90

__all__ = ["TrackedTraces", "place_by_clock", "place_by_numbers", "times_of_traces"]

F64 = npt.NDArray[np.float64]

MARGIN_S = 5.0
"""Fixes so long before and after a line still steady its ends."""
FAR_FROM_FIX_S = 5.0
"""A trace without a fix within this time is named: nobody walks straight for longer unseen (from memory, no source)."""


@dataclass(frozen=True, slots=True)
class TrackedTraces:
    """Where the traces of a line lie.

    Attributes
    ----------
    x, y, sigma_m : (T,) place and its standard deviation per axis, m.
    z : (T,) height, m; None where the track has none.
    findings : what was left out of the track, and how good it is.
    """

    x: F64
    y: F64
    sigma_m: F64
    z: F64 | None
    findings: tuple[Finding, ...]


def times_of_traces(trace: npt.ArrayLike, time_s: npt.ArrayLike, count: int) -> F64:
    """When each trace of a line was recorded, from the times of some: evenly between them, and on at that pace beyond.

    Parameters
    ----------
    trace, time_s : (M,) trace numbers from 1 and their times, at least two.
    count : T, traces of the line.

    Returns
    -------
    (T,) s.

    Raises
    ------
    InputError : fewer than two, or times that do not grow with the trace number.

    Examples
    --------
    >>> times_of_traces([1, 3], [10.0, 11.0], 4).tolist()
    [10.0, 10.5, 11.0, 11.5]
    """
    number, when = check_array(trace, "trace", ndim=1), check_array(time_s, "time_s", ndim=1)
    order = np.argsort(number, kind="stable")
    number, when = number[order], when[order]
    if len(number) < 2 or len(number) != len(when) or (np.diff(number) <= 0).any() or (np.diff(when) <= 0).any():
        raise InputError(
            "times of traces must grow with their numbers, and there must be two at least",
            received=f"{len(number)} rows",
            do="give the first and the last trace of the line, with their times",
        )
    at = np.arange(1.0, count + 1.0)
    ends = (number[-1] - number[0]) / (when[-1] - when[0])
    inside: F64 = np.interp(at, number, when)
    return inside + (np.minimum(at - number[0], 0.0) + np.maximum(at - number[-1], 0.0)) / ends


def place_by_clock(
    time_s: npt.ArrayLike,
    fixes: tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike],
    *,
    fix_z: npt.ArrayLike | None = None,
    fix_sigma_m: float | None = None,
    latency_s: float = 0.0,
    clock_sigma_s: float = 0.0,
    line: str = "",
) -> TrackedTraces:
    """Place traces by their times on a track's clock.

    Parameters
    ----------
    time_s : (T,) of the traces.
    fixes : time, x and y (F,) of the track in the order logged, s and m; only those near the line in time are used.
    fix_z : (F,) heights; None or NaN where there are none.
    fix_sigma_m : standard deviation of one fix; None: found from the track.
    latency_s, clock_sigma_s : as for `place_by_track`.
    line : its name, for messages.

    Raises
    ------
    InputError : fewer than two usable fixes in the line's time.

    Examples
    --------
    >>> t = np.arange(20.0)
    >>> placed = place_by_clock([4.0, 4.5], (t, 0.8 * t, 0.0 * t))
    >>> placed.x.round(3).tolist(), placed.z is None
    ([3.2, 3.6], True)
    """
    at = check_array(time_s, "time_s", ndim=1)
    when, x, y = (
        check_array(v, name, ndim=1, finite=False) for v, name in zip(fixes, ("time_s", "x", "y"), strict=True)
    )
    # NaN compares as false: fixes without a time are left out here.
    near = (when >= at.min() + latency_s - MARGIN_S) & (when <= at.max() + latency_s + MARGIN_S)
    if near.sum() < 2:
        raise InputError(
            "the track has no positions while the line was recorded",
            where=line or None,
            received=f"{int(near.sum())} fixes from {at.min():g} to {at.max():g} s",
            do="check both clocks, the zone of time, and latency_s",
        )
    heights = None if fix_z is None else np.asarray(fix_z, np.float64)[near]
    return _placed(at, clean_track(when[near], x[near], y[near]), heights, fix_sigma_m, latency_s, clock_sigma_s, line)


def place_by_numbers(
    count: int,
    fixes: tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike],
    *,
    fix_z: npt.ArrayLike | None = None,
    fix_sigma_m: float | None = None,
    line: str = "",
) -> TrackedTraces:
    """Place traces by the trace numbers at which positions were logged.

    Parameters
    ----------
    count : T, traces of the line.
    fixes : trace number from 1, x and y (F,), m.
    fix_z, fix_sigma_m, line : as for `place_by_clock`.

    Raises
    ------
    InputError : fewer than two usable fixes, or all at one place.

    Notes
    -----
    Trace numbers stand for time, scaled so that the walker makes a metre a second: a fix that would ask for four times
    the usual pace is a jump.

    Examples
    --------
    >>> placed = place_by_numbers(5, ([1, 3, 5], [0.0, 0.1, 0.2], [2.0, 2.0, 2.0]))
    >>> placed.x.round(3).tolist()
    [0.0, 0.05, 0.1, 0.15, 0.2]
    """
    number, x, y = (
        check_array(v, name, ndim=1, finite=False) for v, name in zip(fixes, ("trace", "x", "y"), strict=True)
    )
    moved, counted = np.hypot(np.diff(x), np.diff(y)), np.diff(number)
    ahead = np.isfinite(moved) & (counted > 0)
    pace = float(np.median(moved[ahead] / counted[ahead])) if ahead.any() else 0.0
    if not pace > 0:
        raise InputError(
            "the positions of a line do not move on",
            where=line or None,
            received=f"{len(number)} fixes",
            do="check trace numbers and coordinates of its track",
        )
    heights = None if fix_z is None else np.asarray(fix_z, np.float64)
    track = clean_track(pace * number, x, y)
    return _placed(pace * np.arange(1.0, count + 1.0), track, heights, fix_sigma_m, 0.0, 0.0, line)


def _placed(
    at: F64,
    track: CleanTrack,
    heights: F64 | None,
    fix_sigma_m: float | None,
    latency_s: float,
    clock_sigma_s: float,
    line: str,
) -> TrackedTraces:
    smooth = smooth_track(track, fix_sigma_m=fix_sigma_m)
    x, y, sigma = place_by_track(smooth, at, latency_s=latency_s, clock_sigma_s=clock_sigma_s)
    findings = track_findings(track, smooth, line=line)
    far = np.abs(track.time_s[_nearest(track.time_s, at + latency_s)] - at - latency_s) > FAR_FROM_FIX_S
    if far.any():
        findings.append(
            Finding(
                "warning",
                "track-gap",
                "traces lie far from any position of the track",
                received=f"{int(far.sum())} of {len(at)} traces, up to ± {Z90 * float(sigma[far].max()):.2f} m (90 %)",
                do="look for trees or walls there, or walk that line by tapes",
                line=line,
            )
        )
    known = heights is not None and np.isfinite(heights[track.kept])
    z = None
    if heights is not None and np.any(known):
        z = np.interp(at + latency_s, track.time_s[known], heights[track.kept][known])
    return TrackedTraces(x, y, sigma, z, tuple(findings))


def _nearest(times: F64, at: F64) -> npt.NDArray[np.intp]:
    right = np.clip(np.searchsorted(times, at), 1, len(times) - 1)
    return np.where(at - times[right - 1] <= times[right] - at, right - 1, right)
