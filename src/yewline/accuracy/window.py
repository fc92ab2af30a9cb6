"""The surveyed ground as a window: exact membership of many points, uniform points inside, whatever its holes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline._compiled import njit
from yewline.errors import InputError

__all__ = ["Window", "ring_edges", "rings_contain", "rings_contain_numpy"]

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_MOST_BANDS = 512


@njit(cache=True, nogil=True)
def rings_contain(points: Array, edges: Array, bands: Array, starts: npt.NDArray[np.int64]) -> Bools:
    """Even-odd rule over all rings' edges; `starts` lists in which rows of `edges` each horizontal band begins.

    `edges` (E, 4) holds x0, y0, x1, y1, repeated for every band that an edge crosses; `bands` is (lowest y, bands a
    metre). A point is tested against the edges of its own band only.
    """
    n = points.shape[0]
    count = starts.shape[0] - 1
    inside = np.zeros(n, dtype=np.bool_)
    for i in range(n):
        x = points[i, 0]
        y = points[i, 1]
        place = (y - bands[0]) * bands[1]
        if place < 0.0 or place > count:
            continue
        band = min(int(place), count - 1)
        odd = False
        for e in range(starts[band], starts[band + 1]):
            if (edges[e, 1] > y) != (edges[e, 3] > y):
                crossing = edges[e, 0] + (y - edges[e, 1]) * (edges[e, 2] - edges[e, 0]) / (edges[e, 3] - edges[e, 1])
                if x < crossing:
                    odd = not odd
        inside[i] = odd
    return inside


def rings_contain_numpy(points: Array, edges: Array) -> Bools:
    """The same rule in plain NumPy, over (E, 4) edges without bands."""
    odd = np.zeros(len(points), dtype=np.bool_)
    x, y = points[:, 0], points[:, 1]
    for x0, y0, x1, y1 in edges:
        if y0 == y1:
            continue
        odd ^= ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return odd


@dataclass(frozen=True, slots=True)
class Window:
    """A polygon, or several, with holes, ready for testing and drawing many points.

    Attributes
    ----------
    area : the polygon or polygons.
    edges : (E, 4) x0, y0, x1, y1 of all rings.

    Examples
    --------
    >>> ring = shapely.box(0, 0, 4, 4) - shapely.box(1, 1, 3, 3)
    >>> window = Window.of(ring)
    >>> window.area_m2, window.contains([[0.5, 0.5], [2.0, 2.0], [5.0, 0.5]]).tolist()
    (12.0, [True, False, False])
    """

    area: shapely.Polygon | shapely.MultiPolygon
    edges: Array
    _sorted: Array
    _bands: Array
    _starts: npt.NDArray[np.int64]

    @classmethod
    def of(cls, area: Any, name: str = "area") -> Window:
        """Make a window of a polygon or multipolygon.

        Raises
        ------
        InputError : no polygon, one without surface, or one that crosses itself.
        """
        if not isinstance(area, shapely.Geometry):
            raise InputError(f"{name} must be a polygon", received=type(area).__name__)
        polygonal = _polygons(area)
        if polygonal is None:
            raise InputError(f"{name} has no surface", received=area.geom_type, do="give a polygon, site metres")
        if not polygonal.is_valid:
            raise InputError(
                f"{name} crosses itself", received=shapely.is_valid_reason(polygonal), do="draw its outline anew"
            )
        edges = ring_edges(polygonal)
        bands, starts, order = _bands_of(edges)
        return cls(polygonal, edges, edges[order], bands, starts)

    @property
    def area_m2(self) -> float:
        """Surface, holes taken out, m²."""
        return float(self.area.area)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1."""
        x0, y0, x1, y1 = self.area.bounds
        return x0, y0, x1, y1

    def contains(self, points: npt.ArrayLike) -> Bools:
        """Which of the points (n, 2) lie inside; holes are outside."""
        xy = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
        return rings_contain(xy, self._sorted, self._bands, self._starts)

    def sample(self, rng: np.random.Generator, n: int) -> Array:
        """`n` points (n, 2) uniform over the window."""
        x0, y0, x1, y1 = self.bounds
        share = self.area_m2 / ((x1 - x0) * (y1 - y0))
        found: list[Array] = []
        missing = n
        while missing > 0:
            tries = int(missing / share * 1.05) + 16
            points = rng.uniform((x0, y0), (x1, y1), (tries, 2))
            kept = points[self.contains(points)][:missing]
            found.append(kept)
            missing -= len(kept)
        return np.concatenate(found) if found else np.empty((0, 2))

    def rectangle(self) -> tuple[Array, Array, tuple[float, float]] | None:
        """Corner (2,), axes (2, 2) as rows and sides where the window is a rectangle without holes, else None."""
        box = shapely.minimum_rotated_rectangle(self.area)
        if box.geom_type != "Polygon" or self.area_m2 < box.area * (1.0 - 1e-9):
            return None
        corners = shapely.get_coordinates(box)[:4]
        along, across = corners[1] - corners[0], corners[3] - corners[0]
        a, b = float(np.hypot(*along)), float(np.hypot(*across))
        return corners[0], np.stack([along / a, across / b]), (a, b)


def ring_edges(area: shapely.Geometry) -> Array:
    """Edges (E, 4) x0, y0, x1, y1 of all rings of a polygon or multipolygon."""
    rings = shapely.get_rings(np.atleast_1d(np.asarray(shapely.get_parts(area), dtype=object)))
    parts = []
    for ring in rings:
        xy = shapely.get_coordinates(ring)
        parts.append(np.hstack([xy[:-1], xy[1:]]))
    return np.ascontiguousarray(np.concatenate(parts), dtype=np.float64)


def _polygons(area: shapely.Geometry) -> shapely.Polygon | shapely.MultiPolygon | None:
    # Intersections of outlines can bring stray lines and points along; they have no surface.
    if area.geom_type in ("Polygon", "MultiPolygon"):
        return area if area.area > 0 else None
    parts = [part for part in shapely.get_parts(area) if part.geom_type in ("Polygon", "MultiPolygon")]
    union = shapely.union_all(parts) if parts else None
    return union if union is not None and union.area > 0 else None


def _bands_of(edges: Array) -> tuple[Array, npt.NDArray[np.int64], npt.NDArray[np.intp]]:
    low, high = np.minimum(edges[:, 1], edges[:, 3]), np.maximum(edges[:, 1], edges[:, 3])
    bottom, top = float(low.min()), float(high.max())
    count = int(min(_MOST_BANDS, max(1, len(edges))))
    per_metre = count / (top - bottom)
    # A sliver of slack on either side, so that rounding can never part an edge from a point beside it.
    first = np.clip(np.floor((low - bottom) * per_metre - 1e-6).astype(np.int64), 0, count - 1)
    last = np.clip(np.floor((high - bottom) * per_metre + 1e-6).astype(np.int64), 0, count - 1)
    spans = last - first + 1
    edge = np.repeat(np.arange(len(edges)), spans)
    band = np.repeat(first, spans) + (np.arange(int(spans.sum())) - np.repeat(np.cumsum(spans) - spans, spans))
    order = np.argsort(band, kind="stable")
    starts = np.searchsorted(band[order], np.arange(count + 1)).astype(np.int64)
    return np.array([bottom, per_metre]), starts, edge[order]
