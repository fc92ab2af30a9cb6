"""A recording to a radargram in place: which traces are a line's, where each lies, and how well that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from yewline.errors import FormatError, InputError
from yewline.model import Finding, LineSegment, Recording, add_provenance, distance_along, make_radargram
from yewline.positions import (
    Mark,
    Placement,
    PositionBudget,
    TrackedTraces,
    heights_at,
    odometer_findings,
    place_by_clock,
    place_by_headers,
    place_by_numbers,
    place_line,
    rubber_band,
    stretch_line,
    times_of_traces,
    undo_zigzag,
    with_sigma,
    zigzag_of,
)
from yewline.workspace.places import Places
from yewline.workspace.site import Site, Visit

__all__ = ["place_recording"]

LARGEST = 1e12
"""No receiver counts so far, and its square still fits a single-precision number."""
FAR_FROM_LEVELLED_M = 5.0
"""A trace farther than this from any levelled point is named (from memory, no source)."""
END_SIGMA_M = 0.02
"""Of the first and the last trace at the pegs, along the line; the pegs' own error counts in the tape's."""

Placed = tuple[xr.DataArray, list[Finding]]


def place_recording(
    site: Site,
    visit: Visit,
    places: Places,
    line: str,
    segments: list[LineSegment],
    recording: Recording,
    *,
    shared: bool,
) -> tuple[xr.DataArray | None, list[Finding]]:
    """One line of a recording as a radargram; None where no trace of it can be used.

    Places come from `lines.csv` (stretched to the marks of `fiducials.csv`), from the recording's headers, or from
    tracks; a zigzag that a person accepted is taken out; heights come from `elevation.csv`, else from the track.

    Raises
    ------
    YewlineError : why the line cannot be placed.
    """
    # A file without an interval has said so in a finding of its own.
    if recording.interval_ns is None:
        return None, []
    mine = np.arange(len(recording.amplitude))
    if recording.line is not None and all(row.first_trace is None for row in segments):
        mine = np.flatnonzero(recording.line == line)
        if len(mine) == 0:
            known = ", ".join(sorted(set(recording.line.tolist()))[:8])
            text = f"the file holds many lines, but none called {line}"
            where = f"lines.csv, row {segments[0].row}"
            do = "use the file's own names, or give first_trace and last_trace"
            return None, [Finding("fault", "line-label", text, where=where, received=known, do=do, line=line)]
    how = visit.settings.recording.coordinates
    track: TrackedTraces | None = None
    if how == "lines":
        placed = place_line(len(mine), segments, site.settings.grid, shared=shared)
    elif how == "headers":
        placed = _by_headers(site, line, segments, recording, mine)
    else:
        track = _by_track(visit, places, line, len(mine))
        placed = _tracked(track, segments, len(mine))
    if len(placed.keep) == 0:
        return None, list(placed.findings)
    amplitude, wild = _plausible(recording.amplitude[mine[placed.keep]])
    antenna = visit.settings.antenna
    tape_m = site.settings.position_sigma_m
    radargram = make_radargram(
        amplitude,
        interval_ns=recording.interval_ns,
        start_ns=recording.delay_ns,
        x=placed.x,
        y=placed.y,
        z=0.0 if track is None or track.z is None else track.z[placed.keep],
        segment=placed.segment,
        sigma_xy=tape_m,
        attrs={
            "line": line,
            "visit": visit.name,
            "centre_mhz": antenna.centre_mhz,
            "separation_m": antenna.separation_m,
            "file": segments[0].file,
            "format": recording.format,
        },
    )
    said = list(placed.findings)
    if wild:
        text, do = "samples of impossible size are taken as zero", "look for damage to the file"
        where, received = f"lines/{segments[0].file}", f"{wild} sample{'s' if wild > 1 else ''} above {LARGEST:g}"
        said.append(Finding("warning", "sample-size", text, where=where, received=received, do=do, line=line))
    if track is not None:
        sigma = np.maximum(track.sigma_m[placed.keep], 1e-4)
        radargram = with_sigma(radargram, PositionBudget(track_m=sigma, frame_m=places.frame_sigma_m))
    elif how == "headers" and places.frame_sigma_m > 0:
        radargram = with_sigma(radargram, PositionBudget(tape_m=tape_m, frame_m=places.frame_sigma_m))
    if how == "lines" and places.marks is not None:
        radargram, found = _stretched(radargram, places.marks[places.marks["line"] == line], placed.keep)
        said += found
    for each in zigzag_of(line, places.corrections):
        radargram = undo_zigzag(
            radargram,
            offset_m=each.offset_m or 0.0,
            slope_m_per_m=each.slope_m_per_m,
            middle_m=each.middle_m,
            axis=each.axis,
            sigma_m=each.sigma_m,
        )
    if places.heights is not None:
        radargram, found = _levelled(radargram, places.heights)
        said += found
    return radargram, said


def _plausible(amplitude: np.ndarray) -> tuple[np.ndarray, int]:
    """What was recorded: zero for samples too large for any receiver, and nothing that is not a number.

    Where most traces end early (a record filled up with NaN), the line is cut to what they have: silence that was never
    recorded must not pass for quiet ground. A trace that still holds a gap is set to zero as a whole, and so is
    found dead and replaced by its neighbours. The reader has reported both.
    """
    finite = np.isfinite(amplitude)
    wild = finite & (np.abs(amplitude) > LARGEST)
    if not finite.all():
        length = np.where(finite.any(axis=1), amplitude.shape[1] - finite[:, ::-1].argmax(axis=1), 0)
        recorded = length[length > 0]
        cut = int(np.quantile(recorded, 0.1, method="lower")) if len(recorded) else amplitude.shape[1]
        amplitude, finite, wild = amplitude[:, :cut], finite[:, :cut], wild[:, :cut]
        amplitude = np.where(finite.all(axis=1)[:, None], amplitude, np.float32(0.0))
    return np.where(wild, np.float32(0.0), amplitude), int(wild.sum())


def _range(row: LineSegment, traces: int) -> tuple[int, int]:
    """First trace (from 0) of a segment, and the one after its last."""
    first, last = (row.first_trace or 1) - 1, row.last_trace or traces
    if last > traces:
        raise FormatError(
            "last_trace lies beyond the recording",
            received=f"trace {last} of {traces}",
            do=f"mend row {row.row} of lines.csv",
        )
    return first, last


def _by_headers(
    site: Site, line: str, segments: list[LineSegment], recording: Recording, mine: npt.NDArray[np.intp]
) -> Placement:
    nowhere = np.full(len(recording.amplitude), np.nan)
    x = nowhere if recording.x is None else recording.x
    y = nowhere if recording.y is None else recording.y
    parts: list[Placement] = []
    for number, row in enumerate(segments):
        first, last = _range(row, len(mine))
        some = mine[first:last]
        placed = place_by_headers(
            x[some], y[some], coordinates=recording.coordinates, frame=site.settings.frame, line=line
        )
        parts.append(replace(placed, keep=placed.keep + first, segment=np.full(len(placed.keep), number, np.int32)))
    return Placement(
        x=np.concatenate([part.x for part in parts]),
        y=np.concatenate([part.y for part in parts]),
        segment=np.concatenate([part.segment for part in parts]),
        keep=np.concatenate([part.keep for part in parts]),
        findings=tuple(finding for part in parts for finding in part.findings),
    )


def _by_track(visit: Visit, places: Places, line: str, traces: int) -> TrackedTraces:
    track, how = places.track, visit.settings.recording
    if track is None:
        raise InputError(
            "positions are to come from tracks, and there are none",
            where=f"visits/{visit.name}/tracks",
            do="put the tables there, or choose other coordinates under [recording] in visit.toml",
        )
    numbered = track[(track["line"] == line) & track["trace"].notna()]
    if len(numbered):
        fixes = numbered["trace"], numbered["x"], numbered["y"]
        return place_by_numbers(traces, fixes, fix_z=numbered["z"], fix_sigma_m=_sigma(numbered), line=line)
    times = None if places.times is None else places.times[places.times["line"] == line]
    if times is None or len(times) == 0:
        raise InputError(
            "nothing says where the line's traces lie on the track",
            where=f"visits/{visit.name}/trace_times.csv",
            received=f"no rows of line {line}",
            do="give the times of its first and its last trace there, or line and trace in the track",
        )
    timed = track[track["time_s"].notna() & ((track["line"] == "") | (track["line"] == line))]
    clocks = {*timed["clock"], *times["clock"]}
    if len(clocks) > 1:
        raise InputError(
            "track and traces tell the time in different ways",
            where=f"visits/{visit.name}/trace_times.csv",
            received=", ".join(sorted(clocks)),
            do="write both alike",
        )
    return place_by_clock(
        times_of_traces(times["trace"], times["time_s"], traces),
        (timed["time_s"], timed["x"], timed["y"]),
        fix_z=timed["z"],
        fix_sigma_m=_sigma(timed),
        latency_s=how.latency_s,
        clock_sigma_s=how.clock_sigma_s,
        line=line,
    )


def _sigma(fixes: pd.DataFrame) -> float | None:
    """What the receiver says of its own error; None where it says nothing."""
    known = fixes["sigma_m"].dropna()
    return float(known.median()) if len(known) else None


def _tracked(track: TrackedTraces, segments: list[LineSegment], traces: int) -> Placement:
    ranges = [_range(row, traces) for row in segments]
    keep = np.concatenate([np.arange(first, last) for first, last in ranges])
    segment = np.concatenate([np.full(last - first, number, np.int32) for number, (first, last) in enumerate(ranges)])
    return Placement(track.x[keep], track.y[keep], segment, keep, track.findings)


def _stretched(radargram: xr.DataArray, marks: pd.DataFrame, keep: npt.NDArray[np.intp]) -> Placed:
    """The line with each of its segments stretched to its marks."""
    line = str(radargram.attrs["line"])
    if len(marks) == 0:
        return radargram, []
    x, y, sigma = (radargram[name].values.copy() for name in ("x", "y", "sigma_xy"))
    segment, begin = radargram["segment"].values, (float(x[0]), float(y[0]))
    at = np.searchsorted(keep, marks["trace"].to_numpy(np.intp) - 1)
    there = (at < len(keep)) & (keep[np.minimum(at, len(keep) - 1)] == marks["trace"].to_numpy(np.intp) - 1)
    findings = [
        Finding(
            "fault",
            "fiducial-trace",
            "a mark stands at a trace that the line does not have",
            where=f"fiducials.csv, row {int(row)}",
            received=f"trace {int(trace)}",
            do="count traces as lines.csv does",
            line=line,
        )
        for row, trace in zip(marks["row"][~there], marks["trace"][~there], strict=True)
    ]
    used = 0
    for number in np.unique(segment):
        mine = np.flatnonzero(segment == number)
        inside = there & np.isin(at, mine)
        if not inside.any() or len(mine) < 2:
            continue
        part = radargram.isel(trace=mine)
        counted = part["distance"].values - float(part["distance"].values[0])
        part = part.assign_coords(distance=("trace", counted, {"units": "m"}))
        # The tape runs on across the gap before a segment; the traces do not.
        before = float(np.hypot(x[mine[0]] - begin[0], y[mine[0]] - begin[1])) if number != segment[0] else 0.0
        held = [
            Mark(float(counted[place - mine[0]]), true_m - before, sigma_m)
            for place, true_m, sigma_m in zip(
                at[inside], marks["distance_m"][inside], marks["sigma_m"][inside], strict=True
            )
        ]
        ends = [Mark(0.0, 0.0, END_SIGMA_M, "end"), Mark(float(counted[-1]), float(counted[-1]), END_SIGMA_M, "end")]
        held = sorted([*ends, *held], key=lambda mark: mark.counted_m)
        band = rubber_band(counted, held)
        moved = stretch_line(part, band)
        x[mine], y[mine], sigma[mine] = (moved[name].values for name in ("x", "y", "sigma_xy"))
        findings += odometer_findings(band, held, line=line)
        used += int(inside.sum())
    placed = radargram.assign_coords(
        x=("trace", x, {"units": "m"}),
        y=("trace", y, {"units": "m"}),
        sigma_xy=("trace", sigma, {"units": "m"}),
        distance=("trace", distance_along(x, y, segment), {"units": "m"}),
    )
    return add_provenance(placed, {"step": "odometer", "marks": used}), findings


def _levelled(radargram: xr.DataArray, points: pd.DataFrame) -> Placed:
    found = heights_at(points["x"], points["y"], points["z"], radargram["x"].values, radargram["y"].values)
    placed = add_provenance(
        radargram.assign_coords(z=("trace", found.z_m, {"units": "m"})), {"step": "heights", "points": len(points)}
    )
    far = found.beyond & (found.nearest_m > FAR_FROM_LEVELLED_M)
    if not far.any():
        return placed, []
    text = "traces lie outside the levelled ground and take the height of the nearest point"
    received = f"{int(far.sum())} of {len(far)} traces, up to {float(found.nearest_m[far].max()):.1f} m from it"
    do = "level points around the lines"
    line = str(radargram.attrs["line"])
    return placed, [Finding("warning", "height-beyond", text, "elevation.csv", received, do, line=line)]
