"""Distance from each cell to the nearest stretch of a line: how far a map is from what was measured."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from numba import prange
from scipy.spatial import KDTree

from yewline._check import check_positive
from yewline._compiled import njit
from yewline.errors import InputError
from yewline.volume.interpolate import Nodes, buckets_of

__all__ = ["distance_to_data_m", "distance_to_data_m_plain"]

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

_NEAREST: Final = 8
_BLOCK: Final = 65_536


def distance_to_data_m(nodes: Nodes, x: Array, y: Array, *, radius_m: float) -> npt.NDArray[np.float32]:
    """Distance from each cell to the nearest stretch of a line.

    Parameters
    ----------
    nodes : N points on lines, each standing for `half_m` of its line to either side.
    x, y : (X,), (Y,) cell centres, m.
    radius_m : cells with a node within it are done the fast way; it changes nothing else.

    Returns
    -------
    (Y, X) float32, m; 0 on a line.

    Raises
    ------
    InputError : there are no nodes, or the radius is not positive.

    Examples
    --------
    >>> one = np.ones(2)
    >>> nodes = Nodes(np.array([0.5, 1.5]), 0 * one, one, 0 * one, 0.5 * one, one, np.ones((2, 1), np.float32))
    >>> distance_to_data_m(nodes, np.array([1.2, 5.0]), np.array([0.0, 4.0]), radius_m=1.0).tolist()
    [[0.0, 3.0], [4.0, 5.0]]
    """
    radius = check_positive(radius_m, "radius_m")
    if len(nodes.x) == 0:
        raise InputError("there are no nodes to be near to")
    order, start, corner, shape, _ = buckets_of(nodes, radius)
    stretches = tuple(getattr(nodes, name)[order] for name in ("x", "y", "ux", "uy", "half_m"))
    at = np.ascontiguousarray(x, np.float64), np.ascontiguousarray(y, np.float64)
    # Beyond this a stretch of which only the end is within the radius might be nearer.
    sure = radius - float(nodes.half_m.max())
    away: npt.NDArray[np.float32] = _near(stretches, (start, corner, shape), *at, (radius, max(sure, 0.0)))
    far = np.argwhere(~np.isfinite(away))
    if len(far):
        away[tuple(far.T)] = _far(nodes, np.column_stack([at[0][far[:, 1]], at[1][far[:, 0]]]))
    return away


def distance_to_data_m_plain(nodes: Nodes, places: Array) -> Array:
    """The twin of `distance_to_data_m` for any places (M, 2): all stretches are tried for each.

    Examples
    --------
    >>> one = np.ones(1)
    >>> nodes = Nodes(0 * one, 0 * one, one, 0 * one, 0.5 * one, one, np.ones((1, 1), np.float32))
    >>> distance_to_data_m_plain(nodes, np.array([[0.2, 1.0], [3.5, 4.0]])).tolist()
    [1.0, 5.0]
    """
    every = np.broadcast_to(np.arange(len(nodes.x)), (len(places), len(nodes.x)))
    return _least(nodes, places, every)


def _least(nodes: Nodes, places: Array, near: Index) -> Array:
    """Distance (M,) to the nearest of the stretches (M, K)."""
    dx, dy = nodes.x[near] - places[:, :1], nodes.y[near] - places[:, 1:]
    along, cross = np.abs(dx * nodes.ux[near] + dy * nodes.uy[near]), dx * nodes.uy[near] - dy * nodes.ux[near]
    away: Array = np.hypot(np.maximum(along - nodes.half_m[near], 0.0), cross).min(axis=1)
    return away


def _far(nodes: Nodes, places: Array) -> Array:
    """Distance of places (M, 2) by a tree of the stretches' middles."""
    tree = KDTree(np.column_stack([nodes.x, nodes.y]))
    longest = float(nodes.half_m.max())
    away = np.empty(len(places))
    for start in range(0, len(places), _BLOCK):
        left, count = np.arange(start, min(start + _BLOCK, len(places))), _NEAREST
        while len(left):
            count = min(count, tree.n)
            middle, near = (a.reshape(len(left), -1) for a in tree.query(places[left], k=count, workers=-1))
            away[left] = _least(nodes, places[left], near)
            # A stretch whose middle is farther off may still reach nearer, by half its length.
            left = left[(middle[:, -1] - longest < away[left]) & (count < tree.n)]
            count *= 2
    return away


@njit(cache=True, parallel=True, nogil=True)
def _near(
    stretches: tuple[Array, Array, Array, Array, Array],
    buckets: tuple[Index, tuple[float, float], tuple[int, int]],
    x: Array,
    y: Array,
    reach: tuple[float, float],
) -> npt.NDArray[np.float32]:
    """Distances up to the second of `reach`, infinite beyond; the first is the width of a bucket."""
    nx, ny, ux, uy, half = stretches
    start, corner, shape = buckets
    radius, sure = reach
    out = np.full((len(y), len(x)), np.inf, np.float32)
    for row in prange(len(y)):
        j = math.floor((y[row] - corner[1]) / radius)
        for col in range(len(x)):
            i = math.floor((x[col] - corner[0]) / radius)
            least = math.inf
            for b in range(max(0, j - 1), min(shape[0], j + 2)):
                for a in range(max(0, i - 1), min(shape[1], i + 2)):
                    for k in range(start[b * shape[1] + a], start[b * shape[1] + a + 1]):
                        dx, dy = nx[k] - x[col], ny[k] - y[row]
                        along = max(abs(dx * ux[k] + dy * uy[k]) - half[k], 0.0)
                        cross = dx * uy[k] - dy * ux[k]
                        least = min(least, along * along + cross * cross)
            if least < sure * sure:
                out[row, col] = math.sqrt(least)
    return out
