"""What a site and a visit say of where traces lie, besides `lines.csv` and the recordings themselves."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from yewline.errors import YewlineError
from yewline.formats import read_elevation, read_fiducials, read_trace_times, read_track
from yewline.model import Finding, LineCorrection, digest
from yewline.positions import fit_control, zigzag_of
from yewline.workspace.site import Site, Visit

__all__ = ["Places", "load_places", "place_files", "track_files"]

Rows = tuple[pd.DataFrame, list[Finding]]


@dataclass(frozen=True)
class Places:
    """Tables about places, each None where there is none.

    Attributes
    ----------
    corrections : accepted by a person, in `visit.toml`.
    marks : of `fiducials.csv`.
    heights : of `elevation.csv`.
    track : all tables in `tracks/`, one below the other.
    times : of `trace_times.csv`.
    frame_sigma_m : how well the control points tie the site's metres to the projected system, 1 sd.
    findings : what was found in them, and why one cannot be used.
    """

    corrections: tuple[LineCorrection, ...] = ()
    marks: pd.DataFrame | None = None
    heights: pd.DataFrame | None = None
    track: pd.DataFrame | None = None
    times: pd.DataFrame | None = None
    frame_sigma_m: float = 0.0
    findings: tuple[Finding, ...] = ()

    def content(self, line: str) -> list[Any]:
        """All of it that bears on one line, for the key of what follows from it."""
        of_line = [_content(rows if rows is None else rows[rows["line"] == line]) for rows in (self.marks, self.times)]
        return [*of_line, *self._common, [repr(each) for each in zigzag_of(line, self.corrections)]]

    @cached_property
    def _common(self) -> list[Any]:
        """What bears on every line; a day's track is long, and is gone through once."""
        return [_content(self.heights), _content(self.track), self.frame_sigma_m]

    def strangers(self, lines: Collection[str]) -> list[Finding]:
        """Lines that a table names and the visit does not have."""
        named = (("fiducials.csv", self.marks), ("trace_times.csv", self.times), ("tracks", self.track))
        findings = []
        for where, rows in named:
            names = [] if rows is None else sorted({str(name) for name in rows["line"] if name} - set(lines))
            if names:
                text, do = "a table names lines that lines.csv does not have", "check their names"
                received = ", ".join(names[:8]) + (" …" if len(names) > 8 else "")
                findings.append(Finding("warning", "places-line", text, where=where, received=received, do=do))
        return findings


def place_files(site: Site) -> list[Path]:
    """Files about places that belong to the site as a whole, those that are there."""
    return [path for path in (site.root / "elevation.csv",) if path.is_file()]


def track_files(visit: Visit) -> list[Path]:
    """Tables of a visit about places, besides `lines.csv`, those that are there."""
    beside = [visit.path / name for name in ("fiducials.csv", "trace_times.csv")]
    return [path for path in (*beside, *sorted((visit.path / "tracks").rglob("*"))) if path.is_file()]


def load_places(site: Site, visit: Visit) -> Places:
    """Read all tables about places; one that cannot be read is a fault, and nothing is taken from it."""
    findings: list[Finding] = []

    def read(path: Path, reader: Callable[[], Rows]) -> pd.DataFrame | None:
        if not path.is_file():
            return None
        try:
            rows, said = reader()
        except YewlineError as error:
            said, rows = [Finding.of_error(error, "places-left-out")], None
        findings.extend(replace(each, where=each.where or str(path)) for each in said)
        return rows

    grid, frame = site.settings.grid, site.settings.frame
    heights, marks, times = (
        site.root / "elevation.csv",
        visit.path / "fiducials.csv",
        visit.path / "trace_times.csv",
    )
    tracked = visit.settings.recording.coordinates == "tracks"
    tables = [path for path in sorted((visit.path / "tracks").rglob("*")) if path.is_file()]
    track: pd.DataFrame | None = None
    if tracked:
        held = [
            rows
            for path in tables
            if (rows := read(path, lambda path=path: read_track(path, frame=frame, to_site=grid))) is not None  # type: ignore[misc]
        ]
        track = pd.concat(held, ignore_index=True) if held else None
    elif tables:
        text = "the tracks are not used: positions come from elsewhere"
        received = f'coordinates = "{visit.settings.recording.coordinates}"'
        do = 'to place lines by them, set coordinates = "tracks" under [recording] in visit.toml'
        findings.append(
            Finding("found", "tracks-not-used", text, where=str(tables[0].parent), received=received, do=do)
        )
    return Places(
        corrections=visit.settings.corrections,
        marks=read(marks, lambda: read_fiducials(marks)),
        heights=read(heights, lambda: read_elevation(heights, frame=frame, to_site=grid)),
        track=track,
        times=read(times, lambda: read_trace_times(times)) if tracked else None,
        frame_sigma_m=_frame_sigma_m(site),
        findings=tuple(findings),
    )


def _frame_sigma_m(site: Site) -> float:
    """Of the tie to the projected system; nothing where no more points than are needed check it."""
    control = site.settings.frame.control
    if len(control) < 3:
        return 0.0
    try:
        sigma = fit_control(control).sigma_m
    except YewlineError:
        # Points that do not fit together are refused where the frame is checked.
        return 0.0
    return float(sigma) if np.isfinite(sigma) else 0.0


def _content(rows: pd.DataFrame | None) -> str:
    return "" if rows is None or rows.empty else digest(rows.to_csv(index=False))
