"""`lines.csv`: which recorded file holds which line, and where the line lies."""

from __future__ import annotations

from pathlib import Path, PurePosixPath, PureWindowsPath

from yewline.errors import FormatError
from yewline.formats.table_rows import Table, TableRow, column_fault, parse_number, read_table
from yewline.model import Finding, LineSegment

__all__ = ["LINE_COLUMNS", "read_lines_table"]

LINE_COLUMNS = ("line", "grid", "file", "first_trace", "last_trace", "x0", "y0", "x1", "y1", "note")
_ENDS = ("x0", "y0", "x1", "y1")
_TRACES = ("first_trace", "last_trace")


def read_lines_table(path: Path) -> tuple[list[LineSegment], list[Finding]]:
    """Read `lines.csv`; a row that cannot be used becomes a fault and the others still load.

    Columns: line, grid, file, first_trace, last_trace, x0, y0, x1, y1, note; only line and file are required.
    Comma, semicolon or tab separate them; a decimal comma is understood. Several rows with the same line and
    the same file are segments of one line: their trace ranges follow one another.

    Parameters
    ----------
    path : the table.

    Returns
    -------
    segments : in the order of the file, each with its `row`.
    findings : layout detected, and a fault for each row left out.

    Raises
    ------
    FormatError : the table as a whole cannot be read, or has an unknown column (the nearest known is named).

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "lines.csv"
    ...     _ = table.write_text("line;file;x0;y0;x1;y1\\nL01;a.sgy;0;0,5;20;0,5\\n")
    ...     segments, findings = read_lines_table(table)
    >>> segments[0].line, segments[0].y0, findings[0].text
    ('L01', 0.5, 'semicolon separated, decimal comma')
    """
    table = read_table(path, known=LINE_COLUMNS, required=(("line",), ("file",)), numeric=_ENDS)
    for name in table.columns:
        if name and name not in LINE_COLUMNS:
            raise column_fault(name, LINE_COLUMNS, f"{table.where}, row {table.header_row}")
    findings = list(table.findings)
    segments: list[LineSegment] = []
    held: dict[str, list[LineSegment]] = {}
    for row in table.rows:
        try:
            segment = _segment(table, row)
            _check_follows(table, segment, held.get(segment.line, []))
        except FormatError as error:
            code = "line-duplicate" if "already" in error.problem else "line-row"
            findings.append(Finding.of_error(error, code, line=row.text("line")))
            continue
        held.setdefault(segment.line, []).append(segment)
        segments.append(segment)
    if not table.rows:
        findings.append(
            Finding("fault", "lines-none", "the table names no line", where=table.where, do="add a row for each line")
        )
    return segments, findings


def _segment(table: Table, row: TableRow) -> LineSegment:
    where = f"{table.where}, row {row.number}"
    if row.surplus:
        raise FormatError(
            "the row has more cells than the header names",
            where=where,
            received=f"{len(row.cells) + len(row.surplus)} cells for {len(table.columns)} columns",
            do="quote a text that holds the separator; with decimal commas separate by semicolons",
        )
    line, file = row.text("line"), row.text("file")
    if not line:
        raise FormatError("the line has no name", where=where, received="an empty cell", do="name it in column line")
    if not file:
        raise FormatError("no file is named", where=where, received="an empty cell", do="name it in column file")
    windows, posix = PureWindowsPath(file), PurePosixPath(file)
    if windows.drive or windows.root or posix.is_absolute() or ".." in windows.parts:
        raise FormatError(
            "the file lies outside the visit's folder of lines",
            where=where,
            received=file,
            do="copy it into lines/ and give its name there",
        )
    first, last = (_trace(table, row, name, where) for name in _TRACES)
    if first is not None and last is not None and first > last:
        raise FormatError(
            "first_trace comes after last_trace", where=where, received=f"{first} to {last}", do="swap or mend them"
        )
    x0, y0, x1, y1 = _ends(table, row, where)
    return LineSegment(
        line=line,
        grid=row.text("grid"),
        file=file,
        first_trace=first,
        last_trace=last,
        x0=x0,
        y0=y0,
        x1=x1,
        y1=y1,
        note=row.text("note"),
        row=row.number,
    )


def _number(table: Table, row: TableRow, name: str, where: str) -> float | None:
    try:
        return parse_number(row.cells.get(name), decimal_comma=table.decimal_comma)
    except ValueError as error:
        raise FormatError(
            f"{name} is not a number", where=where, received=row.text(name), do="mend the cell"
        ) from error


def _trace(table: Table, row: TableRow, name: str, where: str) -> int | None:
    number = _number(table, row, name, where)
    if number is None:
        return None
    if number < 1 or not number.is_integer():
        raise FormatError(
            f"{name} is not a trace number", where=where, received=row.text(name), do="count traces from 1"
        )
    return int(number)


def _ends(table: Table, row: TableRow, where: str) -> tuple[float | None, float | None, float | None, float | None]:
    x0, y0, x1, y1 = (_number(table, row, name, where) for name in _ENDS)
    given = [name for name, value in zip(_ENDS, (x0, y0, x1, y1), strict=True) if value is not None]
    if given and len(given) < 4:
        raise FormatError(
            "the ends of the line are partly empty",
            where=where,
            received=f"only {', '.join(given)}",
            do="give x0, y0, x1 and y1, or none where positions come from the files' headers",
        )
    if given and (x0, y0) == (x1, y1):
        raise FormatError(
            "the line has no length", where=where, received=f"both ends at ({x0:g}, {y0:g})", do="mend x1, y1"
        )
    return x0, y0, x1, y1


def _check_follows(table: Table, segment: LineSegment, earlier: list[LineSegment]) -> None:
    """A later row of the same line must be of the same file and of later traces."""
    if not earlier:
        return
    before = earlier[-1]
    where = f"{table.where}, row {segment.row}"
    if before.file != segment.file:
        raise FormatError(
            f"line {segment.line} is already the name of another file, in row {before.row}",
            where=where,
            received=f"{segment.file} after {before.file}",
            do="give one of them another name",
        )
    if before.last_trace is None or segment.first_trace is None or segment.first_trace <= before.last_trace:
        raise FormatError(
            f"line {segment.line} already has these traces, from row {before.row}",
            where=where,
            received=f"{_range(segment)} after {_range(before)}",
            do="remove the row, or give segments trace ranges that follow one another",
        )


def _range(segment: LineSegment) -> str:
    return f"traces {segment.first_trace or 'first'} to {segment.last_trace or 'last'}"
