"""Perfect conductors whose faces cut through cells: which nodes they hold at zero, and how near their faces are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["Cuts", "bounded_weights", "cut_links"]

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_LONGEST = 1.5
"""Cells from a node outside to a face that lies behind its neighbour, where that one stands for a thin conductor."""
_SHORTEST = 1e-6
_SAFETY = 0.99


@dataclass(frozen=True, slots=True)
class Cuts:
    """Nodes inside conductors, and the links between a node outside and one inside.

    Attributes
    ----------
    inside : (X, Z), true where the field is held at zero.
    i, k : (L,) the link's first node; `down` tells links between depths from links between columns.
    open_share : (L,) distance from the node outside to the face along the link, in cells: (0, 1], or up to 1.5 where
        the face of a thin conductor lies behind the node that stands for it.
    outer : (L, 2) the node outside.
    """

    inside: Mask
    i: Index
    k: Index
    down: Mask
    open_share: Array
    outer: Index


def cut_links(conductors: Sequence[shapely.Polygon], x: Array, z: Array, cell_m: float) -> Cuts:
    """Where conductors cut the links of a grid.

    Parameters
    ----------
    conductors : outlines (distance, depth), m.
    x, z : (X,) and (Z,) nodes, m.
    cell_m : between them.

    Notes
    -----
    Faraday's law over the open part of a link, whose far end holds no field, drives the magnetic field there with
    1/share of the difference; Ampère's law stays as it is. The error of the field is of second order in the cell.

    Where a conductor passes between two nodes and holds neither (a plate thinner than a cell, a corner), the nearer one
    is held for it, so that no plate lets a wave through however thin and slanted it is; its faces stay where they are.
    A wire that lies between all links is held at the nearest node, which acts as a wire of 0.2 cells' radius.

    References
    ----------
    Dey & Mittra 1997, IEEE Microw. Guided Wave Lett. 7:273–275 (cut cells).
    Gibou, Fedkiw, Cheng & Kang 2002, J. Comput. Phys. 176:205–227 (why this symmetric form is of second order).
    """
    inside = np.zeros((len(x), len(z)), np.bool_)
    for body in conductors:
        _hold(inside, body, x, z)
    # Afterwards, so that what one conductor holds is not held again for another.
    for body in conductors:
        _hold_thin(inside, body, x, z, cell_m)
    shape = shapely.union_all(list(conductors)) if len(conductors) else shapely.Polygon()
    shapely.prepare(shape)
    parts = [_links(inside, shape, x, z, cell_m, down=down) for down in (False, True)]
    i, k, share, outer = (np.concatenate([part[n] for part in parts]) for n in range(4))
    down = np.repeat([False, True], [len(part[0]) for part in parts])
    return Cuts(inside, i, k, down, share, outer)


def bounded_weights(cuts: Cuts, ceiling: Array) -> Array:
    """One over each link's open share, (L,), held below what the time step bears.

    Parameters
    ----------
    cuts : from `cut_links`.
    ceiling : (X, Z) what the sum below must not exceed: 4 ε (cell/cΔt)², ε being what the fastest field meets.

    Notes
    -----
    By Gershgorin's theorem a leapfrog is stable where for each node the weights of its links, those to other open nodes
    counted twice, sum to less than the ceiling. Loss and relaxation add nothing to it: the fastest alternation of a
    grid meets ε alone. What nearness adds beyond one is shortened where the sum would be more. In air at the usual time
    step that begins at a face nearer than half a cell, in permittivity 5 at one nearer than a thirtieth.
    """
    weight = 1.0 / cuts.open_share
    nodes, which, count = np.unique(
        cuts.outer[:, 0] * ceiling.shape[1] + cuts.outer[:, 1], return_inverse=True, return_counts=True
    )
    allowed = _SAFETY * ceiling.ravel()[nodes] - 2.0 * (4.0 - count) - count
    asked = np.bincount(which, np.maximum(weight - 1.0, 0.0))
    share = np.clip(np.divide(allowed, asked, out=np.ones_like(asked), where=asked > allowed), 0.0, 1.0)
    return np.where(weight > 1.0, 1.0 + (weight - 1.0) * share[which], weight)


def _hold(inside: Mask, body: shapely.Polygon, x: Array, z: Array) -> None:
    """Hold the nodes that lie in a conductor."""
    columns, rows = _bounds(body, x, z, 0.0)
    if len(columns) and len(rows):
        xx, zz = np.meshgrid(x[columns], z[rows], indexing="ij")
        inside[np.ix_(columns, rows)] |= shapely.intersects_xy(body, xx, zz)


def _hold_thin(inside: Mask, body: shapely.Polygon, x: Array, z: Array, cell_m: float) -> None:
    """Hold the nearer node of every link that a conductor crosses without holding either of its nodes."""
    columns, rows = _bounds(body, x, z, cell_m)
    if not (len(columns) and len(rows)):
        return
    shapely.prepare(body)
    crossed = False
    found: list[Index] = []
    for step in np.array([(1, 0), (0, 1)]):
        i, k = (part.ravel() for part in np.meshgrid(columns, rows, indexing="ij"))
        kept = (i + step[0] < len(x)) & (k + step[1] < len(z))
        first = np.column_stack([i, k])[kept]
        second = first + step
        start, end = _places(first, x, z), _places(second, x, z)
        lines = shapely.linestrings(np.stack([start, end], axis=1))
        across = shapely.intersects(body, lines)
        crossed |= bool(across.any())
        free = np.flatnonzero(across & ~inside[*first.T] & ~inside[*second.T])
        part = shapely.intersection(lines[free], body)
        nearer = shapely.distance(shapely.points(start[free]), part) <= shapely.distance(
            shapely.points(end[free]), part
        )
        found.append(np.where(nearer[:, None], first[free], second[free]))
    if not crossed:
        middle = body.representative_point()
        i, k = round((middle.x - x[0]) / cell_m), round((middle.y - z[0]) / cell_m)
        if 0 <= i < len(x) and 0 <= k < len(z):
            found.append(np.array([[i, k]]))
    held = np.concatenate(found)
    inside[held[:, 0], held[:, 1]] = True


def _bounds(body: shapely.Polygon, x: Array, z: Array, more: float) -> tuple[Index, Index]:
    left, low, right, high = body.bounds
    return (
        np.flatnonzero((x >= left - more) & (x <= right + more)),
        np.flatnonzero((z >= low - more) & (z <= high + more)),
    )


def _places(nodes: Index, x: Array, z: Array) -> Array:
    return np.column_stack([x[nodes[:, 0]], z[nodes[:, 1]]])


def _links(
    inside: Mask, shape: shapely.Geometry, x: Array, z: Array, cell_m: float, *, down: bool
) -> tuple[Index, Index, Array, Index]:
    step = np.array((0, 1) if down else (1, 0))
    here = inside[: inside.shape[0] - step[0], : inside.shape[1] - step[1]]
    there = inside[step[0] :, step[1] :]
    i, k = np.nonzero(here != there)
    if not len(i):
        return i, k, np.zeros(0), np.zeros((0, 2), np.int64)
    first_in = here[i, k][:, None]
    outer = np.column_stack([i, k]) + np.where(first_in, step, 0)
    toward = np.where(first_in, -step, step)
    start = _places(outer, x, z)
    lines = shapely.linestrings(np.stack([start, start + _LONGEST * cell_m * toward], axis=1))
    length = shapely.distance(shapely.points(start), shapely.intersection(lines, shape))
    # A node that is held for a thin conductor may have it on another side.
    share = np.where(np.isnan(length), 1.0, length / cell_m)
    return i, k, np.clip(share, _SHORTEST, _LONGEST), outer
