"""Lines cut into short pieces: traces a few centimetres apart are averaged along the line before lines are joined."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_positive
from yewline.errors import InputError

__all__ = ["Pieces", "cut_pieces"]

Array = npt.NDArray[np.float64]

_SHORTEST_M = 1e-9


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of one line, N of them, in the order of its traces.

    Attributes
    ----------
    piece : (T,) number of the piece that each trace belongs to, from 0 to N - 1.
    x, y : (N,) mean position of the piece's traces, m.
    ux, uy : (N,) unit vector along the line.
    half_m : (N,) half the extent of its traces along the line.
    pitch_m : (N,) distance from a piece to the next.
    """

    piece: npt.NDArray[np.int64]
    x: Array
    y: Array
    ux: Array
    uy: Array
    half_m: Array
    pitch_m: Array


def cut_pieces(x: npt.ArrayLike, y: npt.ArrayLike, segment: npt.ArrayLike | None = None, *, length_m: float) -> Pieces:
    """Cut a line into pieces of equal length, never across the gap between two segments.

    Traces stand a few centimetres apart along a line, lines some decimetres apart: averaging along the line first gives
    every stretch of a line the same say, however densely it was recorded and wherever the operator stood still.

    Parameters
    ----------
    x, y : (T,) positions of the traces, m.
    segment : (T,) number of the segment of each trace; all one segment if left out.
    length_m : shortest length of a piece; pieces are shorter only where a whole segment is.

    Raises
    ------
    InputError : positions are missing, not finite, or not one for each trace.

    Examples
    --------
    >>> pieces = cut_pieces([0.0, 0.1, 0.2, 0.3], [0.0, 0.0, 0.0, 0.0], length_m=0.15)
    >>> pieces.piece.tolist(), pieces.x.round(3).tolist()
    ([0, 0, 1, 1], [0.05, 0.25])
    """
    xs = check_array(x, "x", ndim=1)
    ys = check_array(y, "y", ndim=1)
    parts = np.zeros(len(xs), np.int64) if segment is None else np.asarray(segment, np.int64)
    if not len(xs) == len(ys) == len(parts):
        raise InputError(
            "x, y and segment must have one value for each trace", received=f"{len(xs)}, {len(ys)}, {len(parts)}"
        )
    step = check_positive(length_m, "length_m")
    # A segment ends where its number changes, so a number that is used again later starts a segment of its own.
    starts = np.concatenate([[0], np.flatnonzero(np.diff(parts)) + 1, [len(xs)]])
    piece = np.empty(len(xs), np.int64)
    pitch: list[float] = []
    for first, stop in itertools.pairwise(starts):
        local, pitch_m = _cut_segment(xs[first:stop], ys[first:stop], step)
        piece[first:stop] = local + len(pitch)
        pitch += [pitch_m] * (int(local[-1]) + 1)
    return _measure(xs, ys, piece, np.array(pitch))


def _cut_segment(x: Array, y: Array, length_m: float) -> tuple[npt.NDArray[np.int64], float]:
    distance = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    total = float(distance[-1])
    if total < _SHORTEST_M:
        return np.zeros(len(x), np.int64), length_m
    # Each trace stands for the ground half a spacing to either side, so n traces span n spacings.
    count = max(1, math.floor(total * len(x) / (len(x) - 1) / length_m + 1e-9))
    pitch_m = total / count
    raw = np.minimum((distance / pitch_m + 1e-9).astype(np.int64), count - 1)
    # Pieces without a trace (a gap inside a segment) are dropped.
    return np.concatenate([[0], np.cumsum(np.diff(raw) > 0)]).astype(np.int64), pitch_m


def _measure(x: Array, y: Array, piece: npt.NDArray[np.int64], pitch: Array) -> Pieces:
    n = len(pitch)
    count = np.bincount(piece, minlength=n)
    mid_x, mid_y = np.bincount(piece, x, n) / count, np.bincount(piece, y, n) / count
    first = np.searchsorted(piece, np.arange(n))
    last = first + count - 1
    dx, dy = x[last] - x[first], y[last] - y[first]
    extent = np.hypot(dx, dy)
    # A piece of one trace takes its direction from the traces beside it.
    lone = extent < _SHORTEST_M
    before, after = np.maximum(first - 1, 0), np.minimum(last + 1, len(x) - 1)
    dx = np.where(lone, x[after] - x[before], dx)
    dy = np.where(lone, y[after] - y[before], dy)
    size = np.hypot(dx, dy)
    known = size >= _SHORTEST_M
    size = np.where(known, size, 1.0)
    return Pieces(
        piece=piece,
        x=mid_x,
        y=mid_y,
        ux=np.where(known, dx / size, 1.0),
        uy=np.where(known, dy / size, 0.0),
        half_m=0.5 * extent,
        pitch_m=pitch,
    )
