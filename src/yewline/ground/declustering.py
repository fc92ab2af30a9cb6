"""Weights for readings that lie bunched: each stands for the ground that is nearer to it than to any other."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import Voronoi

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["declustering_weights", "on_one_line"]

Array = npt.NDArray[np.float64]

# Readings that stray less than this share of their extent from a straight line lie on one line.
_STRAIGHT: Final = 1e-3
_FAR: Final = 20.0  # times the ground's extent


def declustering_weights(xy: npt.ArrayLike, *, area: shapely.Geometry | None = None) -> Array:
    """Weight of each reading by its share of the ground (Voronoi cells).

    A dense micro transect inside a wide grid would count ten times in a plain mean; by area it counts once.

    Parameters
    ----------
    xy : (R, 2) places, m.
    area : outline of the ground that the readings stand for; by default their convex hull.

    Returns
    -------
    (R,) weights ≥ 0 that sum to one. Readings at one place share its weight. Along one straight line each reading
    stands for half the way to its neighbours, and the outline is not asked.

    Raises
    ------
    InputError : shapes do not fit, or the outline meets the cell of no reading.

    Notes
    -----
    wᵢ = |Vᵢ ∩ A| / |A| with Vᵢ the Voronoi cell of place i. By the hull, readings at its edge have half a cell and at
    its corners a quarter: the trapezoidal rule in two dimensions.

    References
    ----------
    Isaaks & Srivastava 1989, An Introduction to Applied Geostatistics, ch. 10 (polygons of influence).

    Examples
    --------
    >>> declustering_weights([[0, 0], [1, 0], [1.0, 0], [4, 0]]).tolist()
    [0.125, 0.25, 0.25, 0.375]
    """
    points = check_array(xy, "xy", ndim=2)
    if points.shape[1] != 2:
        raise InputError("points must be (n, 2) in the order x, y", received=f"shape {points.shape}")
    places, which, times = np.unique(points, axis=0, return_inverse=True, return_counts=True)
    if len(places) == 1:
        return np.full(len(points), 1.0 / len(points))
    share = _along_line(places) if on_one_line(places) else _by_cells(places, area)
    return np.asarray((share / times)[which.ravel()])


def on_one_line(xy: Array) -> bool:
    """Whether places (R, 2) lie on one straight line, or at one place."""
    if len(xy) < 3:
        return True
    spread = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    return bool(spread[1] <= _STRAIGHT * spread[0])


def _along_line(places: Array) -> Array:
    centred = places - places.mean(axis=0)
    along = centred @ np.linalg.svd(centred, full_matrices=False)[2][0]
    order = np.argsort(along)
    half = np.diff(along[order]) / 2.0
    share = np.empty(len(places))
    share[order] = np.append(half, 0.0) + np.append(0.0, half)
    return np.asarray(share / share.sum())


def _by_cells(places: Array, area: shapely.Geometry | None) -> Array:
    ground = shapely.convex_hull(shapely.multipoints(places)) if area is None else area
    # Qhull, not GEOS: GEOS loses cells where many places lie on one circle. Four places far outside close every cell.
    low, high = np.reshape(shapely.total_bounds([ground, shapely.multipoints(places)]), (2, 2))
    middle, reach = 0.5 * (low + high), _FAR * float(np.max(high - low))
    outside = middle + reach * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])
    diagram = Voronoi(np.concatenate([places, outside]) - middle)
    corners = diagram.vertices + middle
    cells = [shapely.Polygon(corners[diagram.regions[diagram.point_region[i]]]) for i in range(len(places))]
    size = shapely.area(shapely.intersection(cells, ground))
    if size.sum() <= 0:
        raise InputError("the area meets the ground of no reading", do="give the outline in the readings' own metres")
    return np.asarray(size / size.sum())
