"""Tables of numbers in named columns: their limits, what a blank cell means, and a fault for each bad row."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from yewline.errors import FormatError
from yewline.formats.table_rows import Table, TableRow, column_fault, parse_number, read_sheet, read_table
from yewline.model import Finding

__all__ = ["Column", "NumberTable", "read_numbers", "required_number"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of numbers: its limits (both ends allowed), its value where a cell is blank (None: it must not be)."""

    name: str
    low: float
    high: float
    blank: float | None = None
    whole: bool = False


@dataclass(frozen=True, slots=True)
class NumberTable:
    """Rows that can be used, with their row in the file in column `row`; and what there is to say."""

    rows: pd.DataFrame
    findings: list[Finding]
    columns: tuple[str, ...]
    where: str


def required_number(table: Table, row: TableRow, name: str) -> float:
    """The number in a cell that must hold one.

    Raises
    ------
    FormatError : it is blank or no number; the message names file and row.
    """
    where = f"{table.where}, row {row.number}"
    try:
        number = parse_number(row.cells.get(name), decimal_comma=table.decimal_comma)
    except ValueError as error:
        raise FormatError(
            f"{name} is not a number", where=where, received=row.text(name), do="mend the cell"
        ) from error
    if number is None:
        raise FormatError(
            f"{name} is blank", where=where, received=row.text(name) or "nothing", do="fill it in or remove the row"
        )
    return number


def read_numbers(
    path: Path,
    columns: Collection[Column],
    *,
    texts: Collection[str] = (),
    required: Collection[str | tuple[str, ...]] = (),
    convert: dict[str, Callable[[str], object]] | None = None,
) -> NumberTable:
    """Read a delimited table, or the first fitting sheet of a workbook.

    Parameters
    ----------
    path : ``.xlsx`` is read as a workbook, anything else as delimited text.
    columns : of numbers; one that the header lacks takes its `blank`.
    texts : columns of text; blank where they are missing.
    required : names, or groups of names of which there must be one, that the header must have.
    convert : for a text column, a function of the cell's text that may raise ValueError; its value is kept instead.

    Returns
    -------
    NumberTable; a row that cannot be used is a fault among its findings, and the others are still there.

    Raises
    ------
    FormatError : the table as a whole cannot be read, has a column that is not known, or no row that can be used.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "heights.csv"
    ...     _ = path.write_text("x;z\\n1,5;2\\n2;low\\n")
    ...     table = read_numbers(path, [Column("x", -1e6, 1e6), Column("z", -500, 9000)], required=("x", "z"))
    >>> table.rows.x.tolist(), table.findings[-1].text
    ([1.5], 'z is not a number')
    """
    known = [*(column.name for column in columns), *texts]
    groups = [(each,) if isinstance(each, str) else each for each in required]
    read = read_sheet if path.suffix.lower() in (".xlsx", ".xlsm") else read_table
    table = read(path, known=known, required=groups, numeric=[column.name for column in columns])
    for name in table.columns:
        if name and name not in known:
            raise column_fault(name, known, f"{table.where}, row {table.header_row}")
    there = [column for column in columns if column.name in table.columns]
    findings = list(table.findings)
    held: list[dict[str, object]] = []
    for row in table.rows:
        try:
            kept: dict[str, object] = {column.name: _number(table, row, column) for column in there}
            for name in texts:
                kept[name] = _text(table, row, name, (convert or {}).get(name))
        except FormatError as error:
            findings.append(Finding.of_error(error, "table-row"))
            continue
        held.append({**kept, "row": row.number})
    if not held:
        received = f"{len(table.rows)} rows" if table.rows else "none"
        raise FormatError("no row can be used", where=table.where, received=received, do="fill in its columns")
    frame = pd.DataFrame(held)
    for column in columns:
        if column.name not in frame and column.blank is not None:
            frame[column.name] = column.blank
    return NumberTable(frame, findings, table.columns, table.where)


def _number(table: Table, row: TableRow, column: Column) -> float:
    if column.blank is not None and not row.text(column.name):
        return column.blank
    number = required_number(table, row, column.name)
    if not column.low <= number <= column.high or (column.whole and number != int(number)):
        kind = "a whole number" if column.whole else "a number"
        raise FormatError(
            f"{column.name} must be {kind} between {column.low:g} and {column.high:g}",
            where=f"{table.where}, row {row.number}",
            received=f"{number:g}",
            do="mend the cell",
        )
    return number


def _text(table: Table, row: TableRow, name: str, convert: Callable[[str], object] | None) -> object:
    text = row.text(name)
    if convert is None or not text:
        return text
    try:
        return convert(text)
    except ValueError as error:
        raise FormatError(
            f"{name} cannot be read: {error}",
            where=f"{table.where}, row {row.number}",
            received=text,
            do="mend the cell",
        ) from error
