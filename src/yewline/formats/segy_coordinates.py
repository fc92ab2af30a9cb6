"""Positions and line labels from SEG-Y trace headers.

References: SEG-Y rev 2.0 (2017), table 3: bytes 71–72 (scalar), 73–90 (source and group), 181–188 (CDP), 189–192.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from yewline.formats.segy_headers import SegyLayout
from yewline.model import Finding

__all__ = ["dms_to_degrees", "read_coordinates", "read_lines", "scaled"]

Floats = npt.NDArray[np.float64]
_LEGAL_SCALARS = (0, 1, 10, 100, 1000, 10_000)
_SECOND_DIGITS = 6
_SHORTEST_RUN = 8
"""Nobody records a line of so few traces; a counter of soundings or channels has runs as short."""


def scaled(values: npt.NDArray[np.generic], scalars: npt.NDArray[np.generic]) -> Floats:
    """Apply SEG-Y scalars: positive multiplies, negative divides, zero counts as one.

    Parameters
    ----------
    values, scalars : (T,) integers.

    Returns
    -------
    (T,) float64.

    Examples
    --------
    >>> scaled(np.array([1234, 5, 7]), np.array([-100, 10, 0])).tolist()
    [12.34, 50.0, 7.0]
    """
    number, scalar = values.astype(np.float64), scalars.astype(np.float64)
    divisor = np.where(scalar < 0, -scalar, 1.0)
    return number * np.where(scalar > 0, scalar, 1.0) / divisor


def dms_to_degrees(values: Floats) -> Floats:
    """Degrees, minutes, seconds run together (±DDDMMSS.ss) to decimal degrees.

    Examples
    --------
    >>> dms_to_degrees(np.array([-1233000.0])).tolist()
    [-123.5]
    """
    # 59.9999999 s that is 60 s but for a rounding error must not borrow a minute of a hundred seconds.
    size = np.round(np.abs(values), _SECOND_DIGITS)
    degrees, rest = np.divmod(size, 10_000.0)
    minutes, seconds = np.divmod(rest, 100.0)
    return np.sign(values) * (degrees + minutes / 60.0 + seconds / 3600.0)


def read_coordinates(
    heads: npt.NDArray[np.void], layout: SegyLayout, where: str
) -> tuple[Floats | None, Floats | None, str, tuple[Finding, ...]]:
    """Coordinates of the traces.

    From revision 1 on the CDP fields come first; else the midpoint of source and group where both are given, else
    whichever of the two is.

    Returns
    -------
    x (T,), y (T,) or None, the system in words, findings.
    """
    chosen = _chosen_fields(heads, layout)
    if chosen is None:
        return None, None, "", ()
    source, pairs = chosen
    scalars, notes = _scalars(heads, where)
    units = np.unique(heads["coordinate_units"])
    unit = int(units[0])
    if len(units) > 1:
        text = "coordinate units differ between traces; the coordinates are left out"
        notes.append(Finding("warning", "coordinate-units", text, where=where, received=str(units.tolist())))
        return None, None, "", tuple(notes)
    words = {False: "metres", True: "feet", None: "length, as in the file"}[layout.feet]
    if unit in (2, 3, 4):
        words = "degrees"
    # Each end is converted before the midpoint is taken: run-together minutes and seconds have no mean.
    xs, ys = (
        np.mean([_in_degrees(scaled(heads[f"{name}_{axis}"], scalars), unit) for name in pairs], axis=0)
        for axis in "xy"
    )
    notes.append(Finding("found", "coordinates", f"coordinates from {source}: {words}", where=where))
    return xs, ys, words, tuple(notes)


def _in_degrees(values: Floats, unit: int) -> Floats:
    """Arc seconds (2) and packed degrees (4) as degrees; lengths and decimal degrees as they are."""
    if unit == 2:
        return values / 3600.0
    return dms_to_degrees(values) if unit == 4 else values


def _chosen_fields(heads: npt.NDArray[np.void], layout: SegyLayout) -> tuple[str, tuple[str, ...]] | None:
    def given(name: str) -> bool:
        return bool(heads[f"{name}_x"].any() or heads[f"{name}_y"].any())

    # Revision 0 left bytes 181-240 to whoever wrote the file.
    if layout.revision >= (1, 0) and given("cdp"):
        return "the CDP fields (bytes 181-188)", ("cdp",)
    if given("source") and given("group"):
        return "source and group, their midpoint (bytes 73-88)", ("source", "group")
    if given("group"):
        return "the group fields (bytes 81-88)", ("group",)
    if given("source"):
        return "the source fields (bytes 73-80)", ("source",)
    return None


def _scalars(heads: npt.NDArray[np.void], where: str) -> tuple[npt.NDArray[np.int64], list[Finding]]:
    scalars = heads["coordinate_scalar"].astype(np.int64)
    odd = ~np.isin(np.abs(scalars), _LEGAL_SCALARS)
    if not odd.any():
        return scalars, []
    trace = int(np.flatnonzero(odd)[0])
    note = Finding(
        grade="warning",
        code="coordinate-scalar",
        text="the coordinate scalar is not a power of ten that the standard allows; it is taken as 1",
        where=f"{where}, trace {trace + 1}, bytes 71-72",
        received=str(scalars[trace]),
        do="check the coordinates, or give the line's ends in lines.csv",
    )
    return np.where(odd, 1, scalars), [note]


def read_lines(
    heads: npt.NDArray[np.void], layout: SegyLayout, names: Mapping[int, str], where: str
) -> tuple[npt.NDArray[np.str_] | None, tuple[Finding, ...]]:
    """Line label of each trace where one file holds many lines, else None.

    The inline number (bytes 189–192, from revision 1) or the field record number (bytes 9–12) counts if it takes
    several values, each over one run of traces, and most runs are longer than eight traces: a counter of pairs of
    traces is no line number. Where an extended text header names the inline numbers, they count in any order.
    """
    inline = heads["inline"]
    known = np.array(sorted(names), dtype=np.int64)
    if len(known) and np.isin(inline, known).all():
        titles = np.array([names[int(number)] for number in known])
        text = f"{len(np.unique(inline))} lines named in an extended text header"
        return titles[np.searchsorted(known, inline)], (Finding("found", "lines", text, where=where),)
    candidates = [("field record number (bytes 9-12)", heads["field_record"])]
    if layout.revision >= (1, 0):
        candidates.insert(0, ("inline number (bytes 189-192)", inline))
    for source, numbers in candidates:
        distinct = np.unique(numbers)
        starts = np.concatenate([[0], np.flatnonzero(np.diff(numbers)) + 1])
        length = float(np.median(np.diff(np.append(starts, len(numbers)))))
        if 1 < len(distinct) == len(starts) and length > _SHORTEST_RUN:
            labels = np.array([str(number) for number in distinct])
            text = f"{len(distinct)} lines told apart by the {source}"
            return labels[np.searchsorted(distinct, numbers)], (Finding("found", "lines", text, where=where),)
    return None, ()
