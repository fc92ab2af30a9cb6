"""Which sheets of a file hold the readings: those that are named, or the only one that can be meant."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from yewline.errors import FormatError
from yewline.formats.raw_sheets import RawSheet, text_sheets, workbook_sheets
from yewline.formats.reading_headings import depth_in
from yewline.formats.reading_layout import ReadingTable, find_table, refuse_headings
from yewline.formats.reading_matrix import ReadingMatrix, find_matrix
from yewline.formats.table_rows import HEADER_SEARCH_ROWS
from yewline.model import Finding

__all__ = ["Laid", "find_readings"]

Laid = ReadingTable | ReadingMatrix


def find_readings(path: Path, *, sheet: tuple[str, ...] = ()) -> tuple[list[Laid], list[Finding]]:
    """Tables and matrices of readings in a file.

    Parameters
    ----------
    path : ``.xlsx`` is read as a workbook, anything else as delimited text.
    sheet : names of the sheets of a workbook; empty where only one can be meant.

    Raises
    ------
    FormatError : unreadable; no sheet has readings, or several and none is named; columns missing.
    """
    suffix = path.suffix.lower()
    if suffix in (".xls", ".ods", ".numbers"):
        raise FormatError("a workbook of a kind that is not read", where=str(path), do="save it as XLSX or CSV")
    if suffix in (".xlsx", ".xlsm"):
        return _in_workbook(path, sheet)
    if sheet:
        do = "take sheet out of [readings], or save the table as XLSX"
        raise FormatError("a text file has no sheets", where=str(path), received=", ".join(sheet), do=do)
    return _in_text(path)


def _in_text(path: Path) -> tuple[list[Laid], list[Finding]]:
    cuts = text_sheets(path)
    tables = [table for cut in cuts if (table := find_table(cut)) is not None]
    best = max(tables, key=lambda table: (table.complete, _known(table)), default=None)
    matrix = None if best is not None and best.complete else _matrix(cuts)
    if matrix is None and (best is None or not best.complete):
        raise refuse_headings(best, str(path))
    laid: Laid = matrix or best  # type: ignore[assignment]
    detected = laid.sheet.title + (", decimal comma" if laid.decimal_comma else "")
    return [laid], [*laid.sheet.findings, Finding("found", "table-layout", detected, where=str(path))]


def _in_workbook(path: Path, named: tuple[str, ...]) -> tuple[list[Laid], list[Finding]]:
    sheets = workbook_sheets(path)
    titles = [sheet.title for sheet in sheets]
    for name in named:
        if name not in titles:
            do = f"sheets here: {', '.join(titles)}"
            raise FormatError("there is no such sheet", where=str(path), received=name, do=do)
    looked = [sheet for sheet in sheets if not named or sheet.title in named]
    tables = {sheet.title: find_table(sheet) for sheet in looked}
    laid: list[Laid] = [table for table in tables.values() if table is not None and table.complete]
    if named or not laid:
        whole = {each.sheet.title for each in laid}
        laid += [matrix for sheet in looked if sheet.title not in whole and (matrix := find_matrix(sheet)) is not None]
    missing = [name for name in named if name not in {each.sheet.title for each in laid}]
    if missing:
        raise refuse_headings(tables[missing[0]], f"{path}, sheet '{missing[0]}'")
    if not laid:
        partly = [table for table in tables.values() if table is not None]
        if len(partly) == 1:
            raise refuse_headings(partly[0], partly[0].sheet.where)
        raise FormatError(
            f"no sheet has a header row with x, y, vwc or vwc_percent among its first {HEADER_SEARCH_ROWS} rows",
            where=str(path),
            received=f"sheets {', '.join(titles)}",
            do="name the columns in one row above the values",
        )
    findings = _chosen(path, laid, titles, named)
    return laid, findings


def _chosen(path: Path, laid: Sequence[Laid], titles: Sequence[str], named: tuple[str, ...]) -> list[Finding]:
    """What was chosen; refused where several sheets fit and none is named."""
    fit = [each.sheet.title for each in laid]
    depths = [depth_in(title) for title in fit]
    if len(laid) > 1 and not named and not (all(depths) and len(set(depths)) == len(depths)):
        raise FormatError(
            "several sheets hold readings, and none is named",
            where=str(path),
            received=f"sheets {', '.join(fit)}",
            do=f'write sheet = "{fit[0]}" under [readings] in visit.toml, or a list if all are of this visit',
        )
    findings = []
    for each in laid:
        layout = f"read from sheet '{each.sheet.title}', header in row {each.header_row}"
        layout += ", decimal comma" if each.decimal_comma else ""
        findings.append(Finding("found", "table-layout", layout, where=str(path)))
        if depth_in(each.sheet.title) is not None:
            text = f"sheet '{each.sheet.title}' is taken for that depth where it has no column of depths"
            findings.append(Finding("found", "readings-sheet-depth", text, where=str(path)))
        findings += each.sheet.findings
    left = [title for title in titles if title not in fit]
    if left:
        findings.append(
            Finding(
                "found", "readings-sheets-left", "sheets that are not read", where=str(path), received=", ".join(left)
            )
        )
    return findings


def _matrix(cuts: Sequence[RawSheet]) -> ReadingMatrix | None:
    found = [matrix for cut in cuts if (matrix := find_matrix(cut)) is not None]
    return max(found, key=lambda matrix: len(matrix.across), default=None)


def _known(table: ReadingTable) -> int:
    return len(table.plain) + len(table.quantities)
