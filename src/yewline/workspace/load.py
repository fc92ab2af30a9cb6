"""Recorded files to raw radargrams in place: what could be read, and a finding for all that could not."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Lock

import numpy as np
import xarray as xr

from yewline.errors import FormatError, YewlineError
from yewline.formats import read_lines_table, read_recording
from yewline.model import Finding, LineSegment, ReadHints, Recording, digest, file_sha256, make_radargram, version
from yewline.positions import Placement, check_ledger, place_by_headers, place_line
from yewline.progress import SILENT, Progress
from yewline.workspace.lazy import KEPT_BYTES, LazyLines, without_samples
from yewline.workspace.looks import Ends, LineLook, far_lines, look_at, whole_survey
from yewline.workspace.site import Site, Visit

__all__ = ["LoadedVisit", "load_lines", "load_visit"]

LARGEST = 1e12
"""No receiver counts so far, and its square still fits a single-precision number."""


@dataclass(frozen=True)
class LoadedVisit:
    """Raw radargrams of one visit by line name, in the order of `lines.csv`, and what there is to say of them."""

    radargrams: Mapping[str, xr.DataArray]
    """Read again when they are asked for, where the visit is too large to be held."""
    findings: tuple[Finding, ...]
    planned: tuple[tuple[float, float], ...] = ()
    """Ends (x, y) of all rows of `lines.csv`, usable or not: where the surveyor meant to be."""
    keys: Mapping[str, str] = field(default_factory=dict)
    """What each line's raw radargram follows from, as a digest: its file, its rows and the settings."""
    ends: Mapping[str, Ends] = field(default_factory=dict)
    """Ends of each row's line as `lines.csv` has them, or as its traces lie: also of lines that cannot be used."""


def load_visit(site: Site, visit: Visit, *, progress: Progress = SILENT) -> LoadedVisit:
    """Read all lines of a visit. A line that cannot be used becomes a fault; the others still load."""
    findings: list[Finding] = []
    try:
        rows, said = read_lines_table(visit.path / "lines.csv")
        findings += said
    except YewlineError as error:
        return LoadedVisit({}, _of_visit(site, visit, [Finding.of_error(error, "lines-table"), _nothing(visit)]))
    files = _files_of(visit)
    reading = _Reading(site, visit, rows, files)
    read = reading.all_lines(progress)
    hashes = {name: file_sha256(path) for name, path in files.items() if path.suffix != ".toml"}
    # A row that was left out has said why; the file that it names is not also one that no row names.
    text = (visit.path / "lines.csv").read_text(encoding="utf-8", errors="replace")
    named = {_posix(cell.strip()) for cell in re.split(r'[,;\t\r\n"]+', text)}
    used = {_posix(row.file) for row in rows}
    ledger = {name: hashes.get(name, "") for name in files if name in used or name not in named}
    sha256 = {name: value for name, value in ledger.items() if value}
    findings += read.of_files
    for said_of in check_ledger(rows, list(ledger), sha256=sha256, labelled=read.labelled):
        where = f"lines/{said_of.where}" if said_of.where in files else said_of.where
        findings.append(replace(said_of, where=where))
    order = [line for line in reading.lines if line in read.looks]
    for line in reading.lines:
        findings += read.of_lines.get(line, [])
    looks = {line: read.looks[line] for line in order}
    for fault in far_lines(looks):
        del looks[fault.line]
        findings.append(fault)
    findings += whole_survey(looks) if looks else [_nothing(visit)]
    about = site.settings.model_dump(mode="json", include={"frame", "grids", "position_sigma_m"})
    about |= visit.settings.model_dump(mode="json", include={"antenna", "recording"})
    # A flat binary means what the file beside it says.
    beside = {name: file_sha256(path) for name, path in files.items() if path.suffix == ".toml"}
    keys = {}
    for line, look in looks.items():
        content = [hashes.get(look.file, ""), beside.get(f"{look.file}.toml", "")]
        rows_of = [repr(row) for row in reading.lines[line]]
        keys[line] = digest("raw", version(), visit.name, content, about, rows_of)
    return LoadedVisit(
        read.radargrams.only(looks),
        _of_visit(site, visit, findings),
        _planned(site, rows),
        keys,
        {**_planned_ends(site, rows), **{line: look.ends for line, look in looks.items()}},
    )


def load_lines(site: Site, visit: Visit, names: Collection[str]) -> Mapping[str, xr.DataArray]:
    """Some raw lines of a visit, read when they are asked for; those that cannot be used are left out."""
    try:
        rows, _ = read_lines_table(visit.path / "lines.csv")
    except YewlineError:
        return {}
    reading = _Reading(site, visit, [row for row in rows if row.line in names], _files_of(visit))
    return reading.all_lines(SILENT).radargrams


def _files_of(visit: Visit) -> dict[str, Path]:
    """Every file of a visit's recordings, by its path inside `lines/`."""
    folder = visit.path / "lines"
    return {path.relative_to(folder).as_posix(): path for path in sorted(folder.rglob("*")) if path.is_file()}


@dataclass
class _Read:
    """What one pass over the files of a visit gives."""

    radargrams: LazyLines
    looks: dict[str, LineLook]
    of_files: list[Finding]
    of_lines: dict[str, list[Finding]]
    labelled: list[str]


class _Reading:
    """The files of a visit, read one after another; the last one read is at hand for the lines that it holds."""

    def __init__(self, site: Site, visit: Visit, rows: list[LineSegment], files: dict[str, Path]) -> None:
        self.site, self.visit, self.rows, self.files = site, visit, rows, files
        self.lines = _by_line(rows)
        how = visit.settings.recording
        self.hints = ReadHints(interval_ns=how.interval_ns, interval_unit=how.interval_unit)
        self._last: tuple[str, Recording] | None = None
        self._lock = Lock()

    def all_lines(self, progress: Progress) -> _Read:
        """Every line of every file that a row names: each file is read once, and let go of."""
        looks: dict[str, LineLook] = {}
        ready: dict[str, xr.DataArray] = {}
        lights: dict[str, xr.DataArray] = {}
        room = KEPT_BYTES
        of_files: list[Finding] = []
        of_lines: dict[str, list[Finding]] = {}
        labelled = []
        wanted = [name for name in dict.fromkeys(_posix(row.file) for row in self.rows) if name in self.files]
        for name in progress.over(wanted, f"read {self.visit.name}"):
            mine = [line for line, segments in self.lines.items() if _posix(segments[0].file) == name]
            first = next(row.line for row in self.rows if _posix(row.file) == name)
            try:
                recording = self._recording(name)
            except YewlineError as error:
                of_files.append(Finding.of_error(error, "file-left-out", line=first))
                continue
            of_files += [replace(note, line=note.line or first) for note in recording.notes]
            if recording.line is not None:
                labelled.append(name)
            for line in mine:
                try:
                    radargram, said = self._placed(line, recording)
                except YewlineError as error:
                    fault = Finding.of_error(error, "line-left-out", line=line)
                    of_lines[line] = [replace(fault, where=f"lines/{self.lines[line][0].file}")]
                    continue
                of_lines[line] = said
                if radargram is None:
                    continue
                looks[line], lights[line] = look_at(radargram), without_samples(radargram)
                room -= radargram.nbytes
                if room >= 0:
                    ready[line] = radargram
        self._last = None
        return _Read(LazyLines(looks, self._again, ready=ready, lights=lights), looks, of_files, of_lines, labelled)

    def _again(self, line: str) -> xr.DataArray:
        with self._lock:
            radargram, _ = self._placed(line, self._recording(_posix(self.lines[line][0].file)))
        if radargram is None:
            raise FormatError("a recording changed while it was read", where=self.lines[line][0].file, do="run again")
        return radargram

    def _recording(self, name: str) -> Recording:
        if self._last is None or self._last[0] != name:
            self._last = None
            self._last = (name, read_recording(self.files[name], self.hints))
        return self._last[1]

    def _placed(self, line: str, recording: Recording) -> tuple[xr.DataArray | None, list[Finding]]:
        segments = self.lines[line]
        shared = sum(row.file == segments[0].file for row in self.rows) > len(segments)
        return _place(self.site, self.visit, line, segments, recording, shared=shared)


def _planned(site: Site, rows: list[LineSegment]) -> tuple[tuple[float, float], ...]:
    return tuple(end for row in rows for end in _row_ends(site, row))


def _planned_ends(site: Site, rows: list[LineSegment]) -> dict[str, Ends]:
    """First and last place of each line, over all its segments."""
    held: dict[str, list[tuple[float, float]]] = {}
    for row in rows:
        held.setdefault(row.line, []).extend(_row_ends(site, row))
    return {line: (*ends[0], *ends[-1]) for line, ends in held.items() if ends}


def _row_ends(site: Site, row: LineSegment) -> list[tuple[float, float]]:
    grid = site.settings.grid(row.grid)
    if grid is None or None in (row.x0, row.y0, row.x1, row.y1):
        return []
    there = grid.to_site(np.array([[row.x0, row.y0], [row.x1, row.y1]], dtype=np.float64))
    return [(float(x), float(y)) for x, y in there]


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
