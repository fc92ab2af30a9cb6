"""Outlines as a CSV of corners: one row a corner, the outline's attributes repeated in each of its rows."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from yewline.errors import FormatError, InputError
from yewline.formats.atomic import write_atomic
from yewline.formats.raw_outlines import RawOutline, RawOutlines, attribute_name
from yewline.formats.table_rows import Table, TableRow, parse_number, read_table
from yewline.model import Finding, Grid

__all__ = ["read_raw_corners", "write_corners_csv"]

ToGrid = Callable[[str], Grid | None]


def read_raw_corners(
    path: Path, names: Sequence[str], *, id_names: Sequence[str], to_site: ToGrid | None = None
) -> RawOutlines:
    """Read a CSV of corners.

    Columns x and y; one of `id_names` tells the outlines apart (without it all rows are one outline); corner
    gives their order (else that of the rows); grid names the grid that x and y are measured in. A corner that
    cannot be read leaves its outline without geometry, and the `fault` says why.

    Parameters
    ----------
    path : the table.
    names : further columns that the table may have.
    id_names : names of the column that tells outlines apart, the best first.
    to_site : gives the grid of a name.
    """
    known = ("x", "y", "corner", "grid", *id_names, *names)
    numeric = ("x", "y", "corner", *(name for name in names if name.endswith(("_m", "_m2", "_deg"))))
    table = read_table(path, known=known, required=(("x",), ("y",)), numeric=numeric)
    id_column = attribute_name(id_names[0], table.columns, id_names[1:])
    groups: dict[str, list[TableRow]] = {}
    for row in table.rows:
        groups.setdefault(row.text(id_column) if id_column else "", []).append(row)
    findings = list(table.findings)
    features = tuple(_outline(table, name, rows, to_site, findings) for name, rows in groups.items())
    return RawOutlines(table.where, features, "nothing", None, tuple(findings))


def write_corners_csv(path: Path, table: gpd.GeoDataFrame) -> None:
    """Write outlines as a CSV of corners, in site metres to a tenth of a millimetre; rings are not repeated shut.

    Parameters
    ----------
    path : file to write; a file of that name is replaced in one step.
    table : outlines, each one polygon without holes; the first column is the id.

    Raises
    ------
    InputError : an outline has holes or several parts, which rows of corners cannot hold.
    """
    names = [str(name) for name in table.columns if name != table.geometry.name]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*names[:1], "corner", "x", "y", *names[1:]])
    for number, geometry in enumerate(table.geometry):
        values = [_cell(table[name].iloc[number]) for name in names]
        if not isinstance(geometry, shapely.Polygon) or geometry.is_empty or len(geometry.interiors):
            raise InputError(
                "rows of corners hold only single outlines without holes",
                received=f"{geometry.geom_type} in row {number}",
                do="write a GeoPackage instead",
            )
        for corner, (x, y, *_) in enumerate(geometry.exterior.coords[:-1], start=1):
            writer.writerow([*values[:1], corner, f"{x:.4f}", f"{y:.4f}", *values[1:]])
    write_atomic(path, text.getvalue().encode())


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, (float, np.floating)) and not math.isfinite(value)):
        return ""
    return repr(float(value)) if isinstance(value, (float, np.floating)) else str(value)


def _outline(
    table: Table, name: str, rows: list[TableRow], to_site: ToGrid | None, findings: list[Finding]
) -> RawOutline:
    place = f"{table.where}, rows {rows[0].number} to {rows[-1].number}"
    attributes = _attributes(table, rows, place, findings)
    try:
        corners = sorted((_corner(table, row, order, to_site) for order, row in enumerate(rows)), key=lambda c: c[0])
        order = [corner[0] for corner in corners]
        if len(set(order)) != len(order):
            raise FormatError("two corners have the same number", where=place, received=name)
        ring = [corner[1:] for corner in corners]
        if len(set(ring)) < 3:
            raise FormatError(f"an outline needs three corners, this has {len(set(ring))}", where=place)
    except FormatError as error:
        return RawOutline(error.where or place, None, attributes, fault=error.problem)
    return RawOutline(place, shapely.Polygon(ring), attributes)


def _corner(table: Table, row: TableRow, order: int, to_site: ToGrid | None) -> tuple[float, float, float]:
    where = f"{table.where}, row {row.number}"
    values: list[float] = []
    for name in ("x", "y"):
        try:
            number = parse_number(row.cells.get(name), decimal_comma=table.decimal_comma)
        except ValueError:
            number = None
        if number is None or row.surplus:
            raise FormatError(f"{name} of a corner is not a number: {row.text(name) or 'blank'}", where=where)
        values.append(number)
    grid_name = row.text("grid")
    if grid_name:
        grid = None if to_site is None else to_site(grid_name)
        if grid is None:
            raise FormatError(f"there is no grid '{grid_name}'", where=where)
        values = grid.to_site([values])[0].tolist()
    try:
        given = parse_number(row.cells.get("corner"))
    except ValueError as error:
        raise FormatError(f"corner is not a number: {row.text('corner')}", where=where) from error
    return (float(order) if given is None else given), values[0], values[1]


def _attributes(table: Table, rows: list[TableRow], place: str, findings: list[Finding]) -> dict[str, Any]:
    attributes: dict[str, Any] = {}
    for name in table.columns:
        if name in ("", "x", "y", "corner", "grid"):
            continue
        given = sorted({row.text(name) for row in rows if row.text(name)})
        first = next((row.text(name) for row in rows if row.text(name)), None)
        if first is not None and table.decimal_comma:
            first = _point_for_comma(first)
        attributes[name] = first
        if len(given) > 1:
            text = f"{name} differs between the corners of one outline: the first is taken"
            findings.append(
                Finding("warning", "corners-differ", text, where=place, received=", ".join(given)[:80], do="mend them")
            )
    return attributes


def _point_for_comma(text: str) -> str:
    try:
        number = parse_number(text, decimal_comma=True)
    except ValueError:
        return text
    return text if number is None else text.replace(",", ".")
