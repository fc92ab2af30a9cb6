"""Recorded files to raw radargrams in place: what could be read, and a finding for all that could not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from yewline.errors import YewlineError
from yewline.formats import read_lines_table, read_recording
from yewline.model import Finding, LineSegment, ReadHints, Recording, file_sha256, make_radargram
from yewline.positions import (
    Placement,
    check_ledger,
    find_copied_data,
    gap_findings,
    place_by_headers,
    place_line,
    trace_count_check,
)
from yewline.progress import SILENT, Progress
from yewline.workspace.site import Site, Visit

__all__ = ["LoadedVisit", "line_ends", "load_visit"]

Ends = tuple[float, float, float, float]


@dataclass(frozen=True)
class LoadedVisit:
    """Raw radargrams of one visit by line name, in the order of `lines.csv`, and what there is to say of them."""

    radargrams: dict[str, xr.DataArray]
    findings: tuple[Finding, ...]


def load_visit(site: Site, visit: Visit, *, progress: Progress = SILENT) -> LoadedVisit:
    """Read all lines of a visit. A line that cannot be used becomes a fault; the others still load."""
    findings: list[Finding] = []
    try:
        rows, said = read_lines_table(visit.path / "lines.csv")
        findings += said
    except YewlineError as error:
        return LoadedVisit({}, (_of_visit(site, visit, Finding.of_error(error, "lines-table")),))
    folder = visit.path / "lines"
    files = {path.relative_to(folder).as_posix(): path for path in sorted(folder.rglob("*")) if path.is_file()}
    recordings, said = _read_files(visit, rows, files, progress)
    findings += said
    labelled = [name for name, recording in recordings.items() if recording.line is not None]
    hashes = {name: file_sha256(path) for name, path in files.items() if path.suffix != ".toml"}
    # A row that was left out has said why; the file that it names is not also one that no row names.
    named = (visit.path / "lines.csv").read_text(encoding="utf-8", errors="replace")
    used = {_posix(row.file) for row in rows}
    ledger = {name: hashes.get(name, "") for name in files if name in used or name not in named}
    sha256 = {name: value for name, value in ledger.items() if value}
    findings += check_ledger(rows, list(ledger), sha256=sha256, labelled=labelled)
    radargrams: dict[str, xr.DataArray] = {}
    for line, segments in _by_line(rows).items():
        recording = recordings.get(_posix(segments[0].file))
        if recording is None:
            continue
        try:
            radargram, said = _place(site, visit, line, segments, recording)
        except YewlineError as error:
            findings.append(Finding.of_error(error, "line-left-out", line=line))
            continue
        findings += said
        if radargram is not None:
            radargrams[line] = radargram
    findings += _whole_survey(radargrams)
    return LoadedVisit(radargrams, tuple(_of_visit(site, visit, finding) for finding in findings))


def line_ends(radargram: xr.DataArray) -> Ends:
    """First and last position of a line, (x0, y0, x1, y1)."""
    x, y = radargram["x"].values, radargram["y"].values
    return float(x[0]), float(y[0]), float(x[-1]), float(y[-1])


def _read_files(
    visit: Visit, rows: list[LineSegment], files: dict[str, Path], progress: Progress
) -> tuple[dict[str, Recording], list[Finding]]:
    """Each file that a row names, read once."""
    how = visit.settings.recording
    hints = ReadHints(interval_ns=how.interval_ns, interval_unit=how.interval_unit)
    recordings: dict[str, Recording] = {}
    findings: list[Finding] = []
    wanted = [name for name in dict.fromkeys(_posix(row.file) for row in rows) if name in files]
    for name in progress.over(wanted, f"read {visit.name}"):
        line = next(row.line for row in rows if _posix(row.file) == name)
        try:
            recordings[name] = recording = read_recording(files[name], hints)
        except YewlineError as error:
            findings.append(Finding.of_error(error, "file-left-out", line=line))
            continue
        findings += [replace(note, line=note.line or line) for note in recording.notes]
    return recordings, findings


def _by_line(rows: list[LineSegment]) -> dict[str, list[LineSegment]]:
    """Rows of each line; rows that give a name a second time to another file are left out (the ledger says so)."""
    lines: dict[str, list[LineSegment]] = {}
    for row in rows:
        held = lines.setdefault(row.line, [])
        if not held or _posix(held[0].file) == _posix(row.file):
            held.append(row)
    return lines


def _place(
    site: Site, visit: Visit, line: str, segments: list[LineSegment], recording: Recording
) -> tuple[xr.DataArray | None, list[Finding]]:
    """One line of a recording as a radargram; None where no trace of it can be used."""
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
    placed = _placement(site, visit, line, segments, recording, mine)
    if len(placed.keep) == 0:
        return None, list(placed.findings)
    amplitude = recording.amplitude[mine[placed.keep]]
    antenna = visit.settings.antenna
    radargram = make_radargram(
        # What is not a number has been reported by the reader; as zero it is found as a dead or spiky trace.
        np.nan_to_num(amplitude, nan=0.0, posinf=0.0, neginf=0.0),
        interval_ns=recording.interval_ns,
        start_ns=recording.delay_ns,
        x=placed.x,
        y=placed.y,
        segment=placed.segment,
        sigma_xy=site.settings.position_sigma_m,
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
    return radargram, said


def _placement(
    site: Site, visit: Visit, line: str, segments: list[LineSegment], recording: Recording, mine: np.ndarray
) -> Placement:
    if visit.settings.recording.coordinates == "headers":
        x = recording.x if recording.x is not None else np.full(len(recording.amplitude), np.nan)
        y = recording.y if recording.y is not None else np.full(len(recording.amplitude), np.nan)
        first, last = (segments[0].first_trace or 1) - 1, segments[0].last_trace or len(mine)
        mine = mine[first:last]
        placed = place_by_headers(
            x[mine], y[mine], coordinates=recording.coordinates, frame=site.settings.frame, line=line
        )
        return replace(placed, keep=placed.keep + first)
    return place_line(len(mine), segments, site.settings.grid)


def _whole_survey(radargrams: dict[str, xr.DataArray]) -> list[Finding]:
    """What only shows when the lines of a visit are seen together."""
    ends = {line: line_ends(radargram) for line, radargram in radargrams.items()}
    lengths = {line: float(np.hypot(x1 - x0, y1 - y0)) for line, (x0, y0, x1, y1) in ends.items()}
    long = {line: ends[line] for line, length in lengths.items() if length > 0}
    whole = {
        line: (float(radargram["distance"][-1]), len(radargram) - int(radargram["segment"][-1] > 0))
        for line, radargram in radargrams.items()
    }
    return [
        *(gap_findings(long) if long else []),
        *trace_count_check(whole),
        *find_copied_data({line: radargram.values for line, radargram in radargrams.items()}),
    ]


def _posix(name: str) -> str:
    return name.replace("\\", "/").removeprefix("./")


def _of_visit(site: Site, visit: Visit, finding: Finding) -> Finding:
    """The same finding with its visit, and its place relative to the site folder."""
    finding = site.inside(finding)
    where = finding.where
    if where.startswith("lines.csv"):
        where = f"visits/{visit.name}/{where}"
    return replace(finding, visit=visit.name, where=where)
