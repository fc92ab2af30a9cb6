"""Outlines of burials, opened ground, drawn hotspots and areas: one reader for every format, always in site metres."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import shapely

from yewline.errors import FormatError
from yewline.formats.corners import read_raw_corners
from yewline.formats.geojson import read_raw_geojson
from yewline.formats.gis_files import read_raw_gis
from yewline.formats.raw_outlines import RawOutline, RawOutlines, attribute_name
from yewline.formats.site_metres import to_site_metres
from yewline.formats.table_rows import nearest_name, parse_number
from yewline.model import (
    BURIAL_COLUMNS,
    HOTSPOT_COLUMNS,
    OPENED_COLUMNS,
    Finding,
    Frame,
    Grid,
    make_outlines,
)

__all__ = ["read_area", "read_burials", "read_drawn_hotspots", "read_opened", "read_outlines"]

ToGrid = Callable[[str], Grid | None]
_ALIASES = ("id", "name")
_CHOICES = {
    "kind": ("adult", "child", "infant", "unknown"),
    "evidence": ("excavated", "probed", "documented", "marker"),
}
# What a word that is not known is taken as: never a stronger claim than was made.
_FALLBACK = {"kind": "unknown", "evidence": "documented"}


def read_outlines(
    path: Path,
    columns: dict[str, Any],
    frame: Frame,
    *,
    layer: str | None = None,
    to_site: ToGrid | None = None,
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Read outlines with the given columns from GeoPackage, GeoJSON, shapefile or a CSV of corners.

    A coordinate system other than the site's is transformed where the frame has an EPSG code and refused where
    it is local. Files that can name no system (CSV, a shapefile without .prj, a GeoPackage of undefined system)
    are taken as site metres, which is reported as assumed; GeoJSON is longitude and latitude unless it carries
    ``"frame": "site"``. An outline that cannot be used becomes a fault and the others still load.

    Parameters
    ----------
    path : the file; its suffix tells the format.
    columns : column name to default, the id first (such as `model.BURIAL_COLUMNS`).
    frame : the site's.
    layer : of a GeoPackage with several.
    to_site : gives the grid of a name, for a CSV of corners with a column grid.

    Returns
    -------
    outlines : `columns` and geometry, `crs` None.
    findings : what was found, assumed and left out.

    Raises
    ------
    FormatError : the file as a whole cannot be read.
    FrameError : its coordinates do not fit the site's frame.
    """
    id_name = next(iter(columns))
    raw = _raw(path, columns, layer, to_site)
    geometries, placed = to_site_metres(raw, frame)
    findings = [*raw.findings, *placed, *_unused_attributes(raw, columns)]
    rows: list[dict[str, Any]] = []
    kept: list[shapely.Geometry] = []
    for number, (feature, geometry) in enumerate(zip(raw.features, geometries, strict=True), start=1):
        fault = _geometry_fault(id_name, feature, geometry) or _repeated(id_name, feature, geometry, kept)
        if fault is not None:
            findings.append(fault)
            continue
        rows.append(_row(feature, columns, number, findings))
        kept.append(_single(geometry))
    _tell_apart(rows, id_name, raw.where, findings)
    text = f"{len(rows)} of {len(raw.features)} outlines read"
    findings.append(Finding("found", "outlines-read", text, where=raw.where))
    return make_outlines(columns, rows, kept), findings


def read_burials(
    path: Path, frame: Frame, *, layer: str | None = None, to_site: ToGrid | None = None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Read outlines of known burials (`model.BURIAL_COLUMNS`); see `read_outlines`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "burials.csv"
    ...     _ = table.write_text("burial,corner,x,y,kind\\nB1,1,0,0,adult\\nB1,2,2,0,\\nB1,3,2,0.8,\\nB1,4,0,0.8,\\n")
    ...     burials, findings = read_burials(table, Frame())
    >>> burials.loc[0, "kind"], burials.area.round(3).tolist(), burials.crs
    ('adult', [1.6], None)
    """
    return read_outlines(path, BURIAL_COLUMNS, frame, layer=layer, to_site=to_site)


def read_opened(
    path: Path, frame: Frame, *, layer: str | None = None, to_site: ToGrid | None = None
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Read outlines of opened ground (`model.OPENED_COLUMNS`); see `read_outlines`."""
    return read_outlines(path, OPENED_COLUMNS, frame, layer=layer, to_site=to_site)


def read_drawn_hotspots(path: Path, frame: Frame, visit: str) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Read hotspots that a person drew; those that name another visit are passed over.

    Parameters
    ----------
    path : commonly ``marks/*.geojson``; an outline without property ``visit`` counts for every visit.
    frame : the site's.
    visit : the visit wanted.

    Returns
    -------
    hotspots : `model.HOTSPOT_COLUMNS`, `source` "drawn"; measures of shape and strength still blank.
    findings : as of `read_outlines`.
    """
    table, findings = read_outlines(path, HOTSPOT_COLUMNS, frame)
    mine = table["visit"].isin(["", visit]) if len(table) else []
    table = table[mine].reset_index(drop=True) if len(table) else table
    return table.assign(visit=visit, source="drawn", rule="drawn"), findings


def read_area(
    path: Path, frame: Frame, *, layer: str | None = None, to_site: ToGrid | None = None
) -> tuple[shapely.Polygon | shapely.MultiPolygon, list[Finding]]:
    """Read all outlines of a file as one area: what was surveyed, or the obstacles in it.

    Raises
    ------
    FormatError : no usable outline, or the file cannot be read.
    FrameError : its coordinates do not fit the site's frame.
    """
    table, findings = read_outlines(path, {"area": ""}, frame, layer=layer, to_site=to_site)
    if not len(table):
        faults = [finding.text for finding in findings if finding.grade == "fault"]
        raise FormatError(
            "no usable outline", where=str(path), received="; ".join(faults) or "no feature", do="draw it as a polygon"
        )
    # An area needs no name: that its parts were given one is of no interest.
    return _single(shapely.union_all(table.geometry.values)), [f for f in findings if f.code != "outline-name"]


def _raw(path: Path, columns: dict[str, Any], layer: str | None, to_site: ToGrid | None) -> RawOutlines:
    id_name, *names = columns
    suffix = path.suffix.lower()
    if suffix in (".geojson", ".json"):
        return read_raw_geojson(path)
    if suffix in (".csv", ".tsv", ".txt"):
        return read_raw_corners(path, names, id_names=(id_name, *_ALIASES), to_site=to_site)
    if suffix in (".gpkg", ".shp"):
        return read_raw_gis(path, layer=layer, prefer=id_name if id_name in ("area", "opened") else f"{id_name}s")
    raise FormatError(
        "outlines of a kind that is not read",
        where=str(path),
        received=suffix or "no suffix",
        do="save them as .gpkg, .geojson, .shp or a .csv of corners",
    )


def _geometry_fault(noun: str, feature: RawOutline, geometry: shapely.Geometry | None) -> Finding | None:
    """Why an outline cannot be used, or None."""
    code, do, received = "outline-geometry", "draw it as a closed polygon", ""
    if feature.fault:
        text = f"the {noun} outline is left out: {feature.fault}"
        do = "mend it"
    elif geometry is None or geometry.is_empty:
        text = f"the {noun} has no outline"
    elif not isinstance(geometry, (shapely.Polygon, shapely.MultiPolygon)):
        text, received = f"the {noun} is not a polygon", geometry.geom_type
    elif not geometry.is_valid:
        code, reason = "outline-invalid", shapely.is_valid_reason(geometry)
        crosses = reason.startswith(("Self-intersection", "Ring Self-intersection"))
        text = f"the {noun} outline crosses itself" if crosses else f"the {noun} outline is not valid"
        received, do = reason, "put its corners in order"
    elif not geometry.area > 0:
        text, received = f"the {noun} outline has no area", f"{geometry.area:g} m²"
    else:
        return None
    return Finding("fault", code, text, where=feature.where, received=received, do=do)


def _repeated(
    noun: str, feature: RawOutline, geometry: shapely.Geometry | None, kept: Sequence[shapely.Geometry]
) -> Finding | None:
    """The same outline a second time would count one burial twice."""
    if not any(geometry is not None and shapely.equals(geometry, other) for other in kept):
        return None
    text = f"the same {noun} outline stands in the file twice: the second is left out"
    return Finding("fault", "outline-duplicate", text, where=feature.where, do="remove one of them")


def _single(geometry: Any) -> Any:
    if isinstance(geometry, shapely.MultiPolygon) and len(geometry.geoms) == 1:
        return geometry.geoms[0]
    return geometry


def _row(feature: RawOutline, columns: dict[str, Any], number: int, findings: list[Finding]) -> dict[str, Any]:
    id_name = next(iter(columns))
    row: dict[str, Any] = {}
    for name, default in columns.items():
        key = attribute_name(name, feature.attributes, _ALIASES if name == id_name else ())
        value = None if key is None else feature.attributes[key]
        if isinstance(default, float):
            row[name] = _number(value, name, default, feature, findings)
        elif value is not None and str(value).strip():
            row[name] = _text(value)
            if name in _CHOICES:
                row[name] = _choice(name, row[name], feature, findings)
    if not row.get(id_name):
        row[id_name] = f"{id_name[:1].upper()}{number}"
        findings.append(
            Finding("assumed", "outline-name", f"the outline has no name: called {row[id_name]}", where=feature.where)
        )
    _check_depths(row, feature, findings)
    return row


def _text(value: Any) -> str:
    # GIS programs hold a numbered id as 7.0 once one of them is blank.
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value).strip()


def _number(value: Any, name: str, default: float, feature: RawOutline, findings: list[Finding]) -> float:
    try:
        number = parse_number(value)
        if number is not None and number < 0 and name.endswith(("_m", "_m2")):
            raise ValueError("negative")
    except ValueError:
        kept = "left blank" if math.isnan(default) else f"taken as {default:g}"
        findings.append(
            Finding(
                "fault",
                "outline-value",
                f"{name} must be a number of at least 0: {kept}",
                where=feature.where,
                received=str(value),
                do="mend the value",
            )
        )
        return default
    return default if number is None else number


def _choice(name: str, value: str, feature: RawOutline, findings: list[Finding]) -> str:
    word = value.lower()
    if word in _CHOICES[name]:
        return word
    findings.append(
        Finding(
            "warning",
            "outline-value",
            f"{name} is none of {', '.join(_CHOICES[name])}: taken as {_FALLBACK[name]}",
            where=feature.where,
            received=value,
            do="use one of these words",
        )
    )
    return _FALLBACK[name]


def _check_depths(row: dict[str, Any], feature: RawOutline, findings: list[Finding]) -> None:
    top, base = row.get("top_m", math.nan), row.get("base_m", math.nan)
    if top >= base:
        findings.append(
            Finding(
                "fault",
                "outline-depth",
                "top_m is not above base_m: both depths are left blank",
                where=feature.where,
                received=f"top_m {top:g}, base_m {base:g}",
                do="depth is positive downward, from the surface",
            )
        )
        row["top_m"] = row["base_m"] = math.nan


def _tell_apart(rows: list[dict[str, Any]], id_name: str, where: str, findings: list[Finding]) -> None:
    """Give outlines of the same name a number, so that results can name each."""
    taken = {row[id_name] for row in rows}
    seen: set[str] = set()
    for row in rows:
        name = row[id_name]
        if name in seen:
            count = 2
            while (new := f"{name} ({count})") in taken:
                count += 1
            row[id_name] = new
            taken.add(new)
            text = f"the name {name} is used more than once: called {new}"
            findings.append(Finding("warning", "outline-name", text, where=where, do="give each its own name"))
        seen.add(row[id_name])


def _unused_attributes(raw: RawOutlines, columns: dict[str, Any]) -> list[Finding]:
    present = list(dict.fromkeys(name for feature in raw.features for name in feature.attributes))
    id_name = next(iter(columns))
    used = {attribute_name(name, present, _ALIASES if name == id_name else ()) for name in columns}
    missing = [name for name in columns if attribute_name(name, present) is None and name != id_name]
    unused = [name for name in present if name not in used and name.lower() not in ("fid", *_ALIASES)]
    findings = []
    for name in unused:
        near = nearest_name(name, missing)
        if near is not None:
            text = f"attribute '{name}' is not used"
            findings.append(Finding("warning", "attribute-unused", text, where=raw.where, do=f"did you mean '{near}'?"))
    rest = [name for name in unused if nearest_name(name, missing) is None]
    if rest:
        text = f"attributes not used: {', '.join(rest)}"
        findings.append(Finding("found", "attribute-unused", text, where=raw.where))
    return findings
