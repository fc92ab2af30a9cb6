"""Readings laid out like the ground: columns are x, rows are y, each cell a reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from yewline.errors import FormatError
from yewline.formats.raw_sheets import RawSheet, Row
from yewline.formats.reading_headings import parse_heading
from yewline.formats.reading_layout import decimal_comma_in
from yewline.formats.table_rows import HEADER_SEARCH_ROWS, parse_number
from yewline.model import READING_QUANTITIES, Finding

__all__ = ["ReadingMatrix", "find_matrix", "matrix_quantity", "matrix_said"]

_FEWEST: Final = 2


@dataclass(frozen=True, slots=True)
class ReadingMatrix:
    """A matrix on a sheet: places in its first row and column, and the cell in the corner.

    Attributes
    ----------
    across, down : place of each column and of each row, m, with the column (from 0) and the row it stands in.
    """

    sheet: RawSheet
    header_row: int
    corner: str
    across: tuple[tuple[int, float], ...]
    down: tuple[tuple[Row, float], ...]
    decimal_comma: bool
    skipped: tuple[int, ...]


def find_matrix(sheet: RawSheet) -> ReadingMatrix | None:
    """The first matrix on a sheet, or None: a row of places above, a column of places at the left, both in order."""
    for at, (number, cells) in enumerate(sheet.rows[:HEADER_SEARCH_ROWS]):
        below = sheet.rows[at + 1 :]
        if len(below) < _FEWEST or len(cells) <= _FEWEST:
            continue
        try:
            comma = decimal_comma_in(sheet.rows[at:], range(len(cells)), sheet.where)
        except FormatError:
            continue
        places = [_number(cell, comma) for cell in cells]
        across = tuple((column, place) for column, place in enumerate(places[1:], 1) if place is not None)
        blank = [cell is None or not str(cell).strip() for cell in cells[1:]]
        if len(across) < _FEWEST or len(across) + sum(blank) < len(cells) - 1 or places[0] is not None:
            continue
        down = tuple((row, place) for row in below if (place := _number(row[1][0], comma)) is not None)
        if len(down) < _FEWEST or not (_in_order([p for _, p in across]) and _in_order([p for _, p in down])):
            continue
        kept = {row[0] for row, _ in down}
        corner = "" if cells[0] is None else str(cells[0]).strip()
        skipped = tuple(row[0] for row in below if row[0] not in kept)
        return ReadingMatrix(sheet, number, corner, across, down, comma, skipped)
    return None


def matrix_quantity(matrix: ReadingMatrix, declared: str) -> str:
    """What the cells of a matrix hold: by the corner cell, or as declared.

    Raises
    ------
    FormatError : nobody said, or the two contradict each other.
    """
    where = f"{matrix.sheet.where}, row {matrix.header_row}"
    heading = parse_heading(matrix.corner, where=where) if matrix.corner else None
    corner = heading.name if heading is not None and heading.is_quantity else ""
    if corner and declared and corner != declared:
        do = "keep one of them"
        raise FormatError(
            f"the corner cell says {corner}, the settings say {declared}", where=where, received=matrix.corner, do=do
        )
    if not corner and not declared:
        raise FormatError(
            "a matrix of readings whose unit nobody has declared",
            where=where,
            received=f"corner cell '{matrix.corner}'" if matrix.corner else "an empty corner cell",
            do='write vwc or vwc_percent into the corner cell, or unit = "vwc_percent" under [readings]; '
            f"units read: {', '.join(READING_QUANTITIES)}",
        )
    return corner or declared


def matrix_said(matrix: ReadingMatrix, quantity: str, rows_are: str) -> list[Finding]:
    """How a matrix was understood, for whoever laid it out to look at."""
    columns_are = "x" if rows_are == "y" else "y"
    (_, left), (_, right) = matrix.across[0], matrix.across[-1]
    (_, top), (_, bottom) = matrix.down[0], matrix.down[-1]
    text = (
        f"read as a matrix of {quantity}: columns are {columns_are} from {left:g} to {right:g} m, "
        f"rows are {rows_are} from {top:g} to {bottom:g} m"
    )
    do = f'if it is the other way round, write matrix_rows = "{columns_are}" under [readings]'
    findings = [Finding("found", "readings-matrix", text, where=matrix.sheet.where, do=do)]
    if matrix.skipped:
        text = "rows without a place in their first cell are not read"
        received = ", ".join(str(row) for row in matrix.skipped[:8])
        findings.append(Finding("warning", "readings-matrix-rows", text, where=matrix.sheet.where, received=received))
    return findings


def _number(cell: object, comma: bool) -> float | None:
    if isinstance(cell, bool):
        return None
    try:
        return parse_number(cell, decimal_comma=comma)
    except ValueError:
        return None


def _in_order(places: list[float]) -> bool:
    steps = np.diff(places)
    return bool((steps > 0).all() or (steps < 0).all())
