"""Outlines as a file holds them, before anything is decided about their frame: geometry, attributes, system."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pyproj
import shapely

from yewline.errors import FormatError
from yewline.model import Finding

__all__ = ["Declared", "RawOutline", "RawOutlines", "attribute_name", "unreadable"]

Declared = Literal["site", "system", "nothing"]


@dataclass(frozen=True, slots=True)
class RawOutline:
    """One feature: where it stands in the file, its geometry (None where it has none) and its attributes.

    `fault` says why a geometry could not be made from what the file holds.
    """

    where: str
    geometry: shapely.Geometry | None
    attributes: dict[str, Any]
    fault: str = ""


@dataclass(frozen=True, slots=True)
class RawOutlines:
    """All features of a file.

    `declared` says what the file tells of its frame: "site" metres, a coordinate "system" (then `crs` holds it),
    or "nothing".
    """

    where: str
    features: tuple[RawOutline, ...]
    declared: Declared
    crs: pyproj.CRS | None
    findings: tuple[Finding, ...] = ()


def attribute_name(wanted: str, present: Collection[str], aliases: Sequence[str] = ()) -> str | None:
    """The name under which a file holds the attribute `wanted`, or None.

    Upper and lower case are alike, and a shapefile keeps only the first ten letters of a name.

    Examples
    --------
    >>> attribute_name("depth_reached_m", ["FID", "depth_reac"]), attribute_name("burial", ["ID"], ["id", "name"])
    ('depth_reac', 'ID')
    """
    by_lower = {name.lower(): name for name in present}
    for name in (wanted, wanted[:10], *aliases):
        if name in by_lower:
            return by_lower[name]
    return None


def unreadable(where: str, reason: object) -> FormatError:
    """The error for an outline file that its library cannot read."""
    text = " ".join(str(reason).split())[:200]
    return FormatError(
        "not a readable outline file", where=where, received=text, do="save it as GeoPackage, GeoJSON or CSV of corners"
    )
