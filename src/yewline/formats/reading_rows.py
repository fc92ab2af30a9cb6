"""Rows of moisture readings, one by one: place, depth, value, time; a row that cannot be used is a fault of its own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from yewline.errors import FormatError, InputError
from yewline.formats.number_table import required_number
from yewline.formats.reading_cells import ShownAsPercent, UnsavedFormula, number_in_cell
from yewline.formats.reading_headings import Depth, Heading
from yewline.formats.reading_layout import ReadingTable
from yewline.formats.reading_matrix import ReadingMatrix
from yewline.formats.reading_units import Convert, in_unit, vwc_of
from yewline.formats.table_rows import Table, TableRow, parse_number
from yewline.model import VWC_HIGHEST, VWC_LOWEST, Finding, Grid

__all__ = ["ReadingOptions", "RowReader", "ToGrid", "ToPlace"]

ToGrid = Callable[[str], Grid | None]
ToPlace = Callable[[str, float], tuple[float, float]]

_LIMITS = {
    "depth_m": (0.0, 5.0),
    "depth_from_m": (0.0, 5.0),
    "depth_to_m": (0.0, 5.0),
    "temperature_c": (-40.0, 70.0),
    "ec_ms_per_m": (0.0, 5000.0),
}


@dataclass(frozen=True, slots=True)
class ReadingOptions:
    """What a file of readings does not say of itself.

    Attributes
    ----------
    sheet : sheets of a workbook that are read; empty where only one can be meant.
    unit : what the cells of a matrix hold, where its corner cell does not say it.
    matrix_rows : "y" where the first column of a matrix holds y and its first row x; "x" the other way round.
    exclude_rows : rows of the file that are not used.
    bulk_g_per_cm3 : bulk density of the soil, where the file has no column of it.
    to_place : x and y in site metres of a line's name and the metres along it; raises `InputError` where it has none.
    relation : water content from permittivity.
    calibrate : water content, m³/m³, from the value as written; goes before relation and unit.
    """

    sheet: tuple[str, ...] = ()
    unit: str = ""
    matrix_rows: str = "y"
    exclude_rows: tuple[int, ...] = ()
    bulk_g_per_cm3: float | None = None
    to_place: ToPlace | None = None
    relation: Convert | None = None
    calibrate: Convert | None = None


@dataclass
class RowReader:
    """Makes readings of rows, and keeps what there is to say of them.

    `attempts` holds row and value of each number, used or not, by quantity, heading and sheet.
    """

    options: ReadingOptions
    to_site: ToGrid | None
    findings: list[Finding] = field(default_factory=list)
    excluded: list[int] = field(default_factory=list)
    attempts: dict[tuple[str, str, str], list[tuple[int, float]]] = field(default_factory=dict)
    _told: dict[str, list[str]] = field(default_factory=dict)

    def of_table(self, found: ReadingTable, depth: Depth | None) -> list[dict[str, object]]:
        """Readings of a table, in the order of its rows; of several columns one after the other."""
        columns = tuple(found.plain)
        table = Table(found.sheet.where, columns, found.header_row, (), found.decimal_comma, ())
        readings: list[dict[str, object]] = []
        for row, cells in self._used(found):
            try:
                shared = self._shared(table, row, found, depth)
                for column, heading in found.quantities:
                    cell = cells[column] if column < len(cells) else None
                    if (row.number, column) in found.sheet.spread:
                        self._tell("merged", row.number, heading.name)
                        continue
                    # A probe that reads several depths may not reach them all everywhere.
                    if len(found.quantities) > 1 and _is_blank(cell):
                        continue
                    readings.append(self._reading(cell, heading, row.number, shared, table))
            except FormatError as error:
                self.findings.append(Finding.of_error(error, "reading-row"))
        self._say(table.where)
        return readings

    def of_matrix(self, found: ReadingMatrix, quantity: str, depth: Depth | None) -> list[dict[str, object]]:
        """Readings of a matrix, row by row; a blank cell is no reading."""
        table = Table(found.sheet.where, (), found.header_row, (), found.decimal_comma, ())
        heading = Heading(quantity, 1.0, depth, quantity)
        readings = []
        for (number, cells), down in found.down:
            if number in self.options.exclude_rows:
                self.excluded.append(number)
                continue
            for column, across in found.across:
                cell = cells[column] if column < len(cells) else None
                if _is_blank(cell):
                    continue
                if (number, column) in found.sheet.spread:
                    self._tell("merged", number, quantity)
                    continue
                x, y = (across, down) if self.options.matrix_rows == "y" else (down, across)
                try:
                    readings.append(self._reading(cell, heading, number, {"x": x, "y": y}, table))
                except FormatError as error:
                    self.findings.append(Finding.of_error(error, "reading-row"))
        self._say(table.where)
        return readings

    def _used(self, found: ReadingTable) -> Iterator[tuple[TableRow, list[object]]]:
        """Rows that are neither excluded by number nor by the column use."""
        rows = []
        for number, cells in found.rows:
            of_column = {name: cells[at] if at < len(cells) else None for name, (at, _) in found.plain.items()}
            surplus = tuple(cell for cell in cells[found.width :] if cell is not None and str(cell).strip())
            rows.append((TableRow(number, of_column, surplus), list(cells)))
        use = _use_of(rows, f"{found.sheet.where}, column use") if "use" in found.plain else {}
        for row, cells in rows:
            if row.number in self.options.exclude_rows or not use.get(row.number, True):
                self.excluded.append(row.number)
                continue
            yield row, cells

    def _shared(self, table: Table, row: TableRow, found: ReadingTable, depth: Depth | None) -> dict[str, object]:
        """What all readings of a row have in common."""
        where = f"{table.where}, row {row.number}"
        if row.surplus and not found.sheet.is_workbook:
            raise FormatError(
                "the row has more cells than the header names",
                where=where,
                received=f"{len(row.surplus)} more",
                do="with decimal commas separate by semicolons",
            )
        if row.surplus:
            self._tell("surplus", row.number, str(row.surplus[0]).strip())
        x, y = self._place(table, row, found)
        shared: dict[str, object] = {
            "x": x,
            "y": y,
            "line": row.text("line"),
            "time": _time(row),
            "note": row.text("note"),
        }
        for name, limits in _LIMITS.items():
            if name in found.plain:
                shared[name] = self._optional(table, row, name, found.plain[name][1].factor, limits)
        if "distance_m" in found.plain:
            shared["distance_m"] = self._optional(table, row, "distance_m", 1.0, (-1e4, 1e4))
        if "bulk_g_per_cm3" in found.plain:
            shared["bulk_g_per_cm3"] = self._optional(table, row, "bulk_g_per_cm3", 1.0, (0.1, 2.6))
        if depth is not None and "depth_m" not in found.plain:
            shared |= _depth_columns(depth)
        return shared

    def _place(self, table: Table, row: TableRow, found: ReadingTable) -> tuple[float, float]:
        where = f"{table.where}, row {row.number}"
        if not {"x", "y"} <= set(found.plain):
            line, distance_m = row.text("line"), required_number(table, row, "distance_m")
            if self.options.to_place is None:
                do = "give x and y, or the ends of the lines in lines.csv"
                raise FormatError("a reading along a line whose ends are not known", where=where, received=line, do=do)
            try:
                return self.options.to_place(line, distance_m)
            except InputError as error:
                raise FormatError(error.problem, where=where, received=error.received, do=error.do) from error
        x, y = (required_number(table, row, name) for name in ("x", "y"))
        name = row.text("grid")
        if name:
            grid = None if self.to_site is None else self.to_site(name)
            if grid is None:
                raise FormatError(f"there is no grid '{name}'", where=where, received=name, do="add it to site.toml")
            x, y = (float(value) for value in grid.to_site([[x, y]])[0])
        return x, y

    def _reading(
        self, cell: object, heading: Heading, number: int, shared: dict[str, object], table: Table
    ) -> dict[str, object]:
        where = f"{table.where}, row {number}"
        name = heading.name
        try:
            parsed = number_in_cell(cell, decimal_comma=table.decimal_comma)
            value = np.nan if parsed is None else heading.factor * in_unit(parsed, name)
        except ValueError as error:
            formula = isinstance(cell, UnsavedFormula)
            do = "open the file in a spreadsheet program and save it again" if formula else "mend the cell"
            problem = f"{name} holds a formula whose value was not saved" if formula else f"{name} is not a number"
            raise FormatError(problem, where=where, received=str(cell).strip(), do=do) from error
        if parsed is None:
            received = "nothing" if cell is None else str(cell).strip() or "nothing"
            raise FormatError(f"{name} is blank", where=where, received=received, do="fill it in or remove the row")
        if isinstance(cell, ShownAsPercent) or parsed.unit:
            self._tell("percent" if parsed.unit == "percent" else "fraction", number, name)
        if parsed.note:
            self._tell("note", number, parsed.note)
        self.attempts.setdefault((name, heading.text, table.where), []).append((number, value))
        given = shared.get("bulk_g_per_cm3", np.nan)
        bulk = float(given) if isinstance(given, float) and np.isfinite(given) else self.options.bulk_g_per_cm3
        options = self.options
        try:
            vwc = vwc_of(
                name, value, bulk_g_per_cm3=bulk, relation=options.relation, calibrate=options.calibrate, where=where
            )
        except InputError as error:
            raise FormatError(error.problem, where=where, received=error.received, do="mend the value") from error
        if not VWC_LOWEST <= vwc <= VWC_HIGHEST:
            plain = options.calibrate is None and name.startswith("vwc")
            raise FormatError(
                f"water content must lie between {VWC_LOWEST:g} and {VWC_HIGHEST:g} m³/m³",
                where=where,
                received=f"{name} {value:g}" + ("" if plain else f", which makes {vwc:.3f} m³/m³"),
                do="mend the value or remove the row",
            )
        note = "; ".join(part for part in (str(shared.get("note", "")), parsed.note) if part)
        reading = {**shared, "vwc": vwc, "written": value, "note": note, "row": number}
        if heading.depth is not None:
            reading |= _depth_columns(heading.depth)
        reading.pop("bulk_g_per_cm3", None)
        return reading

    def _optional(self, table: Table, row: TableRow, name: str, factor: float, limits: tuple[float, float]) -> float:
        try:
            number = parse_number(row.cells.get(name), decimal_comma=table.decimal_comma)
        except ValueError:
            number = np.inf
        if number is None or limits[0] <= number * factor <= limits[1]:
            return np.nan if number is None else number * factor
        self.findings.append(
            Finding(
                "fault",
                "reading-value",
                f"{name} is left blank: it must be a number between {limits[0]:g} and {limits[1]:g}",
                where=f"{table.where}, row {row.number}",
                received=row.text(name),
                do="mend the cell",
            )
        )
        return np.nan

    def _tell(self, kind: str, row: int, text: str) -> None:
        self._told.setdefault(kind, []).append(f"row {row}" + (f": {text}" if kind in ("note", "surplus") else ""))

    def _say(self, where: str) -> None:
        """One finding for all cells that were read in the same way."""
        texts = {
            "percent": "cells that carry a sign of percent are read as percent",
            "fraction": "cells that carry m³/m³ are read as that",
            "note": "cells hold a note beside the number: the number is read, the note is kept",
            "surplus": "cells right of the table are not read",
            "merged": "cells merged over several rows count as one reading, in their first row",
        }
        for kind, rows in self._told.items():
            received = ", ".join(rows[:8]) + (f" … ({len(rows)} in all)" if len(rows) > 8 else "")
            grade = "warning" if kind in ("note", "merged") else "found"
            self.findings.append(Finding(grade, f"readings-{kind}", texts[kind], where=where, received=received))  # type: ignore[arg-type]
        self._told.clear()


def _depth_columns(depth: Depth) -> dict[str, object]:
    ends = {} if depth.from_m is None else {"depth_from_m": depth.from_m, "depth_to_m": depth.to_m}
    return {"depth_m": depth.middle_m, **ends}


def _is_blank(cell: object) -> bool:
    if isinstance(cell, UnsavedFormula):
        return False
    try:
        return number_in_cell(cell) is None
    except ValueError:
        return False


def _use_of(rows: list[tuple[TableRow, list[object]]], where: str) -> dict[int, bool]:
    """Which rows the column use keeps.

    Raises
    ------
    FormatError : a word that is neither yes nor no; or only some rows say yes and none says no.
    """
    yes, no = {"yes", "y", "true", "1", "x", "use"}, {"no", "n", "false", "0"}
    words = {row.number: row.text("use").lower() for row, _ in rows}
    for number, word in words.items():
        if word and word not in yes | no:
            raise FormatError(
                "use must be yes or no", where=f"{where}, row {number}", received=word, do="mend the cell"
            )
    said, blank = set(words.values()), "" in words.values()
    if blank and said & yes and not said & no:
        raise FormatError(
            "some rows say yes and the others nothing",
            where=where,
            received=f"{sum(not word for word in words.values())} blank of {len(words)}",
            do="write no where a reading is not to be used",
        )
    return {number: word not in no for number, word in words.items()}


def _time(row: TableRow) -> str:
    """Date and time as the file has them, in one text."""
    cell, day = row.cells.get("time"), row.cells.get("date")
    text = cell.isoformat() if isinstance(cell, (dt.datetime, dt.date, dt.time)) else row.text("time")
    if isinstance(day, dt.datetime):
        day = day.date()
    date = day.isoformat() if isinstance(day, dt.date) else row.text("date")
    return f"{date}T{text}" if date and text and "T" not in text else text or date
