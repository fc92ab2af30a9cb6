"""Reader of delimited text: a matrix of samples, or long rows of x, y, t, amplitude.

A matrix has one row a sample and one column a trace, with times in the first column if that is named or steps
evenly; or, where declared (``# rows = traces``, or a header row that begins with "trace"), one row a trace. Which
it is, is reported. That rows are samples where nothing is declared is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from yewline.errors import FormatError
from yewline.formats.recorded import NO_HINTS, checked, map_bytes
from yewline.formats.text_layout import TextLayout, TextRow, decode_file, is_number, read_layout, split_row, to_number
from yewline.formats.text_shape import LABEL_COLUMNS, TextTable, long_traces, looks_long, matrix_traces
from yewline.model import Finding, ReadHints, Recording

__all__ = ["can_read_text", "read_text"]

_SNIFFED = 65_536


def can_read_text(path: Path) -> bool:
    """Whether the file begins with text that holds rows of numbers."""
    with path.open("rb") as handle:
        raw = handle.read(_SNIFFED)
    # The cut may fall inside a character, a UTF-16 unit or a row: the last row is not looked at.
    cut = raw[: raw.rfind(b"\n") + 1] if len(raw) == _SNIFFED and b"\n" in raw else raw
    try:
        read_layout(decode_file(cut[: len(cut) // 2 * 2] if cut[:1] in b"\xff\xfe" else cut, "")[0], "")
    except FormatError:
        return False
    return True


def read_text(path: Path, hints: ReadHints = NO_HINTS) -> Recording:
    """Read a delimited text file.

    Separator, decimal mark, header row and layout are detected and reported as assumed. Long rows have the columns
    x, y, t, amplitude, and optionally line and trace; a new trace begins where one of x, y, line, trace changes or
    t falls back. Time units are read from names such as ``time_ns`` or ``t [ps]``; without one, ns is assumed and
    reported.

    Parameters
    ----------
    path : the file; it is opened for reading only.
    hints : the sample interval where the file has no times.

    Returns
    -------
    recording with (T, S) float32 amplitude.

    Raises
    ------
    FormatError : binary, without numbers, rows of different length, times that do not step evenly, or counts that
        differ from those declared.
    """
    where = str(path)
    text, encoding = decode_file(map_bytes(path).tobytes(), where)
    layout = read_layout(text, where)
    notes = list(layout.notes)
    if encoding != "UTF-8":
        notes.append(Finding("assumed", "text-encoding", f"text encoding {encoding}", where=where))
    table = _table(layout, where)
    long = looks_long(table)
    traces = long_traces(table, hints) if long else matrix_traces(table, hints)
    _check_declared(layout, traces.amplitude.shape, where)
    return checked(
        Recording(
            amplitude=traces.amplitude,
            interval_ns=traces.interval_ns,
            interval_source=traces.interval_source,
            format="text",
            delay_ns=traces.delay_ns,
            x=traces.x,
            y=traces.y,
            coordinates="" if traces.x is None else "length, as in the file",
            line=traces.line,
            notes=(*notes, *traces.notes),
        ),
        path,
    )


def _table(layout: TextLayout, where: str) -> TextTable:
    """All rows as numbers, and the columns of labels as text."""
    if not layout.rows:
        raise FormatError("no traces: there are no rows below the header", where=f"{where}, row 2", received="0 rows")
    width = layout.width
    labels: dict[int, list[str]] = {k: [] for k, name in enumerate(layout.header) if name.lower() in LABEL_COLUMNS}
    numbers = np.full((len(layout.rows), width), np.nan)
    for k, row in enumerate(layout.rows):
        cells = split_row(row.text, layout.separator)
        if len(cells) == width + 1 and cells[-1] == "":  # a separator that closes the row
            cells.pop()
        if len(cells) != width:
            raise FormatError(
                "a row has another number of cells than the first: the file is cut off or its separators are mixed",
                where=f"{where}, row {row.number} (byte {row.byte})",
                received=f"{len(cells)} cells where {width} are expected",
                do="export the line again",
            )
        for column, kept in labels.items():
            kept.append(cells[column].strip("\"'"))
            cells[column] = ""
        numbers[k] = _row_of_numbers(cells, row, layout, where)
    return TextTable(numbers, {column: np.array(kept) for column, kept in labels.items()}, layout, where)


def _row_of_numbers(cells: list[str], row: TextRow, layout: TextLayout, where: str) -> list[float]:
    for cell in cells:
        if not is_number(cell, layout.decimal):
            raise FormatError(
                "a cell is not a number",
                where=f"{where}, row {row.number} (byte {row.byte})",
                received=repr(cell[:40]),
                do="mend the cell, or leave it blank for a missing sample",
            )
    return [to_number(cell, layout.decimal) for cell in cells]


def _check_declared(layout: TextLayout, shape: tuple[int, ...], where: str) -> None:
    for key, count in (("traces", shape[0]), ("samples", shape[1])):
        declared = layout.declared.get(key)
        if declared is not None and declared.strip() != str(count):
            raise FormatError(
                f"the {key[:-1]} count differs from the header",
                where=f"{where}, row {layout.rows[-1].number} (byte {layout.rows[-1].byte})",
                received=f"{count} {key} where the header says {declared}",
                do="export the line again; the file may be cut off",
            )
