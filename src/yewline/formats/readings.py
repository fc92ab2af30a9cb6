"""Soil-moisture readings from CSV or XLSX: fraction or percent declared by the column's name, never guessed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from yewline.errors import FormatError
from yewline.formats.number_table import required_number
from yewline.formats.table_rows import Table, TableRow, nearest_name, parse_number, read_sheet, read_table
from yewline.model import VWC_HIGHEST, VWC_LOWEST, Finding, Grid, make_readings

__all__ = ["read_readings"]

_WATER = ("vwc", "vwc_percent")
_OPTIONAL = {"depth_m": (0.0, 5.0), "temperature_c": (-40.0, 70.0)}
_NUMERIC = ("x", "y", *_WATER, *_OPTIONAL)
_KNOWN = (*_NUMERIC, "time", "grid")
_REQUIRED = (("x",), ("y",), _WATER)

ToGrid = Callable[[str], Grid | None]


def read_readings(path: Path, *, to_site: ToGrid | None = None) -> tuple[pd.DataFrame, list[Finding]]:
    """Read moisture readings in site metres and m³/m³.

    Columns x, y and exactly one of vwc (m³/m³) or vwc_percent (%); optional depth_m, temperature_c, time and
    grid. Upper and lower case are alike. A row that cannot be used becomes a fault and the others still load,
    but a mistake of unit rejects the file: every reading would be wrong alike.

    Parameters
    ----------
    path : ``.xlsx`` is read as a workbook, anything else as delimited text.
    to_site : gives the grid of a name (None if there is none); needed where the column grid is used.

    Returns
    -------
    readings : columns x, y, vwc, depth_m, temperature_c, time, row.
    findings : layout detected, unit, and a fault for each row left out.

    Raises
    ------
    FormatError : unreadable, columns missing, both or neither unit declared, percent declared as fraction,
        values out of physical range, or no usable row.

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
    read = read_sheet if path.suffix.lower() in (".xlsx", ".xlsm") else read_table
    if path.suffix.lower() in (".xls", ".ods", ".numbers"):
        raise FormatError("a workbook of a kind that is not read", where=str(path), do="save it as XLSX or CSV")
    table = read(path, known=_KNOWN, required=_REQUIRED, numeric=_NUMERIC)
    unit = _declared_unit(table)
    findings = [*table.findings, *_unused_columns(table)]
    _check_unit(table, unit)
    rows: list[dict[str, object]] = []
    for row in table.rows:
        try:
            rows.append(_reading(table, row, unit, to_site, findings))
        except FormatError as error:
            findings.append(Finding.of_error(error, "reading-row"))
    if not rows:
        raise FormatError(
            "no usable reading", where=table.where, received=f"{len(table.rows)} rows", do="give x, y and vwc in each"
        )
    told = "m³/m³" if unit == "vwc" else "percent"
    findings.append(Finding("found", "readings-unit", f"{len(rows)} readings, declared in {told}", where=table.where))
    findings += _fraction_in_percent(table, unit, rows)
    columns = {name: [row[name] for row in rows] for name in rows[0]}
    return make_readings(**columns), findings  # type: ignore[arg-type]


def _declared_unit(table: Table) -> str:
    declared = [name for name in _WATER if name in table.columns]
    if len(declared) == 2:
        raise FormatError(
            "both vwc and vwc_percent are given",
            where=f"{table.where}, row {table.header_row}",
            received=", ".join(table.columns),
            do="keep one: vwc in m³/m³ or vwc_percent in percent",
        )
    return declared[0]


def _unused_columns(table: Table) -> list[Finding]:
    findings = []
    for name in table.columns:
        if not name or name in _KNOWN:
            continue
        near = nearest_name(name, set(_KNOWN) - set(table.columns))
        where = f"{table.where}, row {table.header_row}"
        if near:
            text = f"column '{name}' is not used"
            findings.append(Finding("warning", "column-unused", text, where=where, do=f"did you mean '{near}'?"))
        else:
            findings.append(Finding("found", "column-unused", f"column '{name}' is not used", where=where))
    return findings


def _check_unit(table: Table, unit: str) -> None:
    """Refuse the file where its typical value cannot be of the declared unit."""
    values = []
    for row in table.rows:
        try:
            number = parse_number(row.cells.get(unit), decimal_comma=table.decimal_comma)
        except ValueError:
            continue
        if number is not None:
            values.append(number)
    if not values:
        return
    # The median, so that one slip of the pen does not speak for the whole file.
    typical = float(np.median(values))
    if unit == "vwc" and VWC_HIGHEST < typical <= 100:
        many = typical > 1
        raise FormatError(
            "the readings look like percent declared as fraction" if many else "water content out of physical range",
            where=f"{table.where}, column vwc",
            received=f"median {typical:g} m³/m³",
            do="name the column vwc_percent if the values are percent"
            if many
            else f"values lie between {VWC_LOWEST:g} and {VWC_HIGHEST:g} m³/m³",
        )
    highest = VWC_HIGHEST if unit == "vwc" else 100 * VWC_HIGHEST
    if not VWC_LOWEST <= typical <= highest:
        raise FormatError(
            "water content out of physical range",
            where=f"{table.where}, column {unit}",
            received=f"median {typical:g}",
            do=f"{unit} lies between {VWC_LOWEST:g} and {highest:g}; raw counts of a probe must be converted first",
        )


def _fraction_in_percent(table: Table, unit: str, rows: list[dict[str, object]]) -> list[Finding]:
    highest = max(float(row["vwc"]) for row in rows) * 100  # type: ignore[arg-type]
    if unit != "vwc_percent" or highest >= 1:
        return []
    return [
        Finding(
            "warning",
            "readings-look-like-fraction",
            "all readings in percent are below 1: they look like fractions",
            where=f"{table.where}, column vwc_percent",
            received=f"highest {highest:g} %",
            do="name the column vwc if the values are m³/m³",
        )
    ]


def _reading(
    table: Table, row: TableRow, unit: str, to_site: ToGrid | None, findings: list[Finding]
) -> dict[str, object]:
    where = f"{table.where}, row {row.number}"
    if row.surplus:
        raise FormatError(
            "the row has more cells than the header names",
            where=where,
            received=f"{len(row.surplus)} more",
            do="with decimal commas separate by semicolons",
        )
    x, y, water = (required_number(table, row, name) for name in ("x", "y", unit))
    vwc = water / 100 if unit == "vwc_percent" else water
    if not VWC_LOWEST <= vwc <= VWC_HIGHEST:
        raise FormatError(
            f"water content must lie between {VWC_LOWEST:g} and {VWC_HIGHEST:g} m³/m³",
            where=where,
            received=f"{unit} {water:g}",
            do="mend the value or remove the row",
        )
    grid = _grid(row, where, to_site)
    if grid is not None:
        x, y = (float(value) for value in grid.to_site([[x, y]])[0])
    reading: dict[str, object] = {"x": x, "y": y, "vwc": vwc}
    for name, (low, high) in _OPTIONAL.items():
        reading[name] = _optional(table, row, name, (low, high), findings)
    return {**reading, "time": _time(row), "row": row.number}


def _optional(table: Table, row: TableRow, name: str, limits: tuple[float, float], findings: list[Finding]) -> float:
    try:
        number = parse_number(row.cells.get(name), decimal_comma=table.decimal_comma)
    except ValueError:
        number = np.inf
    if number is None or limits[0] <= number <= limits[1]:
        return np.nan if number is None else number
    findings.append(
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


def _grid(row: TableRow, where: str, to_site: ToGrid | None) -> Grid | None:
    name = row.text("grid")
    if not name:
        return None
    grid = None if to_site is None else to_site(name)
    if grid is None:
        raise FormatError(f"there is no grid '{name}'", where=where, received=name, do="add it to site.toml")
    return grid


def _time(row: TableRow) -> str:
    cell = row.cells.get("time")
    return cell.isoformat() if isinstance(cell, (dt.datetime, dt.date, dt.time)) else row.text("time")
