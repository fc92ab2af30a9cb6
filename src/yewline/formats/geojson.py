"""GeoJSON (RFC 7946): longitude and latitude, unless the file says ``"frame": "site"``; then site metres."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from shapely.geometry import mapping, shape

from yewline.errors import FormatError
from yewline.formats.atomic import write_atomic
from yewline.formats.raw_outlines import RawOutline, RawOutlines
from yewline.formats.site_metres import from_site_metres
from yewline.model import Finding, Frame

__all__ = ["read_raw_geojson", "write_geojson"]

LON_LAT = pyproj.CRS("OGC:CRS84")
SITE_DIGITS = 4
LON_LAT_DIGITS = 9
"""0.1 mm on the ground; RFC 7946 section 11.2 finds 6 digits enough for maps, but they are 10 cm."""


def read_raw_geojson(path: Path) -> RawOutlines:
    """Read the features of a GeoJSON file: a FeatureCollection, a Feature or a bare geometry.

    A member ``crs`` is of the 2008 draft, not of RFC 7946; programs still write it, and it is believed, because
    it was written to be believed. A member ``frame`` other than "site" is refused.
    """
    where = str(path)
    document = _document(path)
    frame = document.get("frame")
    if frame is not None and frame != "site":
        raise FormatError(
            "the member 'frame' must be \"site\" or absent",
            where=where,
            received=repr(frame),
            do='write "frame": "site" for site metres, or remove it for longitude and latitude',
        )
    features = [_feature(where, number, raw) for number, raw in enumerate(_features_of(document, where), start=1)]
    if frame == "site":
        return RawOutlines(where, tuple(features), "site", None)
    crs, findings = _named_system(document, where)
    return RawOutlines(where, tuple(features), "system", crs, findings)


def write_geojson(path: Path, table: gpd.GeoDataFrame, *, frame: Frame | None = None) -> None:
    """Write outlines as GeoJSON, the same bytes for the same outlines.

    Parameters
    ----------
    path : file to write; a file of that name is replaced in one step.
    table : outlines in site metres.
    frame : None writes site metres and says so by ``"frame": "site"``; a frame with an EPSG code writes
        longitude and latitude as RFC 7946 has it, with nine decimals.

    Raises
    ------
    FrameError : `frame` is local.

    Notes
    -----
    Outer rings run anticlockwise and holes clockwise (RFC 7946, section 3.1.6); numbers that are not finite
    become null.

    Examples
    --------
    >>> import tempfile
    >>> from yewline.model import BURIAL_COLUMNS, make_outlines
    >>> table = make_outlines(BURIAL_COLUMNS, [{"burial": "B1"}], [shapely.box(0, 0, 2, 1)])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_geojson(Path(folder) / "burials.geojson", table)
    ...     json.loads((Path(folder) / "burials.geojson").read_text())["frame"]
    'site'
    """
    geometry = np.asarray(table.geometry.values, dtype=object)
    digits = SITE_DIGITS
    if frame is not None:
        geometry, digits = from_site_metres(geometry, frame, LON_LAT), LON_LAT_DIGITS
    names = [name for name in table.columns if name != table.geometry.name]
    features = []
    for row, one in enumerate(geometry):
        properties = {name: _plain(table[name].iloc[row]) for name in names}
        features.append({"type": "Feature", "properties": properties, "geometry": _geometry(one, digits)})
    document: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    if frame is None:
        document = {"type": "FeatureCollection", "frame": "site", "features": features}
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    write_atomic(path, text.encode())


def _document(path: Path) -> dict[str, Any]:
    where = str(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise FormatError("file not found", where=where, do="write it, or mend its name") from error
    except UnicodeDecodeError as error:
        raise FormatError(
            "not a text file in UTF-8", where=f"{where}, byte {error.start}", do="save as UTF-8"
        ) from error
    except json.JSONDecodeError as error:
        raise FormatError(
            f"not valid JSON: {error.msg}", where=f"{where}, row {error.lineno}, column {error.colno}", do="mend it"
        ) from error
    except RecursionError as error:
        raise FormatError("nested too deeply to be GeoJSON", where=where) from error
    if not isinstance(document, dict) or "type" not in document:
        raise FormatError(
            "not GeoJSON: there is no member 'type'", where=where, do="save the outlines as a FeatureCollection"
        )
    return document


def _features_of(document: dict[str, Any], where: str) -> list[Any]:
    if document["type"] == "FeatureCollection":
        features = document.get("features")
        if not isinstance(features, list):
            raise FormatError("the FeatureCollection has no list of features", where=where, received=repr(features))
        return features
    if document["type"] == "Feature":
        return [document]
    return [{"type": "Feature", "properties": {}, "geometry": document}]


def _feature(where: str, number: int, raw: Any) -> RawOutline:
    place = f"{where}, feature {number}"
    properties = raw.get("properties") if isinstance(raw, dict) else None
    attributes = dict(properties) if isinstance(properties, dict) else {}
    if isinstance(raw, dict) and "id" in raw:
        attributes.setdefault("id", raw["id"])
    geometry = raw.get("geometry") if isinstance(raw, dict) else None
    if geometry is None:
        return RawOutline(place, None, attributes)
    try:
        return RawOutline(place, shape(geometry), attributes)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, shapely.errors.ShapelyError) as error:
        return RawOutline(place, None, attributes, fault=f"its geometry cannot be read: {error}")


def _named_system(document: dict[str, Any], where: str) -> tuple[pyproj.CRS, tuple[Finding, ...]]:
    member = document.get("crs")
    if member is None:
        return LON_LAT, ()
    name = member.get("properties", {}).get("name") if isinstance(member, dict) else None
    try:
        crs = pyproj.CRS.from_user_input(name)
    except pyproj.exceptions.CRSError as error:
        raise FormatError(
            "the member 'crs' names no known system", where=where, received=repr(name), do="save in WGS 84"
        ) from error
    text = f"coordinate system {crs.name} from the member 'crs', which RFC 7946 no longer has"
    return crs, (Finding("found", "outlines-crs-member", text, where=where),)


def _geometry(geometry: shapely.Geometry | None, digits: int) -> dict[str, Any] | None:
    if geometry is None or geometry.is_empty:
        return None
    if isinstance(geometry, shapely.Polygon):
        geometry = shapely.geometry.polygon.orient(geometry)
    elif isinstance(geometry, shapely.MultiPolygon):
        geometry = shapely.MultiPolygon([shapely.geometry.polygon.orient(part) for part in geometry.geoms])
    plain = mapping(shapely.force_2d(geometry))
    return {"type": plain["type"], "coordinates": _rounded(plain["coordinates"], digits)}


def _rounded(coordinates: Any, digits: int) -> Any:
    if isinstance(coordinates, (int, float)):
        return round(float(coordinates), digits) + 0.0  # -0.0 would be another byte for the same place
    return [_rounded(part, digits) for part in coordinates]


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, (str, int, float, bool, type(None))) else str(value)
