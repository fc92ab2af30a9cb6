"""Headings over moisture readings: the column that one stands for, with unit and depth as people write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from yewline.errors import FormatError
from yewline.model import READING_QUANTITIES

__all__ = ["PLAIN_COLUMNS", "Depth", "Heading", "depth_in", "is_unit", "parse_heading"]

PLAIN_COLUMNS: Final = (
    "x",
    "y",
    "line",
    "distance_m",
    "grid",
    "depth_m",
    "depth_from_m",
    "depth_to_m",
    "temperature_c",
    "ec_ms_per_m",
    "bulk_g_per_cm3",
    "date",
    "time",
    "use",
    "note",
)

_DEPTH = re.compile(r"(\d+(?:[.,]\d+)?)(?:\s*[-–]\s*(\d+(?:[.,]\d+)?))?\s*(mm|cm|m)\b")
_IN_BRACKETS = re.compile(r"(.+?)\s*[(\[]\s*(.+?)\s*[)\]]")
_METRES: Final = {"mm": 0.001, "cm": 0.01, "m": 1.0}

_PERCENT: Final = ("%", "percent", "vol%", "vol.%", "vol. %", "% vol", "vol-%")
_FRACTION: Final = ("m3/m3", "m³/m³", "cm3/cm3", "cm³/cm³", "m3 m-3")
_BY_VOLUME: Final = ("vwc", "volumetric water content", "volumetric moisture", "theta", "θ")
# A name and a unit as they stand in two cells or in brackets: the column, and what its numbers are multiplied by.
_WITH_UNIT: Final[dict[tuple[str, str], tuple[str, float]]] = {
    **{(name, unit): ("vwc_percent", 1.0) for name in (*_BY_VOLUME, "vwc_percent") for unit in _PERCENT},
    **{(name, unit): ("vwc", 1.0) for name in _BY_VOLUME for unit in _FRACTION},
    ("g_per_g", "g/g"): ("g_per_g", 1.0),
    ("gravimetric water content", "g/g"): ("g_per_g", 1.0),
    ("gravimetric water content", "%"): ("g_per_g_percent", 1.0),
    ("g_per_g_percent", "%"): ("g_per_g_percent", 1.0),
    ("permittivity", "-"): ("permittivity", 1.0),
    **{(name, "m"): (name, 1.0) for name in ("x", "y", "distance_m", "depth_m", "depth_from_m", "depth_to_m")},
    ("distance", "m"): ("distance_m", 1.0),
    **{("depth", unit): ("depth_m", factor) for unit, factor in _METRES.items()},
    **{(name, unit): ("temperature_c", 1.0) for name in ("temperature", "temperature_c") for unit in ("°c", "c")},
    **{(name, "ms/m"): ("ec_ms_per_m", 1.0) for name in ("ec", "ec_ms_per_m")},
    ("ec", "ds/m"): ("ec_ms_per_m", 100.0),
    ("ec", "ms/cm"): ("ec_ms_per_m", 100.0),
    **{("bulk density", unit): ("bulk_g_per_cm3", 1.0) for unit in ("g/cm3", "g/cm³")},
}
_UNITS: Final = {unit for _, unit in _WITH_UNIT} | {
    "ft",
    "feet",
    "in",
    "yd",
    "°f",
    "-",
    "counts",
    "us",
    "µs",
    "mv",
    "v",
}
_BASES: Final = {name for name, _ in _WITH_UNIT}


@dataclass(frozen=True, slots=True)
class Depth:
    """Middle of the ground that a probe stands for, and where that begins and ends (None where not named), m."""

    middle_m: float
    from_m: float | None = None
    to_m: float | None = None


@dataclass(frozen=True, slots=True)
class Heading:
    """A column: its name here, what its numbers are multiplied by, the depth in its heading, and the heading itself."""

    name: str
    factor: float
    depth: Depth | None
    text: str

    @property
    def is_quantity(self) -> bool:
        """Whether the column holds moisture, or what moisture is worked out from."""
        return self.name in READING_QUANTITIES


def is_unit(text: str) -> bool:
    """Whether a cell holds a unit that this reads or refuses by name."""
    return text.strip().strip("()[]").lower() in _UNITS


def depth_in(text: str) -> Depth | None:
    """The depth that a heading or the name of a sheet is, such as "10 cm" or "0-0.3 m"; None where it is none.

    Examples
    --------
    >>> depth_in("10cm"), depth_in("0-20 cm").middle_m, depth_in("10")
    (Depth(middle_m=0.1, from_m=None, to_m=None), 0.1, None)
    """
    found = _DEPTH.fullmatch(text.strip().lower())
    if found is None:
        return None
    scale = _METRES[found[3]]
    first = float(found[1].replace(",", ".")) * scale
    if found[2] is None:
        return Depth(first)
    last = float(found[2].replace(",", ".")) * scale
    return Depth(0.5 * (first + last), first, last) if last > first else None


def parse_heading(text: str, *, unit: str = "", group: str = "", where: str = "") -> Heading | None:
    """The column that a heading stands for, or None where it is not known.

    Parameters
    ----------
    text : the heading; upper and lower case are alike. "vwc", "VWC (%)", "vwc_percent_10cm", "depth [cm]" are some.
    unit : from a second header row.
    group : from a heading above, merged over several columns; then `text` may be a depth alone.
    where : for messages.

    Raises
    ------
    FormatError : the unit is one that the column cannot have.

    Examples
    --------
    >>> heading = parse_heading("Volumetric water content 0-20 cm", unit="%")
    >>> heading.name, heading.depth.to_m
    ('vwc_percent', 0.2)
    """
    name, said = " ".join(text.lower().split()), unit.strip().strip("()[]").lower()
    bracketed = _IN_BRACKETS.fullmatch(name)
    if bracketed and is_unit(bracketed[2]):
        name, said = bracketed[1], bracketed[2]
    depth = None
    if group and (depth := depth_in(name)) is not None:
        name = " ".join(group.lower().split())
        bracketed = _IN_BRACKETS.fullmatch(name)
        if bracketed and is_unit(bracketed[2]):
            name, said = bracketed[1], bracketed[2]
    elif name not in PLAIN_COLUMNS:
        name, depth = _without_depth(name)
    if (said and said != "-") or (name, said) in _WITH_UNIT:
        column, factor = _WITH_UNIT.get((name, said), ("", 1.0))
        if not column:
            if name in _BASES or name in READING_QUANTITIES[:-1] or name in PLAIN_COLUMNS:
                known = ", ".join(sorted({each for base, each in _WITH_UNIT if base == name})) or "none"
                raise FormatError(
                    f"column '{text}' cannot be in '{said}'", where=where, received=said, do=f"units read: {known}"
                )
            column = name
    else:
        column, factor = name, 1.0
    if column not in PLAIN_COLUMNS and column not in READING_QUANTITIES:
        return None
    heading = Heading(column, factor, depth, " ".join(text.split()))
    return None if depth is not None and not heading.is_quantity else heading


def _without_depth(name: str) -> tuple[str, Depth | None]:
    """A heading such as "vwc_percent_10cm" in its two parts."""
    for at, letter in enumerate(name):
        if letter in " _," and (depth := depth_in(name[at + 1 :])) is not None:
            return name[:at].rstrip(" ,_"), depth
    return name, None
