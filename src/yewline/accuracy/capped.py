"""Mean capped distance of burial outlines to their nearest hotspot, for many draws: compiled, with a NumPy twin."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline._compiled import njit
from yewline.accuracy.window import ring_edges

__all__ = ["capped_means", "capped_means_shapely", "outline_distance", "pack_outlines"]

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def outline_distance(x: float, y: float, edges: Array, first: int, last: int) -> float:
    """Distance from a point to one outline's edges; zero inside (even-odd rule)."""
    odd = False
    least = np.inf
    for e in range(first, last):
        x0, y0, x1, y1 = edges[e, 0], edges[e, 1], edges[e, 2], edges[e, 3]
        if (y0 > y) != (y1 > y) and x < x0 + (y - y0) * (x1 - x0) / (y1 - y0):
            odd = not odd
        dx, dy = x1 - x0, y1 - y0
        square = dx * dx + dy * dy
        # An edge without length is a point: an outline that is a mere centroid.
        t = 0.0 if square == 0.0 else min(1.0, max(0.0, ((x - x0) * dx + (y - y0) * dy) / square))
        gap = (x - x0 - t * dx) ** 2 + (y - y0 - t * dy) ** 2
        least = min(least, gap)
    return 0.0 if odd else np.sqrt(least)


@njit(cache=True, nogil=True)
def _means(points: Array, edges: Array, starts: Ints, boxes: Array, cap: float, keep: Bools) -> Array:
    draws, n = points.shape[0], points.shape[1]
    m = boxes.shape[0]
    out = np.empty(draws)
    for d in range(draws):
        row = min(d, keep.shape[0] - 1)
        total = 0.0
        kept = 0
        for j in range(m):
            if not keep[row, j]:
                continue
            best = cap
            for i in range(n):
                x, y = points[d, i, 0], points[d, i, 1]
                if x < boxes[j, 0] or x > boxes[j, 2] or y < boxes[j, 1] or y > boxes[j, 3]:
                    continue
                best = min(best, outline_distance(x, y, edges, starts[j], starts[j + 1]))
            total += best
            kept += 1
        out[d] = total / kept if kept > 0 else np.nan
    return out


def capped_means(points: Array, outlines: npt.NDArray[Any], *, cap_m: float, keep: Bools | None = None) -> Array:
    """Mean over burials of the distance from their outline to the nearest point, capped, for each draw.

    Parameters
    ----------
    points : (D, n, 2) each draw's hotspot centroids, m.
    outlines : (B,) burial outlines, or points where distances are to centroids.
    cap_m : distances above count as this one.
    keep : (D, B) burials that enter the mean; all where None.

    Returns
    -------
    means : (D,) m; NaN where nothing is kept.

    Examples
    --------
    >>> capped_means(np.array([[[3.0, 0.5]], [[9.0, 0.5]]]), np.array([shapely.box(0, 0, 2, 1)]), cap_m=2.0).tolist()
    [1.0, 2.0]
    """
    edges, starts, boxes = pack_outlines(outlines, margin_m=cap_m)
    every = np.ones((1, len(outlines)), np.bool_) if keep is None else np.ascontiguousarray(keep)
    return _means(np.ascontiguousarray(points), edges, starts, boxes, cap_m, every)


def capped_means_shapely(
    points: Array, outlines: npt.NDArray[Any], *, cap_m: float, keep: Bools | None = None
) -> Array:
    """The same as `capped_means` by shapely's own distances: the twin that the compiled kernel is held to."""
    distance = shapely.distance(shapely.points(points)[:, :, None], outlines[None, None, :]).min(axis=1)
    every = np.ones(distance.shape, np.bool_) if keep is None else np.broadcast_to(keep, distance.shape)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(every, np.minimum(distance, cap_m), 0.0).sum(axis=1) / every.sum(axis=1))


def pack_outlines(outlines: npt.NDArray[Any], *, margin_m: float) -> tuple[Array, Ints, Array]:
    """Outlines for compiled code: edges (E, 4), the rows (B + 1,) where each outline begins, and boxes (B, 4) around.

    Parameters
    ----------
    outlines : (B,) at least one.
    margin_m : by which each box reaches beyond its outline on every side.
    """
    parts = [_edges(outline) for outline in outlines]
    starts = np.cumsum([0, *(len(part) for part in parts)]).astype(np.int64)
    boxes = shapely.bounds(outlines).reshape(-1, 4) + np.array([-margin_m, -margin_m, margin_m, margin_m])
    return np.concatenate(parts), starts, boxes


def _edges(outline: Any) -> Array:
    if outline.geom_type in ("Polygon", "MultiPolygon"):
        return ring_edges(outline)
    xy = shapely.get_coordinates(outline)
    return np.hstack([xy[:-1], xy[1:]]) if len(xy) > 1 else np.hstack([xy, xy])
