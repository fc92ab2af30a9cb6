"""From a table of numbers to traces: a matrix, or long rows of x, y, t, amplitude."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.intervals import Statement, choose_interval, unit_ns
from yewline.formats.text_layout import TextLayout, is_number, split_row
from yewline.model import Finding, ReadHints

__all__ = ["LABEL_COLUMNS", "TextTable", "TextTraces", "long_traces", "looks_long", "matrix_traces"]

LABEL_COLUMNS = ("line", "profile", "trace")
"""Columns that may hold text."""

Floats = npt.NDArray[np.float64]
_TIME = re.compile(r"^(?:t|time|twt|twtt)(?:[\s_\[(]+([a-zµμ]+)[\])]*)?$", re.IGNORECASE)
_LONG = {
    "x": ("x", "x_m", "x [m]", "x (m)"),
    "y": ("y", "y_m", "y [m]", "y (m)"),
    "value": ("amplitude", "amp", "value", "a"),
}


@dataclass(frozen=True, slots=True)
class TextTable:
    """The rows as numbers (R, C), columns of labels (R,) by number, the layout, and the file for messages."""

    numbers: Floats
    labels: dict[int, npt.NDArray[np.str_]]
    layout: TextLayout
    where: str


class TextTraces(NamedTuple):
    """What a recording needs."""

    amplitude: npt.NDArray[np.float32]
    interval_ns: float | None
    interval_source: str
    delay_ns: float
    x: Floats | None
    y: Floats | None
    line: npt.NDArray[np.str_] | None
    notes: tuple[Finding, ...]


class _Times(NamedTuple):
    """Times as they stand in the file; `unit` in ns, None if the file does not name it."""

    values: Floats
    unit: float | None
    source: str


def looks_long(table: TextTable) -> bool:
    """Whether rows are single samples: by the header's names, or four columns of which t steps and falls back."""
    names = [name.lower() for name in table.layout.header]
    if names:
        return all(any(name in names for name in known) for known in _LONG.values()) and any(map(_TIME.match, names))
    if table.numbers.shape[1] != 4 or len(table.numbers) < 2:
        return False
    x, y, t = table.numbers.T[:3]
    moves = (np.diff(x) != 0) | (np.diff(y) != 0)
    step = np.diff(t)
    within = step[~moves]
    return bool(
        len(within) and (within > 0).all() and np.ptp(within) <= 1e-3 * within.max() and (step[moves] <= 0).all()
    )


def matrix_traces(table: TextTable, hints: ReadHints) -> TextTraces:
    """Traces of a matrix, by declaration or by what stands in its first column and header row."""
    layout, where = table.layout, table.where
    numbers = table.numbers
    first = layout.header[0].lower() if layout.header else ""
    by_trace = _rows_are_traces(layout, first)
    notes: list[Finding] = []
    labels: npt.NDArray[np.str_] | None = None
    if by_trace:
        body = numbers[:, 1:] if first in LABEL_COLUMNS else numbers
        if first in ("line", "profile"):
            labels = table.labels[0]
        times = _times_in_header(layout)
    else:
        times = _time_column(layout, numbers)
        body = (numbers[:, 1:] if times is not None else numbers).T
    if "rows" not in layout.declared and first not in LABEL_COLUMNS:
        text = "rows are samples and columns are traces" + (", times in the first column" if times is not None else "")
        advice = "if rows are traces, put a line '# rows = traces' at the top"
        notes.append(
            Finding(
                "assumed",
                "text-orientation",
                text,
                where=where,
                received=f"{body.shape[0]} traces of {body.shape[1]} samples",
                do=advice,
            )
        )
    interval, source, delay, said = _interval(table, times, hints)
    x, y = (_per_trace(table, key, len(body)) for key in ("x", "y"))
    named = _line_labels(table, len(body))
    return TextTraces(
        np.ascontiguousarray(body, dtype=np.float32), interval, source, delay, x, y,
        labels if named is None else named, (*notes, *said),
    )  # fmt: skip


def _rows_are_traces(layout: TextLayout, first: str) -> bool:
    declared = layout.declared.get("rows", "").lower()
    if declared not in ("", "samples", "traces"):
        raise FormatError("'rows' must be samples or traces", received=repr(declared))
    return declared == "traces" or (not declared and first in LABEL_COLUMNS)


def _times_in_header(layout: TextLayout) -> _Times | None:
    cells = layout.header[1:]
    found = [re.match(r"^\s*(?:t|time)?[\s_=]*([0-9.,eE+-]+)\s*([a-zµμ]*)\s*$", cell) for cell in cells]
    if len(cells) < 2 or not all(found):
        return None
    words = [match[1] for match in found if match]
    if not all(is_number(word, layout.decimal) for word in words):
        return None
    values = np.array([float(word.replace(",", ".")) for word in words])
    units = {match[2] for match in found if match}
    return _Times(values, unit_ns(units.pop()) if len(units) == 1 else None, "the times in the header row")


def _time_column(layout: TextLayout, numbers: Floats) -> _Times | None:
    """The first column as times: by its name, or because it steps evenly upward where no header names it."""
    column = numbers[:, 0]
    name = _TIME.match(layout.header[0]) if layout.header else None
    if name is not None:
        return _Times(column, unit_ns(name[1]) if name[1] else None, f"the column {layout.header[0]!r}")
    if (
        layout.header
        or numbers.shape[1] < 2
        or len(column) < 3
        or "traces" in layout.declared
        or "interval_ns" in layout.declared
    ):
        return None
    step = np.diff(column)
    if (
        np.isfinite(step).all()
        and step.min() > 0
        and np.ptp(step) <= 1e-3 * step.max()
        and abs(column[0]) < step[0] * len(column)
    ):
        return _Times(column, None, "the first column, which steps evenly")
    return None


def _interval(
    table: TextTable, times: _Times | None, hints: ReadHints
) -> tuple[float | None, str, float, tuple[Finding, ...]]:
    """Interval, its source, time of the first sample, findings."""
    where = table.where
    statements: list[Statement] = []
    notes: list[Finding] = []
    delay = _declared_number(table, "delay_ns") or 0.0
    declared = _declared_number(table, "interval_ns")
    if declared is not None:
        statements.append(Statement(declared, "the declared interval_ns in the file"))
    hinted = [] if hints.interval_ns is None else [Statement(hints.interval_ns, "the declared interval_ns")]
    if times is not None:
        step = _regular_step(times.values, where)
        unit = times.unit
        if unit is None and hinted:
            statements += hinted
        elif unit is None:
            unit = 1.0
            text = f"{times.source} has no unit: nanoseconds are assumed"
            advice = "name the column time_ns, time_ps or time_us"
            notes.append(Finding("assumed", "time-unit", text, where=where, received=f"step {step.size:g}", do=advice))
        if step.uncertain > 1e-3 * step.size:
            text, advice = "the times are rounded, so the sample interval is not sharp", "declare interval_ns"
            received = f"{step.size:g} ± {step.uncertain:.1g}"
            notes.append(Finding("warning", "time-rounded", text, where=where, received=received, do=advice))
        if unit is not None:
            statements.append(Statement(step.size * unit, times.source, step.uncertain * unit))
            delay = float(times.values[0]) * unit
    statements += [statement for statement in hinted if statement not in statements]
    interval, source, contradictions = choose_interval(statements, where=where, without="no times in the file")
    return interval, source, delay, (*notes, *contradictions)


class _Step(NamedTuple):
    """Step of evenly spaced times, and by how much rounding in print leaves it uncertain."""

    size: float
    uncertain: float


def _regular_step(times: Floats, where: str) -> _Step:
    """The step of evenly spaced times, allowing for times that were rounded when printed."""
    if len(times) < 2:
        raise FormatError("one sample a trace gives no sample interval", where=where, received="1 time")
    step = float(times[-1] - times[0]) / (len(times) - 1)
    off = np.abs(times - (times[0] + step * np.arange(len(times))))
    last_digit = next((10.0**-d for d in range(13) if np.array_equal(np.round(times, d), times)), 0.0)
    # The line runs through two rounded ends, so rounding alone may put a time off by a whole last digit.
    allowed = max(min(1.02 * last_digit, 0.26 * step), 1e-6 * step)
    if not np.isfinite(times).all() or step <= 0 or off.max() > allowed:
        worst = int(np.argmax(np.where(np.isfinite(off), off, np.inf)))
        raise FormatError(
            "times do not step evenly upward",
            where=where,
            received=f"{times[worst]:g} as time {worst + 1}",
            do="export the line with one sample interval",
        )
    exact = bool(off.max() <= 1e-6 * step)
    return _Step(step, 0.0 if exact else last_digit / (len(times) - 1))


def _declared_number(table: TextTable, key: str) -> float | None:
    word = table.layout.declared.get(key)
    if word is None:
        return None
    if not is_number(word.replace(",", ".")):
        raise FormatError(f"the declared {key} is not a number", where=table.where, received=repr(word))
    return float(word.replace(",", "."))


def _cells(table: TextTable, key: str, n_trace: int) -> list[str] | None:
    word = table.layout.declared.get(key)
    if word is None:
        return None
    cells = split_row(word, table.layout.separator)
    if len(cells) != n_trace:
        raise FormatError(
            f"the declared {key} must have one value for each trace",
            where=table.where,
            received=f"{len(cells)} for {n_trace} traces",
        )
    return cells


def _per_trace(table: TextTable, key: str, n_trace: int) -> Floats | None:
    cells = _cells(table, key, n_trace)
    if cells is None:
        return None
    # Whole numbers alone do not show the table's decimal mark, so both are taken here.
    if not all(is_number(cell) or is_number(cell, ",") for cell in cells):
        raise FormatError(f"the declared {key} is not a number", where=table.where, received=repr(cells[0]))
    return np.array([float(cell.replace(",", ".")) for cell in cells])


def _line_labels(table: TextTable, n_trace: int) -> npt.NDArray[np.str_] | None:
    cells = _cells(table, "line", n_trace)
    return None if cells is None else np.array(cells)


def long_traces(table: TextTable, hints: ReadHints) -> TextTraces:
    """Traces of rows x, y, t, amplitude, in order of appearance."""
    layout, where, numbers = table.layout, table.where, table.numbers
    names = [name.lower() for name in layout.header] or ["x", "y", "t", "amplitude"]
    place = {key: next(k for k, name in enumerate(names) if name in known) for key, known in _LONG.items()}
    time_at = next(k for k, name in enumerate(names) if _TIME.match(name))
    unit_word = _TIME.match(names[time_at])
    x, y, t, a = (numbers[:, k] for k in (place["x"], place["y"], time_at, place["value"]))
    new = (np.diff(x) != 0) | (np.diff(y) != 0) | ~(np.diff(t) > 0)
    for column in table.labels.values():
        new |= column[1:] != column[:-1]
    starts = np.concatenate([[0], np.flatnonzero(new) + 1])
    lengths = np.diff(np.append(starts, len(t)))
    odd = np.flatnonzero(lengths != lengths[0])
    if len(odd):
        row = layout.rows[int(starts[odd[0]])]
        raise FormatError(
            "the sample count differs between traces",
            where=f"{where}, row {row.number} (byte {row.byte})",
            received=f"{lengths[odd[0]]} samples in trace {odd[0] + 1}, {lengths[0]} in trace 1",
            do="export the line with the same times for each trace; the file may be cut off",
        )
    shape = (len(starts), int(lengths[0]))
    grid = t.reshape(shape)
    step = abs(grid[0][1] - grid[0][0]) if shape[1] > 1 else 0.0
    late = np.argwhere(np.abs(grid - grid[0]) > 1e-3 * step)
    if len(late):
        row = layout.rows[int(late[0][0]) * shape[1] + int(late[0][1])]
        raise FormatError(
            "traces have different times",
            where=f"{where}, row {row.number} (byte {row.byte})",
            received=f"{grid[tuple(late[0])]:g} where trace 1 has {grid[0][late[0][1]]:g}",
            do="export the line with the same times for each trace",
        )
    unit = unit_ns(unit_word[1]) if unit_word and unit_word[1] else None
    times = _Times(grid[0], unit, f"the column {names[time_at]!r}")
    interval, source, delay, said = _interval(table, times, hints)
    text = f"long rows of x, y, t, amplitude: {shape[0]} traces of {shape[1]} samples"
    line_at = next((names.index(label) for label in ("line", "profile") if label in names), None)
    labels = None if line_at is None else table.labels[line_at][starts]
    return TextTraces(
        np.ascontiguousarray(a.reshape(shape), dtype=np.float32), interval, source, delay, x[starts], y[starts], labels,
        (Finding("found" if layout.header else "assumed", "text-orientation", text, where=where), *said),
    )  # fmt: skip
