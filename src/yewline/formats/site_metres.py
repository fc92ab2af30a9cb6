"""From the coordinate system of a file to site metres and back: transformed or refused, never assumed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from pyproj.exceptions import CRSError, ProjError

from yewline.errors import FrameError
from yewline.formats.raw_outlines import RawOutlines
from yewline.model import Finding, Frame

__all__ = ["FAR_M", "from_site_metres", "points_to_site", "projected_system", "to_site_metres"]

DEGREE_OUTLINE = 0.01
"""An outline below this size is 1 cm across in metres, which no grave is, but up to 1 km in degrees."""

FAR_M = 1_000.0
HOPELESS_M = 10_000.0
ACCURACY_M = 0.25

Geometries = npt.NDArray[Any]


def to_site_metres(raw: RawOutlines, frame: Frame) -> tuple[list[shapely.Geometry | None], list[Finding]]:
    """The geometries of a file in site metres, two-dimensional.

    Raises
    ------
    FrameError : the file has a coordinate system and the site's frame is local; the file has none, yet its
        values look like degrees or like the projected system; or the transformation fails.
    """
    geometries = np.array([feature.geometry for feature in raw.features], dtype=object)
    flat: Geometries = shapely.force_2d(geometries) if len(geometries) else geometries
    crs = raw.crs
    if raw.declared != "system" or crs is None or crs.is_engineering:
        return list(flat), _as_they_stand(raw, frame, flat)
    if frame.epsg is None:
        raise _local_frame(raw, crs)
    _check_degrees(crs, flat, raw.where)
    target = projected_system(frame)
    findings = _accuracy(crs, target, flat, raw.where)
    projected = _transform(flat, crs, target, raw.where)
    tie = frame.to_projected()
    site = _mapped(projected, tie.inverse)
    text = f"transformed from {crs.name} to the site's frame (EPSG:{frame.epsg})"
    findings.insert(0, Finding("found", "outlines-transformed", text, where=raw.where))
    return list(site), [*findings, *_far(frame, site, raw.where)]


def from_site_metres(geometries: Sequence[Any] | Geometries, frame: Frame, crs: pyproj.CRS | None = None) -> Geometries:
    """Geometries in site metres to the frame's projected system, or further to `crs`.

    Raises
    ------
    FrameError : the frame is local.
    """
    flat: Geometries = shapely.force_2d(np.array(list(geometries), dtype=object))
    projected = _mapped(flat, frame.to_projected().forward)
    if crs is None:
        return projected
    return _transform(projected, projected_system(frame), crs, "site outlines")


def points_to_site(
    there: npt.NDArray[np.float64], frame: Frame, *, degrees: bool, where: str
) -> npt.NDArray[np.float64]:
    """Points (n, 2), eastings and northings of the frame's system or longitudes and latitudes, to site metres (n, 2).

    Raises
    ------
    FrameError : the frame is local, its system unknown, or the points lie outside its reach.
    """
    if frame.epsg is None:
        kind = "degrees" if degrees else "eastings and northings"
        raise FrameError(
            f"{kind} on a metre frame", where=where, do="give [frame] in site.toml an epsg code with control points"
        )
    target = projected_system(frame)
    if degrees:
        transformer = pyproj.Transformer.from_crs(4326, target, always_xy=True)
        there = np.column_stack(transformer.transform(there[:, 0], there[:, 1]))
        if not np.isfinite(there).all():
            raise FrameError(
                f"coordinates lie outside the reach of {target.name}", where=where, do="check longitude and latitude"
            )
    return frame.to_projected().inverse(there)


def projected_system(frame: Frame) -> pyproj.CRS:
    """The projected system of a frame.

    Raises
    ------
    FrameError : the frame is local, or its EPSG code is unknown or not of a projected system.
    """
    if frame.epsg is None:
        raise FrameError("the site's frame is local", do="give [frame] an epsg code and control points")
    try:
        crs = pyproj.CRS.from_epsg(frame.epsg)
    except CRSError as error:
        raise FrameError(
            "unknown EPSG code of the site's frame", received=frame.epsg, do="mend [frame] epsg"
        ) from error
    if not crs.is_projected:
        raise FrameError(
            "the site's frame must be a projected system in metres",
            received=f"EPSG:{frame.epsg}, {crs.name}",
            do="give [frame] the epsg code of a projected system, such as the UTM zone",
        )
    return crs


def _mapped(geometries: Geometries, function: Any) -> Geometries:
    mapped: Geometries = shapely.transform(geometries, lambda xy: function(xy) if len(xy) else xy)
    return mapped


def _transform(geometries: Geometries, source: pyproj.CRS, target: pyproj.CRS, where: str) -> Geometries:
    if source == target:
        return geometries
    transformer = pyproj.Transformer.from_crs(source, target, always_xy=True)

    def there(xy: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1], errcheck=True))

    try:
        moved = _mapped(geometries, there)
    except ProjError as error:
        raise FrameError(
            f"coordinates cannot be transformed to {target.name}",
            where=where,
            received=source.name,
            do="check that the file's coordinate system is what it says",
        ) from error
    if not np.isfinite(shapely.get_coordinates(moved)).all():
        raise FrameError(
            f"coordinates lie outside the reach of {target.name}", where=where, received=source.name, do="check both"
        )
    return moved


def _local_frame(raw: RawOutlines, crs: pyproj.CRS) -> FrameError:
    geojson = raw.where.lower().endswith((".geojson", ".json"))
    problem = "outlines in degrees on a metre frame" if crs.is_geographic else "outlines in a system the site lacks"
    advice = "give [frame] in site.toml an epsg code with control points"
    if geojson:
        advice += ', or write "frame": "site" at the top of the file if its values are site metres'
    else:
        advice += ", or save the file in site metres without a coordinate system"
    return FrameError(problem, where=raw.where, received=crs.name, do=advice)


def _check_degrees(crs: pyproj.CRS, geometries: Geometries, where: str) -> None:
    if not crs.is_geographic:
        return
    if crs.name.lower().startswith("undefined"):
        raise FrameError(
            "degrees of an undefined system", where=where, received=crs.name, do="set the file's coordinate system"
        )
    xy = shapely.get_coordinates(geometries)
    beyond = (np.abs(xy) > (360.0, 90.0)).any(axis=1)
    if beyond.any():
        x, y = xy[np.argmax(beyond)]
        raise FrameError(
            "the values are not longitude and latitude",
            where=where,
            received=f"({x:g}, {y:g})",
            do='for site metres in GeoJSON write "frame": "site" at the top of the file',
        )


def _as_they_stand(raw: RawOutlines, frame: Frame, geometries: Geometries) -> list[Finding]:
    """Site metres, declared or assumed; refused where the values plainly are something else."""
    bounds = shapely.bounds(geometries[[g is not None and not g.is_empty for g in geometries]])
    if len(bounds):
        size = np.max(bounds[:, 2:] - bounds[:, :2])
        low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
        inside = bool((low >= (-180, -90)).all() and (high <= (180, 90)).all())
        if inside and 0 < size < DEGREE_OUTLINE:
            raise FrameError(
                "outlines in degrees on a metre frame",
                where=raw.where,
                received=f"outlines of at most {size:.2g} in size near ({low[0]:.5f}, {low[1]:.5f})",
                do="save the file with its coordinate system, or in site metres",
            )
    if len(bounds) and frame.control and _distance_m(frame, geometries) > HOPELESS_M:
        raise FrameError(
            "the outlines lie far from the site's control points",
            where=raw.where,
            received=f"{_distance_m(frame, geometries) / 1000:.0f} km away",
            do="give the file its coordinate system: the values look like projected coordinates",
        )
    findings = []
    if raw.declared != "site":
        text = "the file names no coordinate system: taken as site metres"
        findings.append(Finding("assumed", "outlines-frame", text, where=raw.where))
    return [*findings, *_far(frame, geometries, raw.where)]


def _distance_m(frame: Frame, site: Geometries) -> float:
    """Distance from the control points' middle to the nearest corner, m."""
    middle = np.mean([(point.x, point.y) for point in frame.control], axis=0)
    return float(np.hypot(*(shapely.get_coordinates(site) - middle).T).min(initial=np.inf))


def _far(frame: Frame, site: Geometries, where: str) -> list[Finding]:
    xy = shapely.get_coordinates(site)
    if not frame.control or not len(xy):
        return []
    distance = _distance_m(frame, site)
    if distance <= FAR_M:
        return []
    return [
        Finding(
            "warning",
            "outlines-far",
            "the outlines lie far from the site's control points",
            where=where,
            received=f"{distance / 1000:.1f} km away",
            do="check the file's coordinate system, its zone, and the order of its axes",
        )
    ]


def _accuracy(source: pyproj.CRS, target: pyproj.CRS, geometries: Geometries, where: str) -> list[Finding]:
    """Warn where the change of datum is less accurate than a grave is wide."""
    xy = shapely.get_coordinates(geometries)
    if source == target or not len(xy) or source.geodetic_crs == target.geodetic_crs:
        return []
    try:
        transformer = pyproj.Transformer.from_crs(source, target, always_xy=True)
        transformer.transform(*xy[0])
        # Before its first point a transformer does not know which of its operations it will use.
        accuracy = transformer.get_last_used_operation().accuracy
    except (CRSError, ProjError):
        return []
    if 0 <= accuracy <= ACCURACY_M:
        return []
    told = "of unknown accuracy" if accuracy < 0 else f"accurate to {accuracy:g} m"
    return [
        Finding(
            "warning",
            "outlines-datum",
            f"the change of datum is {told}",
            where=where,
            received=f"{source.name} to {target.name}",
            do="save the outlines in the site's own system, or install the grid file of that transformation",
        )
    ]
