"""Curves of the scan: where each hyperbola, and its mirror image in time, runs through a line's samples."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Curves", "mirrored", "moveout_curves", "offsets_of"]

F64 = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Index32 = npt.NDArray[np.int32]
Place32 = npt.NDArray[np.uint32]


class Curves(NamedTuple):
    """Arguments of the scan: apexes (M,), samples (V, J, M), for which apexes each counts (V, J, 2), offsets (J,)."""

    apex: Place32
    table: Place32
    span: Index32
    offsets: Index


def offsets_of(longest: int) -> Index:
    """Offsets in traces up to `longest`: all of the near ones, then ever wider apart, 12 up to 30.

    Examples
    --------
    >>> offsets_of(30).tolist()
    [1, 2, 3, 4, 5, 6, 8, 10, 13, 16, 20, 25]
    """
    found: list[int] = []
    at = 1.0
    while round(at) <= longest:
        found.append(round(at))
        at = max(at + 1.0, at * 1.26)
    return np.array(found, dtype=np.int64)


def moveout_curves(
    apex_ns: F64,
    velocities: F64,
    offsets: Index,
    *,
    spacing_m: float,
    separation_m: float,
    interval_ns: float,
    samples: int,
    reach: float,
) -> Curves:
    """Hyperbolas through each apex at each velocity, out to `reach` × the depth, at least to the third offset."""
    x = offsets[:, None] * spacing_m
    table = np.zeros((len(velocities), len(offsets), len(apex_ns)), np.uint32)
    span = np.zeros((len(velocities), len(offsets), 2), np.int32)
    half = 0.5 * separation_m
    for i, v in enumerate(velocities):
        depth = np.sqrt(np.maximum((0.5 * v * apex_ns) ** 2 - half**2, (0.1 * v * apex_ns) ** 2))
        times = (np.hypot(x - half, depth) + np.hypot(x + half, depth)) / v
        times += apex_ns - 2.0 * np.hypot(half, depth) / v
        place = np.round(times / interval_ns).astype(np.int64)
        table[i] = np.clip(place, 0, samples - 1)
        deep_enough = reach * depth >= x
        deep_enough[:3] = True
        # Both limits grow with the apex's time: what lies between counts.
        span[i, :, 0] = np.where(deep_enough.any(axis=1), deep_enough.argmax(axis=1), len(apex_ns))
        span[i, :, 1] = (place < samples).sum(axis=1)
    span[:, :, 0] = np.minimum(span[:, :, 0], span[:, :, 1])
    return Curves(np.round(apex_ns / interval_ns).astype(np.uint32), table, span, offsets)


def mirrored(curves: Curves) -> Curves:
    """The same curves bent upward instead of down: no diffraction looks like that, so their scores are the noise's.

    An offset counts for as many apexes as before; those whose curve would leave the record on top do not count.
    """
    place = 2 * curves.apex[None, None, :].astype(np.int64) - curves.table.astype(np.int64)
    inside = place >= 0
    span = curves.span.copy()
    first = np.where(inside.any(axis=2), inside.argmax(axis=2), place.shape[2])
    # An upward curve leaves the top only for early apexes; those that re-enter do not exist.
    last_out = place.shape[2] - np.argmax(~inside[:, :, ::-1], axis=2)
    start = np.where(inside.all(axis=2), first, np.minimum(last_out, place.shape[2]))
    span[:, :, 0] = np.minimum(np.maximum(span[:, :, 0], start), span[:, :, 1])
    return Curves(curves.apex, np.maximum(place, 0).astype(np.uint32), span, curves.offsets)
