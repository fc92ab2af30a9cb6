"""Cells of moisture readings: numbers with a sign of percent or a note beside them, and what a spreadsheet adds."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from yewline.formats.table_rows import parse_number

__all__ = ["CellNumber", "ShownAsPercent", "UnsavedFormula", "number_in_cell"]

_NUMBER_AND_MORE = re.compile(r"([+-]?\d*[.,]?\d+)\s*(\D.*)")
_FRACTION: Final = frozenset({"m3/m3", "m³/m³", "cm3/cm3", "cm³/cm³"})
_UNITS: Final = frozenset({"mm", "cm", "m", "g", "kg", "us", "µs", "mv", "v", "g/g", "counts", "°c", "ms/m"})


class ShownAsPercent(float):
    """A number that a spreadsheet shows as percent: 0.23 that reads 23 %."""


class UnsavedFormula(str):
    """A formula whose value the program that wrote it did not save."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class CellNumber:
    """A number, the unit that stands in the cell itself ("percent", "fraction" or none), and a note beside it."""

    value: float
    unit: str = ""
    note: str = ""


def number_in_cell(cell: object, *, decimal_comma: bool = False) -> CellNumber | None:
    """The number in a cell of moisture, or None where it is blank.

    Raises
    ------
    ValueError : there is none, or more than one, or one with a unit of something else.

    Examples
    --------
    >>> number_in_cell("23,5 wet", decimal_comma=True)
    CellNumber(value=23.5, unit='', note='wet')
    >>> number_in_cell("23 %")
    CellNumber(value=23.0, unit='percent', note='')
    """
    if isinstance(cell, UnsavedFormula):
        raise ValueError("it holds a formula whose value was not saved")
    if isinstance(cell, ShownAsPercent):
        return CellNumber(100.0 * cell, "percent")
    try:
        number = parse_number(cell, decimal_comma=decimal_comma)
    except ValueError:
        parts = _NUMBER_AND_MORE.fullmatch(str(cell).strip())
        if parts is None:
            raise
        return _with_more(parts[1], parts[2].strip(), decimal_comma)
    return None if number is None else CellNumber(number)


def _with_more(number: str, more: str, decimal_comma: bool) -> CellNumber:
    value = parse_number(number, decimal_comma=decimal_comma)
    if value is None:  # pragma: no cover - the pattern holds digits
        raise ValueError("not a number")
    unit = ""
    if more.startswith("%"):
        unit, more = "percent", more[1:].strip()
    elif more.split()[0].lower() in _FRACTION:
        unit, more = "fraction", more[len(more.split()[0]) :].strip()
    # "20-25", "0.2.1" and "12 cm" are not a number with a note.
    if any(letter.isdigit() for letter in more) or (more and more.split()[0].lower() in _UNITS):
        raise ValueError("not one number")
    if more and not unit and not (more[0].isalpha() or more[0] in "([?*!"):
        raise ValueError("not one number")
    return CellNumber(value, unit, more.strip("() []"))
