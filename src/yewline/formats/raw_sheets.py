"""Sheets before anything is made of them: cells in rows, from delimited text or from a workbook."""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from yewline.errors import FormatError
from yewline.formats.reading_cells import ShownAsPercent, UnsavedFormula
from yewline.formats.table_rows import SEPARATORS, decoded_text
from yewline.model import Finding

__all__ = ["RawSheet", "text_sheets", "workbook_sheets"]

Row = tuple[int, Sequence[object]]


@dataclass(frozen=True, slots=True)
class RawSheet:
    """One sheet of a workbook, or a text file cut at one separator.

    Attributes
    ----------
    title : of the sheet; of text, how it was cut ("comma separated").
    where : file, and sheet if it is one of a workbook.
    rows : number in the file (from 1) and cells of each row that is neither blank nor a comment.
    spread : (row, column from 0) of cells that only repeat the one they are merged with.
    findings : what was found in reading it.
    """

    title: str
    where: str
    rows: tuple[Row, ...]
    spread: frozenset[tuple[int, int]] = frozenset()
    findings: tuple[Finding, ...] = ()
    is_workbook: bool = False


def text_sheets(path: Path) -> list[RawSheet]:
    """A text file, cut at each separator that people use: which of them is meant, the headings tell.

    Raises
    ------
    FormatError : missing, empty or no text.
    """
    text, findings = decoded_text(path)
    where = str(path)
    if not text.strip():
        raise FormatError("the file is empty", where=where, do="write a header row with x, y and vwc or vwc_percent")
    sheets: list[RawSheet] = []
    faults: list[FormatError] = []
    for separator, name in SEPARATORS.items():
        try:
            rows = tuple(_filled(_cut(text, separator, where)))
        except FormatError as error:
            faults.append(error)
        else:
            sheets.append(RawSheet(f"{name} separated", where, rows, findings=tuple(findings)))
    if not sheets:
        raise faults[0]
    return sheets


def _cut(text: str, separator: str, where: str) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
    try:
        for cells in reader:
            yield reader.line_num, cells
    except csv.Error as error:
        place = f"{where}, row {reader.line_num}"
        raise FormatError(f"not a table: {error}", where=place, do="mend that row") from error


def workbook_sheets(path: Path) -> list[RawSheet]:
    """All sheets of a workbook (XLSX): values of formulas as saved, merged cells filled in, percent kept as percent.

    Raises
    ------
    FormatError : missing, or no readable workbook.
    """
    with warnings.catch_warnings():
        # openpyxl warns of styles and extensions that it drops: none of them holds a value.
        warnings.simplefilter("ignore")
        values, formulas = _book(path, values=True), _book(path, values=False)
    try:
        return [_sheet(sheet, formulas[sheet.title], f"{path}, sheet '{sheet.title}'") for sheet in values.worksheets]
    finally:
        values.close()
        formulas.close()


def _book(path: Path, *, values: bool) -> Any:
    where = str(path)
    try:
        return openpyxl.load_workbook(path, data_only=values)
    except FileNotFoundError as error:
        raise FormatError("file not found", where=where, do="write it, or mend its name") from error
    except (InvalidFileException, zipfile.BadZipFile, KeyError, OSError, ValueError) as error:
        raise FormatError("not a readable XLSX workbook", where=where, do="save it again as XLSX or CSV") from error


def _sheet(sheet: Any, formulas: Any, where: str) -> RawSheet:
    rows: list[list[object]] = []
    worked_out = 0
    hidden = []
    for cells, written in zip(sheet.iter_rows(), formulas.iter_rows(), strict=True):
        row: list[object] = []
        for cell, formula in zip(cells, written, strict=True):
            value = cell.value
            if formula.data_type == "f":
                worked_out += value is not None
                value = UnsavedFormula(str(formula.value)) if value is None else value
            if isinstance(value, (int, float)) and not isinstance(value, bool) and "%" in str(cell.number_format):
                value = ShownAsPercent(value)
            row.append(value)
        if sheet.row_dimensions[len(rows) + 1].hidden and any(value is not None for value in row):
            hidden.append(len(rows) + 1)
        rows.append(row)
    spread = set()
    for block in sheet.merged_cells.ranges:
        value = rows[block.min_row - 1][block.min_col - 1]
        for row_number in range(block.min_row, block.max_row + 1):
            for column in range(block.min_col - 1, block.max_col):
                if (row_number, column) != (block.min_row, block.min_col - 1):
                    rows[row_number - 1][column] = value
                    spread.add((row_number, column))
    findings = []
    if worked_out:
        text = f"{worked_out} cells hold formulas: the values saved with them are read"
        findings.append(Finding("found", "readings-formulas", text, where=where))
    if hidden:
        text, received = "hidden rows are read as well", f"rows {', '.join(str(row) for row in hidden[:8])}"
        do = "take them out, or name them in exclude_rows"
        findings.append(Finding("warning", "readings-hidden", text, where=where, received=received, do=do))
    return RawSheet(
        sheet.title,
        where,
        tuple(_filled(enumerate(rows, start=1))),
        frozenset(spread),
        tuple(findings),
        is_workbook=True,
    )


def _filled(rows: Iterator[Row] | enumerate[Sequence[object]]) -> Iterator[Row]:
    """Rows that hold something, without comments."""
    for number, cells in rows:
        if any(cell is not None and str(cell).strip() for cell in cells) and not str(cells[0]).lstrip().startswith("#"):
            yield number, cells
