"""Natural neighbours: Sibson's weights of scattered points, from the circles of their Delaunay triangles."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import prange
from scipy.spatial import Delaunay

from yewline._compiled import njit

__all__ = ["natural_weights", "natural_weights_plain"]

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

_MOST: Final = 96
"""Triangles about one point at the most; lines recorded densely beside each other have about thirty."""
_ASIDE: Final = 1e-6
"""A point on the edge of a triangle is taken so much beside it, in its lengths: circles are finite there."""


def natural_weights(triangles: Delaunay, at: Array) -> tuple[Index, Array]:
    """Natural neighbours of points inside a triangulation, and Sibson's weights.

    Parameters
    ----------
    triangles : of the places of the data.
    at : (M, 2) points.

    Returns
    -------
    (M, K) numbers of the neighbours and their weights, which sum to one; filled up with weights of zero. Points outside
    the hull have no weight, and neither have those about which more than 96 triangles lie.

    Notes
    -----
    A point's weight for a neighbour is the share of the cell that it would have among the Voronoi cells of the data
    which it takes from that neighbour. In Watson's form: over each triangle with vertices v₀ v₁ v₂ whose circle, with
    centre c, holds the point, vertex vᵢ gains the signed area of (c, cⱼ, cₖ), cⱼ and cₖ being the centres of the
    circles through the point and the two edges at vᵢ. A plane is returned as it is.

    References
    ----------
    Sibson 1981, in Interpreting Multivariate Data, 21–36; Watson 1992, Contouring (both from memory).

    Examples
    --------
    >>> square = Delaunay([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    >>> numbers, weights = natural_weights(square, np.array([[0.5, 0.5]]))
    >>> np.bincount(numbers[0], weights[0]).round(5).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    points = np.ascontiguousarray(triangles.points, np.float64)
    places = np.ascontiguousarray(at, np.float64)
    start = np.asarray(triangles.find_simplex(places, tol=1e-9), np.int64)
    corners, beside = np.asarray(triangles.simplices, np.int64), np.asarray(triangles.neighbors, np.int64)
    numbers, weights = _natural(points, corners, beside, start, places)
    return numbers, weights


@njit(cache=True, nogil=True)
def _centre(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> tuple[float, float]:
    """Centre of the circle through three points."""
    bx, by, cx, cy = bx - ax, by - ay, cx - ax, cy - ay
    twice = 2.0 * (bx * cy - by * cx)
    b, c = bx * bx + by * by, cx * cx + cy * cy
    return ax + (cy * b - by * c) / twice, ay + (bx * c - cx * b) / twice


@njit(cache=True, nogil=True)
def _gather(points: Array, corners: Index, beside: Index, start: int, x: float, y: float, found: Index) -> int:
    """Triangles whose circles hold the point, from the one that it lies in outward; −1 where they are too many."""
    found[0] = start
    n, done = 1, 0
    while done < n:
        for k in range(3):
            other = beside[found[done], k]
            if other < 0:
                continue
            seen = False
            for m in range(n):
                seen = seen or found[m] == other
            if seen:
                continue
            a, b, c = corners[other, 0], corners[other, 1], corners[other, 2]
            cx, cy = _centre(points[a, 0], points[a, 1], points[b, 0], points[b, 1], points[c, 0], points[c, 1])
            if (x - cx) ** 2 + (y - cy) ** 2 < (points[a, 0] - cx) ** 2 + (points[a, 1] - cy) ** 2:
                if n == len(found):
                    return -1
                found[n] = other
                n += 1
        done += 1
    return n


@njit(cache=True, parallel=True, nogil=True)
def _natural(points: Array, corners: Index, beside: Index, start: Index, at: Array) -> tuple[Index, Array]:
    numbers, weights = np.zeros((len(at), _MOST), np.int64), np.zeros((len(at), _MOST))
    for p in prange(len(at)):
        if start[p] < 0:
            continue
        found = np.empty(_MOST - 2, np.int64)
        x, y = _beside_edges(points, corners[start[p]], at[p, 0], at[p, 1])
        n = _gather(points, corners, beside, start[p], x, y, found)
        n_near = 0
        total = 0.0
        for m in range(n):
            v = corners[found[m]]
            cx, cy = _centre(points[v[0], 0], points[v[0], 1], points[v[1], 0], points[v[1], 1],
                             points[v[2], 0], points[v[2], 1])  # fmt: skip
            for i in range(3):
                a, b, c = v[i], v[(i + 1) % 3], v[(i + 2) % 3]
                bx, by = _centre(x, y, points[a, 0], points[a, 1], points[b, 0], points[b, 1])
                dx, dy = _centre(x, y, points[a, 0], points[a, 1], points[c, 0], points[c, 1])
                area = (bx - cx) * (dy - cy) - (by - cy) * (dx - cx)
                k = 0
                while k < n_near and numbers[p, k] != a:
                    k += 1
                if k == n_near:
                    numbers[p, k] = a
                    n_near += 1
                weights[p, k] += area
                total += area
        for k in range(n_near):
            weights[p, k] /= total
    return numbers, weights


@njit(cache=True, nogil=True)
def _beside_edges(points: Array, v: Index, x: float, y: float) -> tuple[float, float]:
    """The point, moved toward the middle of its triangle where it lies on an edge."""
    mx = (points[v[0], 0] + points[v[1], 0] + points[v[2], 0]) / 3.0
    my = (points[v[0], 1] + points[v[1], 1] + points[v[2], 1]) / 3.0
    for i in range(3):
        ax, ay, bx, by = points[v[i], 0], points[v[i], 1], points[v[(i + 1) % 3], 0], points[v[(i + 1) % 3], 1]
        length = math.hypot(bx - ax, by - ay)
        if abs((bx - ax) * (y - ay) - (by - ay) * (x - ax)) < _ASIDE * length * length:
            return x + 3.0 * _ASIDE * (mx - x), y + 3.0 * _ASIDE * (my - y)
    return x, y


def natural_weights_plain(points: Array, at: Array, *, step: float, reach: float) -> Array:
    """The weights of `natural_weights` by counting: the twin that knows nothing of triangles.

    Parameters
    ----------
    points, at : (N, 2) data and (M, 2) points.
    step : distance of the places that are counted; the error shrinks with it.
    reach : half the side of the square about each point in which they are; its cell must lie inside.

    Returns
    -------
    (M, N) weights.

    Examples
    --------
    >>> corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    >>> natural_weights_plain(corners, np.array([[0.5, 0.5]]), step=0.01, reach=0.6).round(1).tolist()
    [[0.3, 0.2, 0.2, 0.2]]
    """
    ticks = np.arange(-reach + 0.5 * step, reach, step)
    square = np.stack(np.meshgrid(ticks, ticks), axis=-1).reshape(-1, 2)
    weights = np.empty((len(at), len(points)))
    for row, place in zip(weights, at, strict=True):
        squared = ((place + square)[:, None] - points) ** 2
        away = squared.sum(axis=2)
        taken = (square**2).sum(axis=1) < away.min(axis=1)
        row[:] = np.bincount(away[taken].argmin(axis=1), minlength=len(points)) / taken.sum()
    return weights
