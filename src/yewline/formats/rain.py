"""`rain.csv`: rain by the day or by the hour, from a gauge or a station."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from yewline.errors import FormatError
from yewline.formats.number_table import required_number
from yewline.formats.table_rows import BLANK, Table, TableRow, column_fault, read_sheet, read_table
from yewline.model import Finding, RainSeries

__all__ = ["read_rain"]

_AMOUNTS: Final = {"rain_mm": 1.0, "rain_in": 25.4}
_KNOWN: Final = ("date", "time", *_AMOUNTS, "note")
# What gauges write where it rained too little to measure (below 0.05 mm; common practice, no source).
_TRACE: Final = frozenset({"t", "tr", "tr.", "trace"})
_HIGHEST_MM: Final = 2000.0
_SHORTEST_MINUTES: Final = 5
_MINUTES_A_DAY: Final = 1440
_LONGEST_DAYS: Final = 100 * 366
_NAMED_GAPS: Final = 10
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2})(?::\d{2})?")


@dataclass(frozen=True, slots=True)
class _Row:
    """One usable row: minutes since 1970, amount in mm (NaN: blank), row in the file."""

    minute: int
    mm: float
    row: int


def read_rain(path: Path) -> tuple[RainSeries, list[Finding]]:
    """Read rain by the day or by an even part of it.

    Columns: date (year-month-day, a time of day in it or in a column time), and exactly one of rain_mm or rain_in
    (inches, turned into mm); a column note is left alone. A blank cell or "-" is *not measured*, never zero; a trace
    counts as 0 mm. Times count as the beginning of their step.

    Parameters
    ----------
    path : ``.xlsx`` is read as a workbook, anything else as delimited text.

    Returns
    -------
    rain : the series, NaN where nothing was measured.
    findings : layout, unit and step detected; every gap and every day given twice; a fault for each row left out.

    Raises
    ------
    FormatError : unreadable, no or two units, no usable row, uneven steps, or dates that span a century.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "rain.csv"
    ...     _ = table.write_text("date,rain_mm\\n2031-05-01,2.4\\n2031-05-02,trace\\n2031-05-04,-\\n")
    ...     rain, findings = read_rain(table)
    >>> rain.rain_mm.tolist(), [finding.text for finding in findings if finding.grade == "warning"]
    ([2.4, 0.0, nan, nan], ['rain was not measured on 2031-05-03 to 2031-05-04'])
    """
    read = read_sheet if path.suffix.lower() in (".xlsx", ".xlsm") else read_table
    table = read(path, known=_KNOWN, required=(("date",), tuple(_AMOUNTS)), numeric=tuple(_AMOUNTS))
    for name in table.columns:
        if name and name not in _KNOWN:
            raise column_fault(name, _KNOWN, f"{table.where}, row {table.header_row}")
    unit = _unit(table)
    findings = list(table.findings)
    rows: list[_Row] = []
    traces = 0
    for row in table.rows:
        try:
            minute = _minute(table, row)
            mm, trace = _amount(table, row, unit)
        except FormatError as error:
            findings.append(Finding.of_error(error, "rain-row"))
            continue
        traces += trace
        rows.append(_Row(minute, mm, row.number))
    if not rows:
        raise FormatError(
            "no usable row of rain", where=table.where, received=f"{len(table.rows)} rows", do="give date and rain_mm"
        )
    step = _step(table, rows)
    rain, doubts = _series(table, rows, step)
    told = "mm" if unit == "rain_mm" else "inches, turned into mm"
    length = "a day" if step == _MINUTES_A_DAY else f"{step} min"
    findings.append(
        Finding("found", "rain-unit", f"{len(rows)} rows of rain in {told}, a step of {length}", where=table.where)
    )
    if traces:
        findings.append(Finding("assumed", "rain-trace", f"{traces} traces of rain count as 0 mm", where=table.where))
    return rain, findings + doubts + _gaps(table, rain)


def _unit(table: Table) -> str:
    declared = [name for name in _AMOUNTS if name in table.columns]
    if len(declared) == 2:
        raise FormatError(
            "both rain_mm and rain_in are given",
            where=f"{table.where}, row {table.header_row}",
            received=", ".join(table.columns),
            do="keep one",
        )
    return declared[0]


def _minute(table: Table, row: TableRow) -> int:
    where = f"{table.where}, row {row.number}"
    cell, clock = row.cells.get("date"), row.cells.get("time")
    try:
        if isinstance(cell, dt.datetime):
            when = cell
        elif isinstance(cell, dt.date):
            when = dt.datetime(cell.year, cell.month, cell.day)
        else:
            when = dt.datetime.fromisoformat(row.text("date"))
        if when.tzinfo is not None:
            raise ValueError("a zone")
    except ValueError as error:
        raise FormatError(
            "date is not a day",
            where=where,
            received=row.text("date") or "nothing",
            do="write it as 2031-05-14 or 2031-05-14 13:00, local time without a zone",
        ) from error
    if isinstance(clock, dt.time):
        when = dt.datetime.combine(when.date(), clock)
    elif row.text("time"):
        match = _CLOCK.fullmatch(row.text("time"))
        if match is None or int(match[1]) > 24 or int(match[2]) > 59:
            raise FormatError(
                "time is not a time of day", where=where, received=row.text("time"), do="write it as 13:00"
            )
        when = dt.datetime.combine(when.date(), dt.time()) + dt.timedelta(hours=int(match[1]), minutes=int(match[2]))
    return int((when - dt.datetime(1970, 1, 1)).total_seconds() // 60)


def _amount(table: Table, row: TableRow, unit: str) -> tuple[float, bool]:
    """Amount in mm (NaN: not measured), and whether it was a trace."""
    where = f"{table.where}, row {row.number}"
    if row.surplus:
        raise FormatError(
            "the row has more cells than the header names",
            where=where,
            received=f"{len(row.surplus)} more",
            do="with decimal commas separate by semicolons",
        )
    text = row.text(unit).lower()
    if text in _TRACE:
        return 0.0, True
    if text in BLANK:
        return float("nan"), False
    mm = required_number(table, row, unit) * _AMOUNTS[unit]
    if mm < 0:
        raise FormatError(
            f"{unit} is below zero", where=where, received=text, do="leave the cell blank where rain was not measured"
        )
    if mm > _HIGHEST_MM:
        raise FormatError(
            f"{unit} is more than has ever fallen in a day",
            where=where,
            received=text,
            do="check the amount and its unit",
        )
    return mm, False


def _step(table: Table, rows: list[_Row]) -> int:
    minutes = sorted({row.minute for row in rows})
    if minutes[-1] - minutes[0] > _LONGEST_DAYS * _MINUTES_A_DAY:
        raise FormatError(
            "the dates span more than a century",
            where=table.where,
            received=f"{_day(minutes[0])} to {_day(minutes[-1])}",
            do="mend the year that is wrong",
        )
    if all(minute % _MINUTES_A_DAY == minutes[0] % _MINUTES_A_DAY for minute in minutes):
        return _MINUTES_A_DAY
    (step, _), *_ = Counter(np.diff(minutes).tolist()).most_common(1)
    if step < _SHORTEST_MINUTES or _MINUTES_A_DAY % step:
        raise FormatError(
            "the rows do not stand at an even part of a day",
            where=table.where,
            received=f"most often {step} min apart",
            do="give one row a day, or one an hour",
        )
    return int(step)


def _series(table: Table, rows: list[_Row], step: int) -> tuple[RainSeries, list[Finding]]:
    doubts: list[Finding] = []
    # A daily amount may carry the hour at which the gauge is read: it belongs to the date as written.
    (past, _), *_ = Counter(row.minute % step for row in rows).most_common(1)
    first = min(row.minute for row in rows if step == _MINUTES_A_DAY or row.minute % step == past)
    if step == _MINUTES_A_DAY:
        first -= first % step
    last = max(row.minute for row in rows)
    amounts = np.full((last - first) // step + 1, np.nan)
    seen: dict[int, _Row] = {}
    for row in rows:
        at, off = divmod(row.minute - first, step)
        where = f"{table.where}, row {row.row}"
        if at < 0 or (off and step < _MINUTES_A_DAY):
            text = f"a time between the steps of {step} min"
            doubts.append(
                Finding("fault", "rain-row", text, where=where, received=_when(row.minute), do="mend the time")
            )
            continue
        if at in seen:
            other = seen[at]
            same = row.mm == other.mm or (np.isnan(row.mm) and np.isnan(other.mm))
            what = _when(row.minute) if step < _MINUTES_A_DAY else _day(row.minute)
            if same:
                text = f"{what} is given twice, alike, in rows {other.row} and {row.row}"
                doubts.append(Finding("warning", "rain-twice", text, where=where, do="remove one"))
            else:
                amounts[at] = np.nan
                text = (
                    f"{what} is given twice with different amounts, in rows {other.row} and {row.row}: neither is used"
                )
                received = f"{other.mm:g} and {row.mm:g} mm"
                doubts.append(Finding("fault", "rain-twice", text, where=where, received=received, do="remove one"))
            continue
        seen[at] = row
        amounts[at] = row.mm
    start = np.datetime64(first, "m")
    return RainSeries(start, step, amounts), doubts


def _gaps(table: Table, rain: RainSeries) -> list[Finding]:
    """One warning for each run of steps that were not measured, the first few by name."""
    missing = np.concatenate([[False], np.isnan(rain.rain_mm), [False]])
    edges = np.flatnonzero(np.diff(missing.astype(int)))
    runs = edges.reshape(-1, 2)
    times = rain.times

    def named(step: int) -> str:
        text = str(times[step])
        return text[:10] if rain.daily else text.replace("T", " ")

    found = []
    for begin, end in runs[:_NAMED_GAPS]:
        when = named(begin) if end - begin == 1 else f"{named(begin)} to {named(end - 1)}"
        found.append(
            Finding(
                "warning", "rain-gap", f"rain was not measured on {when}", where=table.where, do="fill it in if known"
            )
        )
    if len(runs) > _NAMED_GAPS:
        left = int((runs[_NAMED_GAPS:, 1] - runs[_NAMED_GAPS:, 0]).sum())
        text = f"rain was not measured in {len(runs) - _NAMED_GAPS} more gaps, {left} steps in all"
        found.append(Finding("warning", "rain-gap", text, where=table.where))
    return found


def _day(minute: int) -> str:
    return str(np.datetime64(minute, "m"))[:10]


def _when(minute: int) -> str:
    return str(np.datetime64(minute, "m")).replace("T", " ")
