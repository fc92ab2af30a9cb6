"""Soil-moisture readings from CSV or XLSX as people keep them: what is meant is declared by names, never guessed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from yewline.errors import FormatError
from yewline.formats.reading_headings import PLAIN_COLUMNS, depth_in
from yewline.formats.reading_layout import ReadingTable
from yewline.formats.reading_matrix import matrix_quantity, matrix_said
from yewline.formats.reading_rows import ReadingOptions, RowReader, ToGrid
from yewline.formats.reading_sheets import Laid, find_readings
from yewline.formats.reading_units import check_unit
from yewline.formats.table_rows import nearest_name
from yewline.model import READING_COLUMNS, READING_QUANTITIES, Finding, make_readings

__all__ = ["read_readings"]

_PLAIN: Final = ReadingOptions()
_UNIT_SAID: Final = {
    "vwc": "declared in m³/m³",
    "vwc_percent": "declared in percent",
    "g_per_g": "declared in g/g, times the bulk density",
    "g_per_g_percent": "declared in percent by mass, times the bulk density",
    "permittivity": "from permittivity",
    "reading": "from what the probe shows",
}


def read_readings(
    path: Path, *, to_site: ToGrid | None = None, options: ReadingOptions = _PLAIN
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read moisture readings in site metres and m³/m³.

    Either a table or a matrix laid out like the ground. A table has columns x and y, or line and distance_m; and one of
    vwc (m³/m³), vwc_percent (%), g_per_g or g_per_g_percent (by mass, with bulk_g_per_cm3), permittivity, or reading
    (what the probe shows), or several of one kind for several depths (vwc_10cm, vwc_30cm); optional depth_m or
    depth_from_m and depth_to_m, temperature_c, ec_ms_per_m, date, time, grid, use and note. A matrix has x in its first
    row, y in its first column and the quantity in its corner. Upper and lower case are alike; headings may carry units
    in brackets or in a second row. A row that cannot be used becomes a fault and the others still load, but a mistake
    of unit rejects the file: every reading would be wrong alike.

    Parameters
    ----------
    path : ``.xlsx`` is read as a workbook, anything else as delimited text.
    to_site : gives the grid of a name (None if there is none); needed where the column grid is used.
    options : what the file does not say of itself.

    Returns
    -------
    readings : columns of `model.READING_COLUMNS`.
    findings : layout detected, unit, how each heading and cell was understood, and a fault for each row left out.

    Raises
    ------
    FormatError : unreadable, columns missing, unit not declared or contradictory, percent declared as fraction, two
        units in one column, values out of physical range, several sheets that could be meant, or no usable row.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "readings.csv"
    ...     _ = table.write_text("x,y,vwc_percent\\n1,2,23.5\\n3,2,21\\n")
    ...     readings, findings = read_readings(table)
    >>> readings["vwc"].round(4).tolist()
    [0.235, 0.21]
    """
    found, findings = find_readings(path, sheet=options.sheet)
    if options.exclude_rows and len(found) > 1:
        do = "add a column use to the sheets, and write no where a reading is not to be used"
        raise FormatError("rows of several sheets cannot be excluded by number", where=str(path), do=do)
    reader = RowReader(options, to_site)
    rows: list[dict[str, object]] = []
    for laid in found:
        findings += _unused_columns(laid) if isinstance(laid, ReadingTable) else []
        rows += _rows(laid, reader)
    for (quantity, text, where), values in reader.attempts.items():
        if options.calibrate is None:
            findings += check_unit(quantity, text, values, where)
    findings += reader.findings
    if not rows:
        raise _nothing(path, found, findings)
    findings += _excluded(reader, options, path)
    findings.append(_unit_said(reader, len(rows), calibrated=options.calibrate is not None, where=found[0].sheet.where))
    columns = {name: [row.get(name, default) for row in rows] for name, default in READING_COLUMNS.items()}
    return make_readings(**columns), findings  # type: ignore[arg-type]


def _rows(laid: Laid, reader: RowReader) -> list[dict[str, object]]:
    depth = depth_in(laid.sheet.title)
    if isinstance(laid, ReadingTable):
        reader.findings += laid.findings
        return reader.of_table(laid, depth)
    quantity = matrix_quantity(laid, reader.options.unit)
    reader.findings += matrix_said(laid, quantity, reader.options.matrix_rows)
    return reader.of_matrix(laid, quantity, depth)


def _nothing(path: Path, found: list[Laid], findings: list[Finding]) -> FormatError:
    """The error for a file of which no row is left, with what is wrong with the first."""
    fault = next((finding for finding in findings if finding.grade == "fault"), None)
    received = f"{sum(len(laid.sheet.rows) - 1 for laid in found)} rows"
    if fault is None:
        return FormatError("no usable reading", where=str(path), received=received, do="give x, y and vwc in each")
    first = f"{received}; {fault.where.rpartition(', ')[2]}: {fault.text}"
    return FormatError("no usable reading", where=str(path), received=first, do=fault.do)


def _excluded(reader: RowReader, options: ReadingOptions, path: Path) -> list[Finding]:
    findings = []
    if reader.excluded:
        rows = ", ".join(str(row) for row in reader.excluded[:20]) + (" …" if len(reader.excluded) > 20 else "")
        text = f"{len(reader.excluded)} rows are left out, as the settings or the column use say"
        findings.append(Finding("found", "readings-excluded", text, where=str(path), received=f"rows {rows}"))
    missing = [row for row in options.exclude_rows if row not in reader.excluded]
    if missing:
        text, do = "exclude_rows names rows that hold no reading", "rows count from 1, with those above the table"
        received = ", ".join(str(row) for row in missing)
        findings.append(Finding("warning", "readings-excluded-none", text, where=str(path), received=received, do=do))
    return findings


def _unit_said(reader: RowReader, n: int, *, calibrated: bool, where: str) -> Finding:
    quantities = dict.fromkeys(quantity for quantity, _, _ in reader.attempts)
    said = "calibrated" if calibrated else "; ".join(_UNIT_SAID[quantity] for quantity in quantities)
    return Finding("found", "readings-unit", f"{n} readings, {said}", where=where)


def _unused_columns(table: ReadingTable) -> list[Finding]:
    findings = []
    free = set(PLAIN_COLUMNS) - set(table.plain)
    where = f"{table.sheet.where}, row {table.header_row}"
    for text in table.unknown:
        near = nearest_name(text, free | ({*READING_QUANTITIES} if not table.quantities else set()))
        said = f"column '{text.lower()}' is not used"
        if near:
            findings.append(Finding("warning", "column-unused", said, where=where, do=f"did you mean '{near}'?"))
        else:
            findings.append(Finding("found", "column-unused", said, where=where))
    if {"x", "y", "line", "distance_m"} <= set(table.plain):
        text = "readings are placed by x and y; line and distance_m are only kept"
        findings.append(Finding("found", "readings-placed", text, where=where))
    return findings
