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
from yewline.model import Finding, LineSegment, ReadHints, Recording, digest, file_sha256, version
from yewline.positions import amend_rows, check_ledger
from yewline.progress import SILENT, Progress
from yewline.workspace.lazy import KEPT_BYTES, LazyLines, without_samples
from yewline.workspace.looks import Ends, LineLook, far_lines, look_at, whole_survey
from yewline.workspace.places import Places, load_places
from yewline.workspace.placing import place_recording
from yewline.workspace.site import Site, Visit

__all__ = ["LoadedVisit", "line_names", "load_lines", "load_visit"]


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
    rows, said = amend_rows(rows, visit.settings.corrections)
    places = load_places(site, visit)
    findings += [*said, *places.findings, *places.strangers({row.line for row in rows})]
    files = _files_of(visit)
    reading = _Reading(site, visit, rows, files, places)
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
        keys[line] = digest("raw", version(), visit.name, content, about, rows_of, places.content(line))
    return LoadedVisit(
        read.radargrams.only(looks),
        _of_visit(site, visit, findings),
        _planned(site, rows),
        keys,
        {**_planned_ends(site, rows), **{line: look.ends for line, look in looks.items()}},
    )


def line_names(visit: Visit) -> list[str]:
    """Names of the lines that a visit's table has, accepted corrections among them; none where it cannot be read."""
    try:
        rows, _ = read_lines_table(visit.path / "lines.csv")
    except YewlineError:
        return []
    rows, _ = amend_rows(rows, visit.settings.corrections)
    return list(dict.fromkeys(row.line for row in rows))


def load_lines(site: Site, visit: Visit, names: Collection[str]) -> Mapping[str, xr.DataArray]:
    """Some raw lines of a visit, read when they are asked for; those that cannot be used are left out."""
    try:
        rows, _ = read_lines_table(visit.path / "lines.csv")
    except YewlineError:
        return {}
    rows, _ = amend_rows(rows, visit.settings.corrections)
    places = load_places(site, visit)
    reading = _Reading(site, visit, [row for row in rows if row.line in names], _files_of(visit), places)
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

    def __init__(
        self, site: Site, visit: Visit, rows: list[LineSegment], files: dict[str, Path], places: Places
    ) -> None:
        self.site, self.visit, self.rows, self.files, self.places = site, visit, rows, files, places
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
                    if radargram is not None and len(radargram) == 1:
                        raise _one_trace(recording)
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
        return place_recording(self.site, self.visit, self.places, line, segments, recording, shared=shared)


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


def _one_trace(recording: Recording) -> FormatError:
    """Why a line of one trace is left out: its background would pass for a response, the strongest of the site."""
    return FormatError(
        "the line has one trace only, and nothing beside it to tell a response from the background",
        received=f"1 of the {len(recording.amplitude)} in the file",
        do="look whether the recording was cut off or holds traces as samples, and at first_trace and last_trace "
        "in lines.csv; else walk the line again",
    )


def _by_line(rows: list[LineSegment]) -> dict[str, list[LineSegment]]:
    """Rows of each line; rows that give a name a second time to another file are left out (the ledger says so)."""
    lines: dict[str, list[LineSegment]] = {}
    for row in rows:
        held = lines.setdefault(row.line, [])
        if not held or _posix(held[0].file) == _posix(row.file):
            held.append(row)
    return lines


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
