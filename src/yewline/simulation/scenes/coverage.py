"""How much of each cell of a section lies inside a polygon: exact areas, not samples."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["Block", "cover_block", "coverage"]

Array = npt.NDArray[np.float64]
Block = tuple[slice, slice, Array]

_QUANTUM = 2.0**30
_EVEN = 1e-6


def coverage(polygon: shapely.Polygon, x: npt.ArrayLike, z: npt.ArrayLike, cell_m: float) -> Array:
    """Share of each node's cell that lies inside a polygon.

    Parameters
    ----------
    polygon : in (distance, depth), m; holes and several parts are allowed.
    x, z : (X,) distances and (Z,) depths of the nodes, one cell apart, m.
    cell_m : side of the square cells centred on the nodes.

    Returns
    -------
    (X, Z) float64 from 0 to 1.

    Raises
    ------
    InputError : the nodes are not one cell apart.

    Notes
    -----
    Each edge is split where it meets the lines between cells. A piece with run Δu in column i, whose middle lies the
    share m down the cell k, adds Δu(1 − m) to cell (i, k) and Δu to all cells below; the sum over the edges of a closed
    ring is the enclosed area of each cell (Green's theorem), exact to round-off. The result is rounded to 2⁻³⁰, so
    that it does not depend on where a ring begins.

    Examples
    --------
    >>> share = coverage(shapely.box(0.5, 0.25, 2.0, 1.0), [0.0, 1.0, 2.0], [0.0, 1.0], 1.0)
    >>> share.tolist()
    [[0.0, 0.0], [0.25, 0.5], [0.125, 0.25]]
    """
    xs, zs = check_array(x, "x", ndim=1), check_array(z, "z", ndim=1)
    cell = check_positive(cell_m, "cell_m")
    for name, nodes in (("x", xs), ("z", zs)):
        if len(nodes) > 1 and np.abs(np.diff(nodes) - cell).max() > _EVEN * cell:
            raise InputError(f"{name} must be nodes one cell apart", received=f"cell_m {cell:g}")
    whole = np.zeros((len(xs), len(zs)))
    columns, rows, block = cover_block(polygon, (float(xs[0]), float(zs[0])), whole.shape, cell)
    whole[columns, rows] = block
    return whole


def cover_block(polygon: shapely.Geometry, first: tuple[float, float], shape: tuple[int, ...], cell_m: float) -> Block:
    """Like `coverage`, but only for the columns and rows that the polygon reaches.

    Parameters
    ----------
    polygon : in (distance, depth), m.
    first : distance and depth of the first node.
    shape : columns and rows of the whole section.
    cell_m : side of a cell.

    Returns
    -------
    Columns and rows as slices, and the shares there.
    """
    columns, rows = _reach(polygon, first, shape, cell_m)
    counts = (columns.stop - columns.start, rows.stop - rows.start)
    if not counts[0] or not counts[1]:
        return columns, rows, np.zeros(counts)
    corner = (first[0] + (columns.start - 0.5) * cell_m, first[1] + (rows.start - 0.5) * cell_m)
    total = np.zeros(counts[0] * (counts[1] + 2))
    for part in shapely.get_parts(polygon):
        if isinstance(part, shapely.Polygon):
            for number, ring in enumerate((part.exterior, *part.interiors)):
                edges = (shapely.get_coordinates(ring) - corner) / cell_m
                # Seen with depth downward: the outer ring must run so that what lies under its upper side is inside.
                if bool(shapely.is_ccw(ring)) == (number > 0):
                    edges = edges[::-1]
                _add_edges(total, edges, counts)
    share = np.cumsum(total.reshape(counts[0], counts[1] + 2), axis=1)[:, :-2]
    return columns, rows, np.clip(np.round(share * _QUANTUM) / _QUANTUM, 0.0, 1.0)


def _reach(
    polygon: shapely.Geometry, first: tuple[float, float], shape: tuple[int, ...], cell_m: float
) -> tuple[slice, slice]:
    if polygon.is_empty:
        return slice(0, 0), slice(0, 0)
    left, top, right, base = polygon.bounds
    slices = []
    for low, high, origin, count in ((left, right, first[0], shape[0]), (top, base, first[1], shape[1])):
        begin = min(max(math.floor((low - origin) / cell_m + 0.5), 0), count)
        end = min(max(math.ceil((high - origin) / cell_m + 0.5), begin), count)
        slices.append(slice(begin, end))
    return slices[0], slices[1]


def _add_edges(total: Array, ring: Array, counts: tuple[int, int]) -> None:
    """Add a closed ring's edges, in cells from the block's corner, to the (columns, rows + 2) table `total`."""
    start, end = ring[:-1], ring[1:]
    keep = start[:, 0] != end[:, 0]
    edge, at = _split(start[keep], end[keep])
    if not len(edge):
        return
    a, b = start[keep][edge], end[keep][edge]
    at, until = at[:, 0], at[:, 1]
    u0, u1 = (a[:, 0] + share * (b[:, 0] - a[:, 0]) for share in (at, until))
    v = a[:, 1] + 0.5 * (at + until) * (b[:, 1] - a[:, 1])
    column = np.floor(0.5 * (u0 + u1)).astype(np.int64)
    # Above the block an edge counts for all rows, below it for none.
    v = np.clip(v, 0.0, float(counts[1]))
    row = np.floor(v).astype(np.int64)
    down = v - row
    run = u1 - u0
    inside = (column >= 0) & (column < counts[0])
    place = (column * (counts[1] + 2) + row)[inside]
    run, down = run[inside], down[inside]
    np.add.at(total, place, run * (1.0 - down))
    np.add.at(total, place + 1, run * down)


def _split(start: Array, end: Array) -> tuple[npt.NDArray[np.int64], Array]:
    """Pieces of edges between the whole numbers that they cross: the edge of each, and its share (from, until)."""
    edges, shares = [np.repeat(np.arange(len(start)), 2)], [np.tile([0.0, 1.0], len(start))]
    for axis in (0, 1):
        a, b = start[:, axis], end[:, axis]
        low, high = np.minimum(a, b), np.maximum(a, b)
        lowest = np.floor(low).astype(np.int64) + 1
        many = np.maximum(np.ceil(high).astype(np.int64) - lowest, 0)
        which = np.repeat(np.arange(len(a)), many)
        line = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many) + lowest[which]
        edges.append(which)
        shares.append((line - a[which]) / (b[which] - a[which]))
    edge, share = np.concatenate(edges), np.concatenate(shares)
    order = np.lexsort((share, edge))
    edge, share = edge[order], share[order]
    same = edge[1:] == edge[:-1]
    return edge[:-1][same], np.column_stack([share[:-1], share[1:]])[same]
