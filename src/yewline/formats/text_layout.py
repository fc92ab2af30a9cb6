"""How a delimited text file is laid out: encoding, declarations, separator, decimal mark, header row.

Declarations are comment rows ``# key = value`` (or ``key: value``) with the keys in `DECLARATIONS`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from yewline.errors import FormatError
from yewline.model import Finding

__all__ = ["DECLARATIONS", "TextLayout", "TextRow", "decode_file", "is_number", "read_layout", "split_row", "to_number"]

DECLARATIONS = ("interval_ns", "delay_ns", "rows", "samples", "traces", "x", "y", "line")
"""Keys of comment rows that count; ``rows`` is ``samples`` or ``traces``; x, y, line have a value for each trace."""

_COMMENTS = ("#", "%", "//")
_DECLARATION = re.compile(r"^\W*(\w+)\s*[=:]\s*(.+?)\s*$")
_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?$")
_MISSING = ("", "na")
_SPECIAL = {"nan", "-nan", "inf", "+inf", "-inf", "infinity", "-infinity", *_MISSING}
# In order of preference where several fit equally well: (separator, decimal mark).
_CHOICES = (("\t", "."), (";", "."), ("\t", ","), (";", ","), (",", "."), (" ", "."), (" ", ","))
_SEPARATOR_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
_LOOKED_AT = 40


@dataclass(frozen=True, slots=True)
class TextRow:
    """One row that is not blank and no comment: its number from 1, the byte it begins at, its text."""

    number: int
    byte: int
    text: str


@dataclass(frozen=True, slots=True)
class TextLayout:
    """How the file is laid out; `header` has the names of the columns, or is empty; `width` is their number."""

    separator: str
    decimal: str
    header: tuple[str, ...]
    width: int
    declared: dict[str, str]
    rows: tuple[TextRow, ...]
    notes: tuple[Finding, ...]


def decode_file(raw: bytes, where: str) -> tuple[str, str]:
    """The file's text and its encoding: UTF-8, UTF-16 with a byte-order mark, else Latin-1.

    Raises
    ------
    FormatError : a byte that no text has.
    """
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            text, encoding = raw.decode("utf-16"), "UTF-16"
        except UnicodeDecodeError as error:
            raise FormatError(
                "not a text file", where=f"{where}, byte {error.start}", do="export it as text"
            ) from error
    else:
        try:
            text, encoding = raw.decode("utf-8-sig"), "UTF-8"
        except UnicodeDecodeError:
            text, encoding = raw.decode("latin-1"), "Latin-1"
    bad = re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text.rstrip("\x1a"))  # 0x1A ended text files once
    if bad is not None:
        raise FormatError(
            "not a text file: it holds binary bytes",
            where=f"{where}, byte {bad.start()}",
            received=f"0x{ord(bad[0]):02x}",
            do="export the line as text, or describe the file in a TOML file beside it",
        )
    return text.rstrip("\x1a"), encoding


def is_number(cell: str, decimal: str = ".") -> bool:
    """Whether a cell is a number (blank and NaN count) with this decimal mark.

    Examples
    --------
    >>> is_number("1,5"), is_number("1,5", ","), is_number("nan"), is_number("x1")
    (False, True, True, False)
    """
    text = cell.strip()
    if decimal == ",":
        if "." in text:
            return False
        text = text.replace(",", ".")
    return text.lower() in _SPECIAL or _NUMBER.match(text) is not None


def to_number(cell: str, decimal: str = ".") -> float:
    """The number in a cell that `is_number` accepts; blank is NaN.

    Examples
    --------
    >>> to_number("1,5", ","), to_number("2.5D-1")
    (1.5, 0.25)
    """
    text = cell.strip().lower()
    if text in _MISSING:
        return math.nan
    if decimal == ",":
        text = text.replace(",", ".")
    # Fortran writes exponents with a D.
    return float(text if "n" in text else text.replace("d", "e"))


def split_row(text: str, separator: str) -> list[str]:
    """Cells of a row; blanks in any number separate once."""
    if separator == " ":
        return text.split()
    return [cell.strip() for cell in text.split(separator)]


def _closed(cells: list[str]) -> list[str]:
    """Cells without the empty one behind a separator that closes the row."""
    return cells[:-1] if len(cells) > 1 and cells[-1] == "" else cells


def read_layout(text: str, where: str) -> TextLayout:
    """Find out how a text is laid out.

    Raises
    ------
    FormatError : there are no rows of numbers.
    """
    declared, rows = _rows(text)
    if not rows:
        raise FormatError(
            "no traces: the text holds no numbers",
            where=f"{where}, row 1",
            received=f"{len(text)} characters",
            do="export the line again",
        )
    sample = [row.text for row in rows[: _LOOKED_AT + 1]]
    best, score = _CHOICES[0], (False, False, -1.0, -1.0)
    for separator, decimal in _CHOICES:
        found = _fit(sample, separator, decimal)
        if found > score:
            best, score = (separator, decimal), found
    if not score[0]:
        raise FormatError(
            "no traces: a header row and no rows of numbers" if len(rows) == 1 else "no numbers found in the text",
            where=f"{where}, row {rows[0].number}",
            received=repr(rows[0].text[:60]),
            do="export the line as a table of numbers",
        )
    separator, decimal = best
    first = _closed(split_row(rows[0].text, separator))
    header: tuple[str, ...] = ()
    if not all(is_number(cell, decimal) for cell in first):
        header, rows = tuple(cell.strip("\"' ") for cell in first), rows[1:]
    width = len(header) or max(len(_closed(split_row(row, separator))) for row in sample)
    return TextLayout(separator, decimal, header, width, declared, tuple(rows), _notes(best, header, width, where))


def _fit(sample: list[str], separator: str, decimal: str) -> tuple[bool, bool, float, float]:
    """How well a separator and decimal mark fit: mostly numbers, several columns, rows alike, share of numbers."""
    table = [_closed(split_row(row, separator)) for row in sample]
    # The first row may be a header, so it counts for the number of columns but not for the numbers.
    flat = [cell for row in table[1:] or table for cell in row]
    numeric = sum(is_number(cell, decimal) and cell != "" for cell in flat) / max(1, len(flat))
    widths = [len(row) for row in table]
    usual = max(set(widths), key=widths.count)
    return numeric >= 0.5, usual > 1, round(widths.count(usual) / len(widths), 3), round(numeric, 3)


def _rows(text: str) -> tuple[dict[str, str], list[TextRow]]:
    declared: dict[str, str] = {}
    rows: list[TextRow] = []
    byte = 0
    for number, line in enumerate(text.split("\n"), start=1):
        stripped = line.strip("\r ")
        if stripped.startswith(_COMMENTS):
            found = _DECLARATION.match(stripped)
            if found is not None and found[1].lower() in DECLARATIONS:
                declared[found[1].lower()] = found[2]
        elif stripped.strip():
            rows.append(TextRow(number, byte, stripped))
        byte += len(line.encode("utf-8", "replace")) + 1
    return declared, rows


def _notes(marks: tuple[str, str], header: tuple[str, ...], columns: int, where: str) -> tuple[Finding, ...]:
    separator, decimal = marks
    mark = "comma" if decimal == "," else "point"
    head = f"header row with {len(header)} names" if header else "no header row"
    text = f"separator {_SEPARATOR_NAMES[separator]}, decimal {mark}, {head}"
    return (Finding("assumed", "text-layout", text, where=where, received=f"{columns} columns"),)
