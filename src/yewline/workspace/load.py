"""Recorded files to raw radargrams in place: what could be read, and a finding for all that could not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from yewline.errors import FormatError, YewlineError
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

LARGEST = 1e12
"""No receiver counts so far, and its square still fits a single-precision number."""

FAR_M, FAR_TIMES = 1000.0, 20.0
"""A line this far off, and by this much farther than the others are, is not part of a survey on foot."""

LEVEL_TIMES = 3.0
"""A line whose direct wave is this much stronger or weaker than the others' was recorded on another scale."""


@dataclass(frozen=True)
class LoadedVisit:
    """Raw radargrams of one visit by line name, in the order of `lines.csv`, and what there is to say of them."""

    radargrams: dict[str, xr.DataArray]
    findings: tuple[Finding, ...]
    planned: tuple[tuple[float, float], ...] = ()
    """Ends (x, y) of all rows of `lines.csv`, usable or not: where the surveyor meant to be."""


def load_visit(site: Site, visit: Visit, *, progress: Progress = SILENT) -> LoadedVisit:
    """Read all lines of a visit. A line that cannot be used becomes a fault; the others still load."""
    findings: list[Finding] = []
    try:
        rows, said = read_lines_table(visit.path / "lines.csv")
        findings += said
    except YewlineError as error:
        return LoadedVisit({}, _of_visit(site, visit, [Finding.of_error(error, "lines-table"), _nothing(visit)]))
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
    for said_of in check_ledger(rows, list(ledger), sha256=sha256, labelled=labelled):
        where = f"lines/{said_of.where}" if said_of.where in files else said_of.where
        findings.append(replace(said_of, where=where))
    radargrams: dict[str, xr.DataArray] = {}
    for line, segments in _by_line(rows).items():
        recording = recordings.get(_posix(segments[0].file))
        if recording is None:
            continue
        shared = sum(row.file == segments[0].file for row in rows) > len(segments)
        try:
            radargram, said = _place(site, visit, line, segments, recording, shared=shared)
        except YewlineError as error:
            fault = Finding.of_error(error, "line-left-out", line=line)
            findings.append(replace(fault, where=f"lines/{segments[0].file}"))
            continue
        findings += said
        if radargram is not None:
            radargrams[line] = radargram
    for fault in _far_lines(radargrams):
        del radargrams[fault.line]
        findings.append(fault)
    findings += _whole_survey(radargrams) if radargrams else [_nothing(visit)]
    return LoadedVisit(radargrams, _of_visit(site, visit, findings), _planned(site, rows))


def _planned(site: Site, rows: list[LineSegment]) -> tuple[tuple[float, float], ...]:
    ends: list[tuple[float, float]] = []
    for row in rows:
        grid = site.settings.grid(row.grid)
        if grid is not None and None not in (row.x0, row.y0, row.x1, row.y1):
            there = grid.to_site(np.array([[row.x0, row.y0], [row.x1, row.y1]], dtype=np.float64))
            ends += [(float(x), float(y)) for x, y in there]
    return tuple(ends)


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
    site: Site, visit: Visit, line: str, segments: list[LineSegment], recording: Recording, *, shared: bool
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
    placed = _placement(site, visit, line, segments, recording, mine, shared=shared)
    if len(placed.keep) == 0:
        return None, list(placed.findings)
    amplitude, wild = _plausible(recording.amplitude[mine[placed.keep]])
    antenna = visit.settings.antenna
    radargram = make_radargram(
        amplitude,
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
    if wild:
        text, do = "samples of impossible size are taken as zero", "look for damage to the file"
        where, received = f"lines/{segments[0].file}", f"{wild} sample{'s' if wild > 1 else ''} above {LARGEST:g}"
        said.append(Finding("warning", "sample-size", text, where=where, received=received, do=do, line=line))
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


def _placement(
    site: Site,
    visit: Visit,
    line: str,
    segments: list[LineSegment],
    recording: Recording,
    mine: np.ndarray,
    *,
    shared: bool,
) -> Placement:
    if visit.settings.recording.coordinates == "lines":
        return place_line(len(mine), segments, site.settings.grid, shared=shared)
    nowhere = np.full(len(recording.amplitude), np.nan)
    x = nowhere if recording.x is None else recording.x
    y = nowhere if recording.y is None else recording.y
    parts: list[Placement] = []
    for number, row in enumerate(segments):
        first, last = (row.first_trace or 1) - 1, row.last_trace or len(mine)
        if last > len(mine):
            raise FormatError(
                "last_trace lies beyond the recording",
                received=f"trace {last} of {len(mine)}",
                do=f"mend row {row.row} of lines.csv",
            )
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


def _whole_survey(radargrams: dict[str, xr.DataArray]) -> list[Finding]:
    """What only shows when the lines of a visit are seen together."""
    ends = {line: line_ends(radargram) for line, radargram in radargrams.items()}
    lengths = {line: float(np.hypot(x1 - x0, y1 - y0)) for line, (x0, y0, x1, y1) in ends.items()}
    long = {line: ends[line] for line, length in lengths.items() if length > 0}
    whole = {
        # Each segment has one trace more than it has steps; the check allows for one.
        line: (float(radargram["distance"][-1]), len(radargram) + 1 - len(np.unique(radargram["segment"])))
        for line, radargram in radargrams.items()
    }
    return [
        *(gap_findings(long) if long else []),
        *trace_count_check(whole),
        *_other_levels(radargrams),
        *find_copied_data({line: radargram.values for line, radargram in radargrams.items()}),
    ]


def _other_levels(radargrams: dict[str, xr.DataArray]) -> list[Finding]:
    """Lines recorded on another scale than the rest: another gain or number type makes hotspots of its own."""
    if len(radargrams) < 5:
        return []
    # The median over traces of each trace's largest swing: the direct wave, which is much alike along a survey.
    level = np.array([float(np.median(np.abs(r.values).max(axis=1))) for r in radargrams.values()])
    typical = float(np.median(level))
    return [
        Finding(
            "warning",
            "line-level",
            "the line's amplitudes are on another scale than those of the other lines",
            where=f"lines/{radargram.attrs['file']}",
            received=f"{share / typical:.2g} times the typical level",
            do="bring all lines to one gain and number type (a described flat binary takes a scale), or leave it out",
            line=line,
        )
        for (line, radargram), share in zip(radargrams.items(), level, strict=True)
        if typical > 0 and share > 0 and not 1 / LEVEL_TIMES < share / typical < LEVEL_TIMES
    ]


def _far_lines(radargrams: dict[str, xr.DataArray]) -> list[Finding]:
    """Lines that lie, or end, so far from the others that their coordinates must be a slip of the pen."""
    if len(radargrams) < 3:
        return []
    ends = np.array([line_ends(radargram) for radargram in radargrams.values()]).reshape(-1, 2, 2)
    distance = np.hypot(*np.moveaxis(ends - np.median(ends.reshape(-1, 2), axis=0), -1, 0)).max(axis=1)
    limit = max(FAR_M, FAR_TIMES * float(np.median(distance)))
    return [
        Finding(
            "fault",
            "line-far",
            "the line lies far from all others",
            where=f"lines/{radargram.attrs['file']}",
            received=f"{far / 1000:.1f} km away, from ({x0:g}, {y0:g}) to ({x1:g}, {y1:g})",
            do="mend its coordinates, or put it into a site of its own",
            line=line,
        )
        for (line, radargram), ((x0, y0), (x1, y1)), far in zip(radargrams.items(), ends, distance, strict=True)
        if far > limit
    ]


def _nothing(visit: Visit) -> Finding:
    text, do = "no line of this visit can be used", "mend the faults of its lines; the other visits still run"
    return Finding("fault", "visit-empty", text, where=f"visits/{visit.name}", do=do)


def _posix(name: str) -> str:
    return name.replace("\\", "/").removeprefix("./")


def _of_visit(site: Site, visit: Visit, findings: list[Finding]) -> tuple[Finding, ...]:
    """The same findings with their visit, and their place relative to the site folder."""
    placed = []
    for finding in findings:
        where = site.inside(finding).where
        if where.startswith(("lines.csv", "lines/")):
            where = f"visits/{visit.name}/{where}"
        placed.append(replace(finding, visit=visit.name, where=where))
    return tuple(placed)
