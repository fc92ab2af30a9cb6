"""Where the table of readings stands on a sheet: its headings, in one row or two, with titles and groups above."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from yewline.errors import FormatError
from yewline.formats.raw_sheets import RawSheet, Row
from yewline.formats.reading_headings import PLAIN_COLUMNS, Heading, is_unit, parse_heading
from yewline.formats.table_rows import HEADER_SEARCH_ROWS, nearest_name
from yewline.model import READING_QUANTITIES, Finding

__all__ = ["ReadingTable", "decimal_comma_in", "find_table", "refuse_headings"]

_COMMA: Final = re.compile(r"[+-]?\d*,\d+(?!\d*[.,])")
_POINT: Final = re.compile(r"[+-]?\d*\.\d+(?!\d*[.,])")
_WORDS: Final = frozenset({"line", "grid", "date", "time", "use", "note"})


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """Headings over a sheet's rows: `plain` by name, `quantities` with their column, and the rows below them.

    The header row names `width` columns; what stands right of them is no part of the table.
    """

    sheet: RawSheet
    header_row: int
    plain: dict[str, tuple[int, Heading]]
    quantities: tuple[tuple[int, Heading], ...]
    unknown: tuple[str, ...]
    rows: tuple[Row, ...]
    width: int
    decimal_comma: bool
    findings: tuple[Finding, ...]

    @property
    def complete(self) -> bool:
        """Whether there is a place and something to work moisture out from."""
        return bool(self.quantities) and any(
            {*pair} <= set(self.plain) for pair in (("x", "y"), ("line", "distance_m"))
        )


def find_table(sheet: RawSheet) -> ReadingTable | None:
    """The table whose headings are best known, among the first 20 rows; None where no heading is known at all.

    Raises
    ------
    FormatError : a column has a unit that it cannot have, or decimal comma and point are mixed.
    """
    best: tuple[tuple[bool, int], int, list[Heading | None], int] | None = None
    for at, headings, below in _candidates(sheet):
        known = [heading for heading in headings if heading]
        if not known:
            continue
        names = {heading.name for heading in known}
        whole = bool(names & set(READING_QUANTITIES)) and ({"x", "y"} <= names or {"line", "distance_m"} <= names)
        score = (whole, len(known))
        if best is None or score > best[0]:
            best = (score, at, headings, below)
    if best is None:
        return None
    _, at, headings, below = best
    return _table(sheet, at, headings, below)


def _candidates(sheet: RawSheet) -> Iterator[tuple[int, list[Heading | None], int]]:
    """Each row that may hold headings, with how many rows of units stand below it."""
    for at, (number, cells) in enumerate(sheet.rows[:HEADER_SEARCH_ROWS]):
        texts = [_text(cell) for cell in cells]
        where = f"{sheet.where}, row {number}"
        units = [_text(cell) for cell in sheet.rows[at + 1][1]] if at + 1 < len(sheet.rows) else []
        above = [_text(cell) for cell in sheet.rows[at - 1][1]] if at else []
        # Vertically merged headings repeat themselves where their unit would stand.
        units = [
            "" if unit == (texts[column] if column < len(texts) else "") else unit for column, unit in enumerate(units)
        ]
        # A row that holds nothing but units is one of headings, whatever it changes.
        below = int(any(unit not in ("", "-") for unit in units) and all(is_unit(unit) for unit in units if unit))
        headings = [
            parse_heading(text, unit=_at(units, column) if below else "", group=_at(above, column), where=where)
            if text
            else None
            for column, text in enumerate(texts)
        ]
        yield at, headings, below


def _table(sheet: RawSheet, at: int, headings: Sequence[Heading | None], below: int) -> ReadingTable:
    number, cells = sheet.rows[at]
    where = f"{sheet.where}, row {number}"
    plain: dict[str, tuple[int, Heading]] = {}
    quantities: list[tuple[int, Heading]] = []
    unknown = [_text(cell) for column, cell in enumerate(cells) if _text(cell) and headings[column] is None]
    for column, heading in enumerate(headings):
        if heading is None:
            continue
        if heading.is_quantity:
            quantities.append((column, heading))
        elif heading.name in plain:
            raise FormatError(f"two columns are named '{heading.name}'", where=where, do="remove or rename one of them")
        else:
            plain[heading.name] = (column, heading)
    _check_quantities(quantities, where)
    rows = sheet.rows[at + 1 + below :]
    numeric = [column for column, _ in quantities]
    numeric += [column for name, (column, _) in plain.items() if name not in _WORDS]
    comma = decimal_comma_in(rows, numeric, sheet.where)
    return ReadingTable(
        sheet,
        number,
        plain,
        tuple(quantities),
        tuple(unknown),
        rows,
        max(column + 1 for column, cell in enumerate(cells) if _text(cell)),
        comma,
        tuple(_said_of(headings, where)),
    )


def _check_quantities(quantities: Sequence[tuple[int, Heading]], where: str) -> None:
    """Refuse two columns for the same reading: which of them counts, nobody has said."""
    held: dict[object, Heading] = {}
    for _, heading in quantities:
        depth = None if heading.depth is None else heading.depth.middle_m
        other = held.setdefault(depth, heading)
        if other is heading:
            continue
        if other.name == heading.name:
            raise FormatError(f"two columns are named '{heading.text.lower()}'", where=where, do="remove or rename one")
        raise FormatError(
            f"both {other.name} and {heading.name} are given",
            where=where,
            received=f"{other.text}, {heading.text}",
            do="keep one: vwc in m³/m³ or vwc_percent in percent, say; give another depth a heading such as vwc_30cm",
        )
    if len(held) > 1 and None in held:
        text = held[None].text
        do = "name its depth, too, such as vwc_10cm"
        raise FormatError("one of several depths has no depth", where=where, received=text, do=do)


def _said_of(headings: Sequence[Heading | None], where: str) -> list[Finding]:
    """What a heading was taken for where it is not the plain name of a column."""
    findings = []
    for heading in headings:
        if heading is None or heading.text.lower() == heading.name:
            continue
        text = f"column '{heading.text}' is read as {heading.name}"
        if heading.depth is not None:
            text += f" at {_depth_said(heading)}"
        if heading.factor != 1.0:
            text += f", multiplied by {heading.factor:g}"
        findings.append(Finding("found", "readings-column", text, where=where))
    return findings


def _depth_said(heading: Heading) -> str:
    depth = heading.depth
    if depth is None or depth.from_m is None or depth.to_m is None:
        return f"{0.0 if depth is None else depth.middle_m:g} m"
    return f"{depth.from_m:g} to {depth.to_m:g} m"


def refuse_headings(table: ReadingTable | None, where: str) -> FormatError:
    """The error for a sheet whose headings do not suffice."""
    known = (*PLAIN_COLUMNS, *READING_QUANTITIES)
    if table is None:
        do = "name the columns in one row above the values"
        return FormatError("there is no header row with x, y, vwc or vwc_percent", where=where, do=do)
    names = [*table.plain, *(heading.name for _, heading in table.quantities)]
    on_line = {"line", "distance_m"} & set(names) and not {"x", "y"} & set(names)
    place = ("line", "distance_m") if on_line else ("x", "y")
    wanted: list[tuple[str, ...]] = [(name,) for name in place if name not in names]
    wanted += [] if table.quantities else [("vwc", "vwc_percent")]
    group = wanted[0]
    near = next((found for name in group if (found := nearest_name(name, table.unknown))), None)
    return FormatError(
        f"there is no column {' or '.join(repr(name) for name in group)}",
        where=f"{where}, row {table.header_row}",
        received=", ".join([*names, *table.unknown])[:200],
        do=f"rename '{near}' or add the column" if near else f"columns read: {', '.join(known)}",
    )


def decimal_comma_in(rows: Sequence[Row], columns: Sequence[int], where: str) -> bool:
    """Whether numbers that are text have a decimal comma.

    Raises
    ------
    FormatError : some have a comma and some a point.
    """
    comma: tuple[int, str] | None = None
    point: tuple[int, str] | None = None
    for number, cells in rows:
        for column in columns:
            cell = cells[column] if column < len(cells) else None
            if not isinstance(cell, str):
                continue
            if comma is None and _COMMA.match(cell.strip()):
                comma = (number, cell.strip())
            elif point is None and _POINT.match(cell.strip()):
                point = (number, cell.strip())
    if comma and point:
        raise FormatError(
            "decimal comma and decimal point are mixed",
            where=where,
            received=f"{comma[1]} in row {comma[0]}, {point[1]} in row {point[0]}",
            do="write all numbers one way",
        )
    return comma is not None


def _text(cell: object) -> str:
    return "" if cell is None else str(cell).strip()


def _at(texts: Sequence[str], column: int) -> str:
    return texts[column] if column < len(texts) else ""
