"""The demo's files: one visit's lines in the several formats that a real survey ends up with, and its readings."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import openpyxl

from yewline.formats import (
    Seg2Options,
    SegyOptions,
    TextOptions,
    write_flat,
    write_netcdf,
    write_seg2,
    write_segy,
    write_text,
)
from yewline.workspace.demo_scene import LINE_LENGTH_M, line_format
from yewline.workspace.demo_survey import Survey, SurveyedLine

__all__ = ["write_lines", "write_rain", "write_readings_csv", "write_readings_xlsx"]

_COLUMNS = ("line", "grid", "file", "first_trace", "last_trace", "x0", "y0", "x1", "y1", "note")
_SUFFIX = {"segy": "sgy", "seg2": "sg2", "text": "csv", "netcdf": "nc", "flat": "bin", "many": "sgy"}
_MANY = "b01-b03.sgy"
_SEGY_HEADER, _SEGY_TRACE = 3_600, 240
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)


def write_lines(survey: Survey, folder: Path) -> None:
    """Write `lines/` and `lines.csv` of one visit, with the faults that befall files.

    Parameters
    ----------
    survey : the visit as it was walked.
    folder : of the visit; it must exist.
    """
    (folder / "lines").mkdir()
    rows: list[list[object]] = []
    many: list[SurveyedLine] = []
    for line in survey.lines:
        if line_format(line.plan) == "many":
            first = sum(len(other.amplitude) for other in many)
            many.append(line)
            rows += _rows(line, _MANY, first)
            continue
        file = f"{line.plan.name.lower()}.{_SUFFIX[line_format(line.plan)]}"
        _write_one(folder / "lines" / file, line, survey.instrument.interval_ns)
        rows += _rows(line, file, 0)
    _write_many(folder / "lines" / _MANY, many, survey.instrument.interval_ns)
    for fault in survey.faults:
        if fault.kind == "wrong-sample-count":
            _declare_samples(folder / "lines" / f"{fault.line.lower()}.sgy", round(fault.amount))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows(rows)
    (folder / "lines.csv").write_text(text.getvalue(), encoding="utf-8")


def _rows(line: SurveyedLine, file: str, before: int) -> list[list[object]]:
    """Rows of lines.csv; trace numbers only where the file holds more than this one stretch."""
    plan = line.plan
    whole = len(line.segments) == 1 and line_format(plan) != "many"
    rows: list[list[object]] = []
    for n, (first, last, start, end) in enumerate(line.segments):
        note = "walked from the far end" if line.back else ""
        if n > 0:
            note = "goes on behind the obstacle"
        numbers: list[object] = ["", ""] if whole else [before + first, before + last]
        rows.append([line.name, plan.grid.name, file, *numbers, start, plan.y_m, end, plan.y_m, note])
    return rows


def _write_one(path: Path, line: SurveyedLine, step: float) -> None:
    kind = line_format(line.plan)
    if kind == "segy":
        write_segy(path, line.amplitude, interval_ns=step, picoseconds=True, options=_segy_text())
    elif kind == "seg2":
        write_seg2(path, line.amplitude, interval_ns=step, options=Seg2Options(sample_format=1))
    elif kind == "text":
        write_text(path, line.amplitude, interval_ns=step, options=TextOptions(separator=";"))
    elif kind == "netcdf":
        write_netcdf(path, line.amplitude, interval_ns=step, title=f"Line {line.name} of an invented site")
    else:
        write_flat(path, line.amplitude, interval_ns=step, dtype="int16")


def _write_many(path: Path, lines: list[SurveyedLine], step: float) -> None:
    amplitude = np.concatenate([line.amplitude for line in lines])
    names = np.concatenate([np.full(len(line.amplitude), line.name) for line in lines])
    write_segy(path, amplitude, interval_ns=step, line=names, picoseconds=True, options=_segy_text())


def _segy_text() -> SegyOptions:
    return SegyOptions(text=("INVENTED DATA: RECORDED NOWHERE", f"LINES OF {LINE_LENGTH_M:g} M"))


def _declare_samples(path: Path, more: int) -> None:
    """Have all headers of a SEG-Y file declare `more` samples than its traces hold (rev 1, bytes 3221 and 115)."""
    raw = bytearray(path.read_bytes())
    true = int.from_bytes(raw[3220:3222], "big")
    wrong = (true + more).to_bytes(2, "big")
    raw[3220:3222] = wrong
    for start in range(_SEGY_HEADER, len(raw), _SEGY_TRACE + 4 * true):
        raw[start + 114 : start + 116] = wrong
    path.write_bytes(bytes(raw))


def write_readings_csv(path: Path, table: npt.NDArray[np.float64], *, support_m: float) -> None:
    """Write readings x, y, water content (m³/m³), temperature (R, 4) as CSV, water as a fraction."""
    rows = ["x,y,vwc,depth_m,temperature_c,time"]
    rows += [
        f"{x:.2f},{y:.2f},{vwc:.3f},{support_m / 2:.2f},{warm:.1f},{_clock(n)}"
        for n, (x, y, vwc, warm) in enumerate(table)
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def write_readings_xlsx(path: Path, table: npt.NDArray[np.float64], *, support_m: float) -> None:
    """Write the same readings as a workbook, water in percent; the same bytes on every run."""
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("readings")
    sheet.append(["x", "y", "vwc_percent", "depth_m", "temperature_c", "time"])
    for n, (x, y, vwc, warm) in enumerate(table):
        sheet.append([round(x, 2), round(y, 2), round(100 * vwc, 1), support_m / 2, round(warm, 1), _clock(n)])
    made = io.BytesIO()
    book.save(made)
    path.write_bytes(_undated(made.getvalue()))


def write_rain(path: Path, rain: Sequence[tuple[dt.date, float]]) -> None:
    """Write rain by the day, mm, as CSV."""
    rows = ["date,rain_mm", *(f"{day},{mm:.1f}" for day, mm in rain)]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def _clock(n: int) -> str:
    minutes = 9 * 60 + 20 + 3 * n
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _undated(archive: bytes) -> bytes:
    """The same workbook without the moment at which it was written."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            if name == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2031-01-01T00:00:00Z", data)
            new.writestr(zipfile.ZipInfo(name, _ZIP_DATE), data, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue()
