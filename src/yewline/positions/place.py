"""Where each trace lies: between the ends of its segment, or where the file's own headers say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.exceptions import CRSError

from yewline._check import check_array
from yewline.errors import FrameError, InputError
from yewline.model import Finding, Frame, Grid, LineSegment
from yewline.positions.fixes import between_fixes, fix_starts

__all__ = ["Placement", "place_by_headers", "place_line"]

ToGrid = Callable[[str], Grid | None]
Array = npt.NDArray[np.float64]
FAR_M = 10_000.0
SHORTEST_M = 0.01
FOOT_M = 0.3048
"""The international foot, exact since the yard and pound agreement of 1959."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Positions of the traces of one line.

    Attributes
    ----------
    x, y : (T',) site metres of the traces kept.
    segment : (T',) number of each trace's segment, from 0, in the order given.
    keep : (T',) index of each kept trace in the recording, increasing.
    findings : what was left out, and why.
    """

    x: Array
    y: Array
    segment: npt.NDArray[np.int32]
    keep: npt.NDArray[np.intp]
    findings: tuple[Finding, ...]


def place_line(n_trace: int, segments: Sequence[LineSegment], to_site: ToGrid, *, shared: bool = False) -> Placement:
    """Place the traces of one recorded line by its rows of `lines.csv`.

    The first trace of a segment lies at its start (x0, y0), the last at its end (x1, y1), the others evenly
    between them. A segment that cannot be placed is a fault and the others still are.

    Parameters
    ----------
    n_trace : traces in the recording.
    segments : the rows of this line.
    to_site : gives the grid of a name; None where there is no such grid.
    shared : whether other lines own traces of the recording too; those left over are then not reported.

    Returns
    -------
    Placement : traces that belong to no segment are not kept.

    Raises
    ------
    InputError : no traces or no segments.

    Notes
    -----
    Trace i of the n of a segment lies at ``start + (end - start) * i / (n - 1)``, i from 0.

    Examples
    --------
    >>> row = LineSegment(line="L1", file="a.sgy", x0=0, y0=2, x1=1, y1=2)
    >>> placed = place_line(5, [row], lambda name: Grid(name=name))
    >>> placed.x.tolist(), placed.y.tolist(), placed.keep.tolist()
    ([0.0, 0.25, 0.5, 0.75, 1.0], [2.0, 2.0, 2.0, 2.0, 2.0], [0, 1, 2, 3, 4])
    """
    if n_trace < 1:
        raise InputError("a line needs at least one trace", received=n_trace)
    if not segments:
        raise InputError("a line needs at least one segment", do="give its rows of lines.csv")
    findings: list[Finding] = []
    owner = np.full(n_trace, -1, np.int32)
    xy = np.zeros((n_trace, 2))
    for number, row in enumerate(segments):
        first, last = (row.first_trace or 1) - 1, row.last_trace or n_trace
        grid = to_site(row.grid)
        fault = _segment_fault(row, n_trace, grid, owner[first:last])
        if fault is not None:
            findings.append(fault)
            continue
        assert grid is not None
        part = slice(first, last)
        count = last - first
        share = np.arange(count) / (count - 1) if count > 1 else np.array([0.5])
        ends = grid.to_site(np.array([[row.x0, row.y0], [row.x1, row.y1]], dtype=np.float64))
        xy[part] = ends[0] + share[:, None] * (ends[1] - ends[0])
        owner[part] = number
        if count == 1:
            findings.append(_told("warning", "segment-one-trace", "the segment has one trace: put at its middle", row))
    if not shared:
        findings += _left_out(segments, owner)
    keep = np.flatnonzero(owner >= 0)
    return Placement(xy[keep, 0], xy[keep, 1], owner[keep], keep, tuple(findings))


def place_by_headers(
    x: npt.ArrayLike, y: npt.ArrayLike, *, coordinates: str, frame: Frame, line: str = ""
) -> Placement:
    """Place traces by the coordinates in the recording's own headers.

    On a local frame lengths are site metres, feet are converted; on a frame with an EPSG code they are that system's
    eastings and northings, and degrees are longitude and latitude on WGS 84. Where runs of traces share a position,
    because fixes came slowly or were rounded, traces are spread evenly from each fix to the next. What had to be
    assumed is reported.

    Parameters
    ----------
    x, y : (T,) as in the headers.
    coordinates : what they are, in the reader's words: degrees if it starts with "degrees", "feet", else lengths.
    frame : the site's.
    line : for messages.

    Raises
    ------
    FrameError : degrees on a local frame, feet on one with an EPSG code, or positions more than 10 km from the
        site's control points.
    InputError : the headers hold no positions: all alike, or arrays of different length.

    Examples
    --------
    >>> placed = place_by_headers([0, 1], [5, 5], coordinates="length, as in the file", frame=Frame())
    >>> placed.x.tolist(), placed.findings[0].grade
    ([0.0, 1.0], 'assumed')
    """
    xs = check_array(x, "x", ndim=1, finite=False)
    ys = check_array(y, "y", ndim=1, finite=False)
    if len(xs) != len(ys):
        raise InputError("x and y must have one value for each trace", received=f"{len(xs)} and {len(ys)}")
    keep = _positioned(xs, ys)
    there = np.column_stack([xs, ys])[keep]
    if len(there) < 2 or not np.ptp(there, axis=0).any():
        raise InputError(
            "the headers hold no positions",
            where=line or None,
            received="none" if not len(there) else f"all traces at ({there[0, 0]:g}, {there[0, 1]:g})",
            do="give x0, y0, x1, y1 in lines.csv and set coordinates = 'lines' in visit.toml",
        )
    findings = []
    if len(keep) < len(xs):
        text = f"{len(xs) - len(keep)} traces without a position are left out"
        findings.append(Finding("fault", "trace-position", text, line=line))
    site, how = _header_to_site(there, coordinates, frame, line)
    findings.append(Finding("assumed", "header-coordinates", how, line=line, received=coordinates))
    starts = fix_starts(there)
    if len(starts) < len(there):
        findings.append(_between(site[starts], len(there), line))
        site = between_fixes(site, starts, keep)
    segment = np.zeros(len(keep), np.int32)
    return Placement(site[:, 0].copy(), site[:, 1].copy(), segment, keep, tuple(findings))


def _positioned(xs: Array, ys: Array) -> npt.NDArray[np.intp]:
    """Traces that have a position.

    Zero in both is what an instrument writes before it has one; near a local origin it may be a true place.
    """
    finite = np.isfinite(xs) & np.isfinite(ys)
    other = finite & ((xs != 0) | (ys != 0))
    if other.any() and other.sum() < finite.sum():
        extent = max(np.ptp(xs[other]), np.ptp(ys[other]))
        if np.hypot(xs[other], ys[other]).min() > 10 * extent:
            return np.flatnonzero(other)
    return np.flatnonzero(finite)


def _between(fixes: Array, n_trace: int, line: str) -> Finding:
    step = float(np.median(np.hypot(*np.diff(fixes, axis=0).T)))
    return Finding(
        grade="assumed",
        code="header-fixes",
        text="runs of traces share a position: traces are spread evenly from each fix to the next",
        line=line,
        received=f"{len(fixes)} fixes for {n_trace} traces, about {step:.2g} m apart",
        do="if the ends are known better, give them in lines.csv and set coordinates = 'lines' in visit.toml",
    )


def _header_to_site(there: Array, coordinates: str, frame: Frame, line: str) -> tuple[Array, str]:
    degrees = coordinates.startswith("degrees")
    if frame.epsg is None:
        if degrees:
            raise FrameError(
                "header coordinates in degrees on a metre frame",
                where=line or None,
                received=coordinates,
                do="give [frame] in site.toml an epsg code with control points",
            )
        if coordinates == "feet":
            return there * FOOT_M, f"header coordinates in feet converted to site metres, {FOOT_M} m to the foot"
        return there, "header coordinates taken as site metres"
    if coordinates == "feet":
        raise FrameError(
            f"header coordinates in feet on the frame of EPSG:{frame.epsg}",
            where=line or None,
            received=coordinates,
            do="export the recording with metres, or give the line's ends in lines.csv",
        )
    how = f"header coordinates taken as eastings and northings of EPSG:{frame.epsg}"
    if degrees:
        try:
            transformer = pyproj.Transformer.from_crs(4326, frame.epsg, always_xy=True)
        except CRSError as error:
            raise FrameError("unknown EPSG code of the site's frame", received=frame.epsg) from error
        there = np.column_stack(transformer.transform(there[:, 0], there[:, 1]))
        how = "header coordinates taken as longitude and latitude on WGS 84"
    site = frame.to_projected().inverse(there)
    if frame.control:
        middle = np.mean([(point.x, point.y) for point in frame.control], axis=0)
        distance = float(np.hypot(*(site - middle).T).max())
        if not distance <= FAR_M:
            raise FrameError(
                "header coordinates lie far from the site's control points",
                where=line or None,
                received=f"up to {distance / 1000:.0f} km away",
                do="check their system, unit and scalar, or place the line by lines.csv",
            )
    return site, how


def _told(grade: str, code: str, text: str, row: LineSegment, received: str = "", do: str = "") -> Finding:
    where = f"lines.csv, row {row.row}" if row.row else ""
    return Finding(grade, code, text, where=where, received=received, do=do, line=row.line)  # type: ignore[arg-type]


def _segment_fault(row: LineSegment, n_trace: int, grid: Grid | None, owner: npt.NDArray[np.int32]) -> Finding | None:
    """Why a segment cannot be placed, or None."""
    if None in (row.x0, row.y0, row.x1, row.y1):
        do = "give x0, y0, x1, y1, or set coordinates = 'headers' in visit.toml"
        return _told("fault", "segment-ends", "the segment has no coordinates", row, do=do)
    if (row.x0, row.y0) == (row.x1, row.y1):
        return _told("fault", "segment-ends", "the segment has no length", row, f"({row.x0:g}, {row.y0:g})", "mend it")
    length_m = np.hypot(row.x1 - row.x0, row.y1 - row.y0)  # type: ignore[operator]
    if length_m < SHORTEST_M:
        received = f"{length_m:.2g} m from ({row.x0:g}, {row.y0:g})"
        do = "give metres: ends so close together are often degrees"
        return _told("fault", "segment-ends", "the segment is shorter than a centimetre", row, received, do)
    if grid is None:
        return _told("fault", "grid-unknown", f"there is no grid '{row.grid}'", row, row.grid, "add it to site.toml")
    beyond = max(row.first_trace or 1, row.last_trace or 1)
    if beyond > n_trace:
        text = "the segment goes on beyond the end of the recording"
        received = f"trace {beyond} of {n_trace}"
        return _told("fault", "segment-beyond", text, row, received, "mend its traces, or check for a cut-off file")
    if not len(owner):
        received = f"{row.first_trace} to {row.last_trace}"
        return _told("fault", "segment-traces", "first_trace comes after last_trace", row, received, "mend them")
    if (owner >= 0).any():
        received = f"{int((owner >= 0).sum())} traces"
        return _told(
            "fault", "segment-traces", "its traces already belong to another segment", row, received, "mend it"
        )
    return None


def _left_out(segments: Sequence[LineSegment], owner: npt.NDArray[np.int32]) -> list[Finding]:
    missing = int((owner < 0).sum())
    if not missing or missing == len(owner):
        return []
    text = f"{missing} of {len(owner)} traces belong to no segment and are not used"
    return [_told("found", "traces-unused", text, segments[0])]
