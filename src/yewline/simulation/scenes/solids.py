"""Solid shapes in three dimensions, and what an upright plane cuts out of them.

A plane stands on a survey line. Its own coordinates are s along the line, n across it (positive to the left) and depth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_finite
from yewline.errors import InputError

__all__ = [
    "Ellipsoid",
    "Hull",
    "Less",
    "Plane",
    "Shape",
    "Union",
    "convex_parts",
    "polygons_of",
    "section_of",
    "shadow_of",
]

Array = npt.NDArray[np.float64]

_CORNERS = 128
# A polygon inscribed in an ellipse is too small by this factor of its area: drawn larger by it, the area is exact.
_ROUND = math.sqrt((2.0 * math.pi / _CORNERS) / math.sin(2.0 * math.pi / _CORNERS))
_TURN = 2.0 * math.pi * np.arange(_CORNERS) / _CORNERS
_CIRCLE = np.column_stack([np.cos(_TURN), np.sin(_TURN)])
_NEGLIGIBLE_M2 = 1e-10
_FAR_M = 1e7


@dataclass(frozen=True, slots=True)
class Hull:
    """The convex hull of its corners (V, 3): x, y, depth."""

    corners: Array


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """An ellipsoid: `centre` (3,), and `half_axes` (3, 3), three conjugate half-axes in rows.

    With `lower` only its half at and below the depth of its centre.
    """

    centre: Array
    half_axes: Array
    lower: bool = False


@dataclass(frozen=True, slots=True)
class Union:
    """All that lies in one part at least."""

    parts: tuple[Hull | Ellipsoid, ...]


@dataclass(frozen=True, slots=True)
class Less:
    """What of `whole` does not lie in `hollow`: a wall around a chamber."""

    whole: Hull | Ellipsoid | Union
    hollow: Hull | Ellipsoid | Union


Shape = Hull | Ellipsoid | Union | Less


@dataclass(frozen=True, slots=True)
class Plane:
    """The upright plane of a survey line from `start` to `end`, (x, y) in m."""

    start: tuple[float, float]
    end: tuple[float, float]

    def __post_init__(self) -> None:
        for value in (*self.start, *self.end):
            check_finite(value, "a place on the line")
        if not math.dist(self.start, self.end) > 0:
            raise InputError(
                "the line is empty: it ends where it starts", received=self.start, do="give two places that differ"
            )

    @property
    def length_m(self) -> float:
        """Length of the line."""
        return math.dist(self.start, self.end)

    def turned(self, vectors: Array) -> Array:
        """Vectors (N, 3) along x, y, depth in the plane's own directions."""
        tx, ty = ((e - s) / self.length_m for s, e in zip(self.start, self.end, strict=True))
        return np.column_stack(
            [vectors[:, 0] * tx + vectors[:, 1] * ty, vectors[:, 1] * tx - vectors[:, 0] * ty, vectors[:, 2]]
        )

    def seen(self, points: Array) -> Array:
        """Points (N, 3) x, y, depth as s, n, depth."""
        return self.turned(points - np.array([*self.start, 0.0]))

    def places(self, distance_m: Array) -> tuple[Array, Array]:
        """x (X,) and y (X,) at distances along the line, before its start and beyond its end too."""
        share = distance_m / self.length_m
        return tuple(s + share * (e - s) for s, e in zip(self.start, self.end, strict=True))  # type: ignore[return-value]


def section_of(shape: Shape, plane: Plane, across_m: float = 0.0) -> shapely.Geometry:
    """What a plane parallel to a line's own, `across_m` to its left, cuts out of a shape: in (s, depth), m.

    Notes
    -----
    The section of a convex hull is the convex hull of the points where the lines between all pairs of corners meet the
    plane: exact. An ellipsoid's section is an ellipse, drawn with 128 corners and its exact area.

    Examples
    --------
    >>> ball = Ellipsoid(np.array([1.0, 0.0, 2.0]), 0.5 * np.eye(3))
    >>> round(section_of(ball, Plane((0, 0), (4, 0)), 0.3).area / (math.pi * 0.4**2), 9)
    1.0
    """
    if isinstance(shape, Union):
        return shapely.union_all([section_of(part, plane, across_m) for part in shape.parts])
    if isinstance(shape, Less):
        return shapely.difference(section_of(shape.whole, plane, across_m), section_of(shape.hollow, plane, across_m))
    if isinstance(shape, Hull):
        return _hull_section(plane.seen(shape.corners), across_m)
    section = _ellipse(plane.seen(shape.centre[None])[0], plane.turned(shape.half_axes), across_m)
    if shape.lower and not section.is_empty:
        return shapely.intersection(section, shapely.box(-_FAR_M, float(shape.centre[2]), _FAR_M, _FAR_M))
    return section


def shadow_of(shape: Hull | Ellipsoid, plane: Plane) -> shapely.Geometry:
    """The outline of a convex shape seen from above, in (s, n), m."""
    if isinstance(shape, Hull):
        return shapely.convex_hull(shapely.MultiPoint(plane.seen(shape.corners)[:, :2]))
    level = plane.turned(shape.half_axes)[:, :2]
    # Half-axes of the shadow: conjugate half-axes of an ellipsoid give the spread (level^T level) of its shadow.
    spread, directions = np.linalg.eigh(level.T @ level)
    around = _CIRCLE * np.sqrt(np.maximum(spread, 0.0)) @ directions.T
    return shapely.convex_hull(shapely.MultiPoint(plane.seen(shape.centre[None])[0, :2] + around))


def convex_parts(shape: Shape) -> tuple[Hull | Ellipsoid, ...]:
    """The convex shapes that together reach as far as `shape` does."""
    if isinstance(shape, Less):
        return convex_parts(shape.whole)
    return shape.parts if isinstance(shape, Union) else (shape,)


def polygons_of(geometry: shapely.Geometry) -> Iterator[shapely.Polygon]:
    """The polygons of a geometry, without slivers, lines and points."""
    for part in shapely.get_parts(geometry):
        if isinstance(part, shapely.Polygon) and part.area > _NEGLIGIBLE_M2:
            yield part


def _hull_section(seen: Array, across_m: float) -> shapely.Geometry:
    away = seen[:, 1] - across_m
    left, right = seen[away > 0], seen[away < 0]
    points = seen[away == 0][:, [0, 2]]
    if len(left) and len(right):
        share = (left[:, None, 1] - across_m) / (left[:, None, 1] - right[None, :, 1])
        crossing = left[:, None, :] + share[..., None] * (right[None] - left[:, None])
        points = np.concatenate([points, crossing.reshape(-1, 3)[:, [0, 2]]])
    hull = shapely.convex_hull(shapely.MultiPoint(points)) if len(points) > 2 else shapely.Polygon()
    return hull if isinstance(hull, shapely.Polygon) else shapely.Polygon()


def _ellipse(centre: Array, half_axes: Array, across_m: float) -> shapely.Geometry:
    """The points centre + u·half_axes with |u| = 1 that lie in the plane: a circle on the unit sphere."""
    across = half_axes[:, 1]
    reach = float(np.linalg.norm(across))
    away = (across_m - float(centre[1])) / reach
    if abs(away) >= 1.0:
        return shapely.Polygon()
    # Rows 1 and 2 of the rotation are at right angles to the direction in which n grows.
    first = across / reach
    second = np.cross(first, np.eye(3)[int(np.argmin(np.abs(first)))])
    second /= np.linalg.norm(second)
    third = np.cross(first, second)
    middle = centre + away * (first @ half_axes)
    around = _ROUND * math.sqrt(1.0 - away * away) * (_CIRCLE @ np.stack([second, third])) @ half_axes
    return shapely.Polygon((middle + around)[:, [0, 2]])
