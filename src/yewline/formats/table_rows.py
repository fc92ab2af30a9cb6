"""Small tables written by people: delimited text and spreadsheets, as rows of named cells with their row number.

Separator, decimal comma, sheet and header row are detected, and each is reported as a `Finding`: people's
spreadsheet programs write all of these differently.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
import warnings
import zipfile
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from yewline.errors import FormatError
from yewline.model import Finding

__all__ = [
    "BLANK",
    "HEADER_SEARCH_ROWS",
    "SEPARATORS",
    "Table",
    "TableRow",
    "column_fault",
    "decoded_text",
    "nearest_name",
    "parse_number",
    "read_sheet",
    "read_table",
]

HEADER_SEARCH_ROWS = 20
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
BLANK = frozenset({"", "-", "na", "n/a", "nan", "none", "null"})

_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?|[+-]?,\d+")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")

Groups = Sequence[Collection[str]]


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row: its number in the file (from 1) and its cells by lower-case column name.

    A row with more cells than the header names has the rest in `surplus`.
    """

    number: int
    cells: dict[str, object]
    surplus: tuple[object, ...] = ()

    def text(self, name: str) -> str:
        """The cell as trimmed text; empty where the column or the cell is missing."""
        cell = self.cells.get(name)
        if isinstance(cell, float) and cell.is_integer():
            return str(int(cell))  # a spreadsheet holds the label 7 as the number 7.0
        return "" if cell is None else str(cell).strip()


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read: column names in lower case, rows that are not wholly blank, and what was detected."""

    where: str
    columns: tuple[str, ...]
    header_row: int
    rows: tuple[TableRow, ...]
    decimal_comma: bool
    findings: tuple[Finding, ...]


def nearest_name(name: str, known: Collection[str]) -> str | None:
    """The known name that `name` most likely stands for, or None."""
    near = difflib.get_close_matches(name.lower(), sorted(known), n=1, cutoff=0.6)
    return near[0] if near else None


def column_fault(name: str, known: Collection[str], where: str) -> FormatError:
    """The error for a column that the table may not have."""
    near = nearest_name(name, known)
    advice = f"did you mean '{near}'?" if near else f"known columns: {', '.join(sorted(known))}"
    return FormatError(f"unknown column '{name}'", where=where, received=name, do=advice)


def parse_number(cell: object, *, decimal_comma: bool = False) -> float | None:
    """A cell as a number; None where it is blank.

    Raises
    ------
    ValueError : the cell is not a finite number.

    Examples
    --------
    >>> parse_number(" 1,5 ", decimal_comma=True), parse_number("n/a"), parse_number(3)
    (1.5, None, 3.0)
    """
    if cell is None or isinstance(cell, bool):
        if cell is None:
            return None
        raise ValueError("true or false is not a number")
    if isinstance(cell, (int, float)):
        number = float(cell)
        if math.isnan(number):
            return None
    else:
        text = str(cell).strip()
        if text.lower() in BLANK:
            return None
        # An underscore is legal in Python's numbers, never in a person's.
        if "_" in text:
            raise ValueError("not a number")
        number = float(text.replace(",", ".") if decimal_comma else text)
    if not math.isfinite(number):
        raise ValueError("not finite")
    return number


def read_table(path: Path, *, known: Collection[str], required: Groups, numeric: Collection[str]) -> Table:
    """Read a delimited text table.

    Parameters
    ----------
    path : the file; UTF-8 (with or without mark), UTF-16 with its mark, else taken as Windows-1252.
    known : column names the table may have; they tell which separator is meant.
    required : groups of names, of each group the header must have at least one.
    numeric : columns in which a comma between digits is a decimal comma.

    Raises
    ------
    FormatError : missing, empty, binary; no header with the required columns; a column named twice;
        decimal comma and decimal point mixed.
    """
    where = str(path)
    text, findings = decoded_text(path)
    lines = list(_lines_of(text))
    if not lines:
        raise FormatError("the file is empty", where=where, do=f"write a header row with {_said(required)}")
    best: tuple[int, int, str, list[str]] | None = None
    for number, line in lines[:HEADER_SEARCH_ROWS]:
        for separator in SEPARATORS:
            names = _names(_split(line, separator))
            score = len(set(names) & set(known)) + 100 * _complete(names, required)
            if best is None or score > best[0]:
                best = (score, number, separator, names)
    assert best is not None
    _, header_row, separator, names = best
    _check_header(names, required, f"{where}, row {header_row}")
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
    try:
        numbered: list[tuple[int, Sequence[object]]] = [(reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise FormatError(
            f"not a table: {error}", where=f"{where}, row {reader.line_num}", do="mend that row"
        ) from error
    rows = _rows(numbered, names, header_row)
    comma = _decimal_comma(rows, numeric, where)
    detected = f"{SEPARATORS[separator]} separated"
    if comma:
        detected += ", decimal comma"
    findings.append(Finding("found", "table-layout", detected, where=where))
    return Table(where, tuple(names), header_row, rows, comma, tuple(findings))


def read_sheet(path: Path, *, known: Collection[str], required: Groups, numeric: Collection[str]) -> Table:
    """Read the first sheet of a workbook (XLSX) that has a recognisable header row among its first 20.

    Parameters and errors are those of `read_table`.
    """
    where = str(path)
    with warnings.catch_warnings():
        # openpyxl warns of styles and extensions that it drops: none of them holds a value.
        warnings.simplefilter("ignore")
        sheets = _sheets(path)
    best: tuple[int, str, int, list[str]] | None = None
    for title, sheet_rows in sheets:
        for number, cells in sheet_rows[:HEADER_SEARCH_ROWS]:
            names = _names(cells)
            score = len(set(names) & set(known)) + 100 * _complete(names, required)
            if score and (best is None or score > best[0]):
                best = (score, title, number, names)
    if best is None:
        raise FormatError(
            f"no sheet has a header row with {_said(required)} among its first {HEADER_SEARCH_ROWS} rows",
            where=where,
            received=f"sheets {', '.join(title for title, _ in sheets)}",
            do="name the columns in one row above the values",
        )
    _, title, header_row, names = best
    place = f"{where}, sheet '{title}'"
    _check_header(names, required, f"{place}, row {header_row}")
    rows = _rows(dict(sheets)[title], names, header_row)
    comma = _decimal_comma(rows, numeric, place)
    layout = f"read from sheet '{title}', header in row {header_row}" + (", decimal comma" if comma else "")
    return Table(place, tuple(names), header_row, rows, comma, (Finding("found", "table-layout", layout, where=where),))


def decoded_text(path: Path) -> tuple[str, list[Finding]]:
    """A text file with plain line ends: UTF-8, UTF-16 with its mark, else taken as Windows-1252, which is said.

    Raises
    ------
    FormatError : missing, or not text.
    """
    where = str(path)
    try:
        raw = path.read_bytes()
    except FileNotFoundError as error:
        raise FormatError("file not found", where=where, do="write it, or mend its name") from error
    except OSError as error:
        raise FormatError(f"cannot be opened: {error.strerror}", where=where, do="check the file") from error
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _one_line_end(raw.decode("utf-16", errors="replace")), []
    if b"\0" in raw:
        raise FormatError(
            "not a text file",
            where=f"{where}, byte {raw.index(0)}",
            received="a zero byte",
            do="export the table as CSV text",
        )
    try:
        return _one_line_end(raw.decode("utf-8-sig")), []
    except UnicodeDecodeError:
        note = Finding("assumed", "table-encoding", "not UTF-8: read as Windows-1252", where=where, do="save as UTF-8")
        return _one_line_end(raw.decode("cp1252", errors="replace")), [note]


def _one_line_end(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _split(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:
        return []


def _lines_of(text: str) -> list[tuple[int, str]]:
    lines = enumerate(text.split("\n"), start=1)
    return [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]


def _sheets(path: Path) -> list[tuple[str, list[tuple[int, Sequence[object]]]]]:
    where = str(path)
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except FileNotFoundError as error:
        raise FormatError("file not found", where=where, do="write it, or mend its name") from error
    except (InvalidFileException, zipfile.BadZipFile, KeyError, OSError, ValueError) as error:
        raise FormatError("not a readable XLSX workbook", where=where, do="save it again as XLSX or CSV") from error
    sheets: list[tuple[str, list[tuple[int, Sequence[object]]]]] = []
    try:
        for sheet in book.worksheets:
            # Some programs write a wrong extent into the sheet; the rows themselves are the truth.
            sheet.reset_dimensions()
            sheets.append((sheet.title, list(enumerate(sheet.iter_rows(values_only=True), start=1))))
    finally:
        book.close()
    return sheets


def _names(cells: Sequence[object]) -> list[str]:
    names = ["" if cell is None else str(cell).strip().lower() for cell in cells]
    while names and not names[-1]:
        names.pop()
    return names


def _complete(names: Collection[str], required: Groups) -> bool:
    return all(set(group) & set(names) for group in required)


def _said(required: Groups) -> str:
    return ", ".join(" or ".join(sorted(group)) for group in required)


def _check_header(names: list[str], required: Groups, where: str) -> None:
    for group in required:
        if set(group) & set(names):
            continue
        near = next((found for name in sorted(group) if (found := nearest_name(name, [n for n in names if n]))), None)
        wanted = " or ".join(f"'{name}'" for name in sorted(group))
        advice = f"rename '{near}' or add the column" if near else "name the columns in the first row"
        raise FormatError(f"there is no column {wanted}", where=where, received=", ".join(names)[:200], do=advice)
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:
        raise FormatError(f"two columns are named '{twice}'", where=where, do="remove or rename one of them")


def _rows(numbered: Sequence[tuple[int, Sequence[object]]], names: list[str], header_row: int) -> tuple[TableRow, ...]:
    rows = []
    for number, cells in numbered:
        if number <= header_row or all(cell is None or not str(cell).strip() for cell in cells):
            continue
        if str(cells[0]).lstrip().startswith("#"):
            continue
        named = {name: cell for name, cell in zip(names, cells, strict=False) if name}
        surplus = tuple(cell for cell in cells[len(names) :] if cell is not None and str(cell).strip())
        rows.append(TableRow(number, named, surplus))
    return tuple(rows)


def _decimal_comma(rows: Sequence[TableRow], numeric: Collection[str], where: str) -> bool:
    comma: tuple[int, str] | None = None
    point: tuple[int, str] | None = None
    for row in rows:
        for name in numeric:
            cell = row.cells.get(name)
            if not isinstance(cell, str):
                continue
            if comma is None and _COMMA_NUMBER.fullmatch(cell.strip()):
                comma = (row.number, cell.strip())
            elif point is None and _POINT_NUMBER.fullmatch(cell.strip()):
                point = (row.number, cell.strip())
    if comma and point:
        raise FormatError(
            "decimal comma and decimal point are mixed",
            where=where,
            received=f"{comma[1]} in row {comma[0]}, {point[1]} in row {point[0]}",
            do="write all numbers one way",
        )
    return comma is not None
