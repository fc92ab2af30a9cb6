"""Moisture in the unit that its column declares: values that cannot be of that unit reject the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import FormatError
from yewline.formats.reading_cells import CellNumber
from yewline.model import VWC_HIGHEST, VWC_LOWEST, Finding, vwc_of_gravimetric

__all__ = ["Convert", "check_unit", "in_unit", "vwc_of"]

Convert = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]

# Medians of a whole file, by what the column declares.
_TYPICAL: Final = {
    "vwc": (VWC_LOWEST, VWC_HIGHEST),
    "vwc_percent": (VWC_LOWEST, 100 * VWC_HIGHEST),
    "g_per_g": (0.0, 2.0),
    "g_per_g_percent": (0.0, 200.0),
    "permittivity": (1.0, 81.0),
}
_FEWEST_OF_A_CLUSTER: Final = 3
_SHARE_OF_A_CLUSTER: Final = 0.1


def in_unit(number: CellNumber, quantity: str) -> float:
    """The number in the unit of its column, where the cell says its own.

    Raises
    ------
    ValueError : the cell's unit is one that the column cannot have.
    """
    if not number.unit or quantity == "reading":
        return number.value
    percent = quantity.endswith("_percent")
    if quantity == "permittivity" or (number.unit == "fraction" and quantity.startswith("g_per_g")):
        raise ValueError(f"its unit is not that of {quantity}")
    if (number.unit == "percent") == percent:
        return number.value
    return number.value * 100.0 if percent else number.value / 100.0


def vwc_of(
    quantity: str,
    value: float,
    *,
    bulk_g_per_cm3: float | None,
    relation: Convert | None,
    calibrate: Convert | None,
    where: str = "",
) -> float:
    """Water content by volume of one value as written; a calibration goes before everything else.

    Raises
    ------
    FormatError : what the conversion needs is not there.
    InputError : the value lies outside what the conversion is meant for.
    """
    if calibrate is not None:
        return float(calibrate(np.array([value]))[0])
    if quantity.startswith("vwc"):
        return value / 100.0 if quantity == "vwc_percent" else value
    if quantity.startswith("g_per_g"):
        if bulk_g_per_cm3 is None:
            raise FormatError(
                "water by mass without the bulk density of the soil",
                where=where,
                received=f"column {quantity}",
                do="add bulk_g_per_cm3 as a column, or under [readings] in visit.toml",
            )
        return float(vwc_of_gravimetric(value / 100.0 if quantity == "g_per_g_percent" else value, bulk_g_per_cm3))
    if quantity == "permittivity" and relation is not None:
        return float(relation(np.array([value]))[0])
    raise FormatError(
        f"nothing turns {quantity} into water content",
        where=where,
        received=f"column {quantity}",
        do="add calibration.csv, or gain and offset_vwc under [readings] in visit.toml",
    )


def check_unit(quantity: str, text: str, values: Sequence[tuple[int, float]], where: str) -> list[Finding]:
    """Refuse a column whose values cannot be of the unit that it declares, or are of two units.

    Parameters
    ----------
    quantity, text : what the column is read as, and its heading.
    values : row and number of each cell that holds one, as written.

    Raises
    ------
    FormatError : the median is out of range, or there are two clusters of values a hundred times apart.
    """
    if not values or quantity not in _TYPICAL:
        return []
    place = f"{where}, column {text}"
    mixed = _two_units(quantity, values, place)
    # The median, so that one slip of the pen does not speak for the whole file.
    typical = float(np.median([value for _, value in values]))
    low, high = _TYPICAL[quantity]
    if quantity == "vwc" and VWC_HIGHEST < typical <= 100:
        many = typical > 1
        raise FormatError(
            "the readings look like percent declared as fraction" if many else "water content out of physical range",
            where=place,
            received=f"median {typical:g} m³/m³",
            do="name the column vwc_percent if the values are percent"
            if many
            else f"values lie between {low:g} and {high:g} m³/m³",
        )
    if not low <= typical <= high:
        raise FormatError(
            "water content out of physical range" if quantity != "permittivity" else "permittivity out of range",
            where=place,
            received=f"median {typical:g}",
            do=f"{quantity} lies between {low:g} and {high:g}; raw counts of a probe belong in a column named reading, "
            "with a calibration",
        )
    highest = max(value for _, value in values)
    if quantity == "vwc_percent" and highest < 1:
        return [
            Finding(
                "warning",
                "readings-look-like-fraction",
                "all readings in percent are below 1: they look like fractions",
                where=place,
                received=f"highest {highest:g} %",
                do="name the column vwc if the values are m³/m³",
            )
        ]
    return mixed


def _two_units(quantity: str, values: Sequence[tuple[int, float]], where: str) -> list[Finding]:
    if quantity not in ("vwc", "vwc_percent"):
        return []
    small = [(row, value) for row, value in values if 0 < value <= 1]
    large = [(row, value) for row, value in values if 1 < value <= 100]
    fewer = min(small, large, key=len)
    # In percent a dry day runs on past 1 %; fractions stand well apart from the rest.
    if not fewer or (quantity == "vwc_percent" and min(v for _, v in large) < 3 * max(v for _, v in small)):
        return []
    rows = ", ".join(str(row) for row, _ in fewer[:8]) + (" …" if len(fewer) > 8 else "")
    example = f"{small[0][1]:g} in row {small[0][0]}, {large[0][1]:g} in row {large[0][0]}"
    if len(fewer) >= _FEWEST_OF_A_CLUSTER and len(fewer) >= _SHARE_OF_A_CLUSTER * len(values):
        raise FormatError(
            "two units are mixed in one column: some values are fractions and some percent",
            where=where,
            received=f"{example}; the fewer in rows {rows}",
            do="write them all in one unit",
        )
    if quantity == "vwc":
        return []  # above 0.6 m³/m³ each such row is a fault of its own
    text = "a few readings in percent are far below the others: they look like fractions"
    do = "mend the rows, or take them out with exclude_rows"
    return [Finding("warning", "readings-unit-slip", text, where=where, received=f"rows {rows}: {example}", do=do)]
