"""What the kernels hold in their hands: plain tuples of arrays, in single or double precision."""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "Absorber",
    "Fields",
    "Index",
    "Links",
    "Media",
    "Points",
    "Real",
    "no_links",
    "points_by_row",
    "quiet_fields",
    "zeros_in_lines",
]

Real = npt.NDArray[np.floating[Any]]
LINE_BYTES: Final = 64
Index = npt.NDArray[np.int64]


class Fields(NamedTuple):
    """The state of the wave: e (X, Z), hx (X, Z) between depths, hz (X, Z) between columns, and memory of the edges.

    `psi_hx`, `psi_ez` (X, 2, N) belong to top and bottom, `psi_hz`, `psi_ex` (2, N, Z) to the two ends; `bound` (X, Z)
    is the relaxing part of the polarisation, empty (0, 0) where there is none.
    """

    e: Real
    hx: Real
    hz: Real
    psi_hx: Real
    psi_ez: Real
    psi_hz: Real
    psi_ex: Real
    bound: Real


class Media(NamedTuple):
    """What a cell does to the field: `keep` and `gain` (X, Z).

    For relaxing water `relax` (X, Z) and `memory` (2,): what is left of the polarisation after a step, and its pull.
    """

    keep: Real
    gain: Real
    relax: Real
    memory: Real


class Absorber(NamedTuple):
    """Coefficients (6, N) of the absorbing edges: b, c and 1/κ − 1 for the magnetic field, then for the electric one.

    `down` and `up` are the top and the bottom edge, `along` and `back` the first and the last columns.
    """

    down: Real
    up: Real
    along: Real
    back: Real


class Links(NamedTuple):
    """Links cut by a conductor's face, sorted by row: those of row i are `first[i]` … `first[i + 1]` − 1.

    `down` tells a link between depths from one between columns; `extra` is one over its open share, less one.
    """

    first: Index
    k: Index
    down: npt.NDArray[np.bool_]
    extra: Real


class Points(NamedTuple):
    """Weighted nodes of sources or receivers, sorted by row as in `Links`; `series` (P, S) is driven or recorded."""

    first: Index
    k: Index
    which: Index
    weight: Real
    series: Real


def zeros_in_lines(shape: tuple[int, ...], dtype: npt.DTypeLike) -> Real:
    """Zeros that begin where a line of the cache does: vectors that straddle two lines take twice as long."""
    size = math.prod(shape) * np.dtype(dtype).itemsize
    whole = np.zeros(size + LINE_BYTES, np.uint8)
    first = -whole.ctypes.data % LINE_BYTES
    values: Real = whole[first : first + size].view(dtype).reshape(shape)
    return values


def quiet_fields(columns: int, depths: int, edge: int, dtype: npt.DTypeLike, *, relaxing: bool = False) -> Fields:
    """Fields (columns, depths) at rest with edges of `edge` cells."""

    def zeros(*shape: int) -> Real:
        return zeros_in_lines(shape, dtype)

    return Fields(
        zeros(columns, depths),
        zeros(columns, depths),
        zeros(columns, depths),
        zeros(columns, 2, edge),
        zeros(columns, 2, edge),
        zeros(2, edge, depths),
        zeros(2, edge, depths),
        zeros(columns, depths) if relaxing else zeros(0, 0),
    )


def no_links(columns: int, dtype: npt.DTypeLike) -> Links:
    """No conductors."""
    return Links(np.zeros(columns + 1, np.int64), np.zeros(0, np.int64), np.zeros(0, np.bool_), np.zeros(0, dtype))


def points_by_row(
    i: npt.ArrayLike, k: npt.ArrayLike, which: npt.ArrayLike, weight: npt.ArrayLike, series: Real, columns: int
) -> Points:
    """Nodes (n,) with their weights, sorted by row; nodes without weight are left out."""
    rows, share = np.asarray(i, np.int64), np.asarray(weight, np.float64)
    kept = np.flatnonzero(share)
    order = kept[np.argsort(rows[kept], kind="stable")]
    first = np.searchsorted(rows[order], np.arange(columns + 1)).astype(np.int64)
    return Points(
        first,
        np.asarray(k, np.int64)[order],
        np.asarray(which, np.int64)[order],
        share[order].astype(series.dtype),
        series,
    )
