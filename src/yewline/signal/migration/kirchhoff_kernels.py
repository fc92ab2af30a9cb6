"""Compiled diffraction sums: traveltimes on the fly, gathers into the image and their exact transposes.

All lengths are in metres and times in fine samples. `traces` are copies (C, T, L) whose last two samples are zero, so
that late times read zero without a branch. Blocks of columns (or traces) write to rows of their own: they may run on
any number of threads and give the same bits. Each has a NumPy twin in `kirchhoff_plain`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._compiled import njit

__all__ = [
    "fade_out",
    "first_inside",
    "gather",
    "gather_parallel",
    "lay_trace",
    "read_trace",
    "scatter",
    "scatter_parallel",
]

Real = npt.NDArray[Any]

BLOCK = 8
"""Columns of the image that share a trace while it is in the nearest cache."""
CLEAR_M = 1e-4
"""Nearest to an antenna that the ground is imaged: above the rounding of single precision within a kilometre."""
NONE, LINE, LINE_POINT, AREA = 0, 1, 2, 3

_FAST = {"contract", "reassoc", "nsz", "arcp"}


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def _even_legs(
    kind: int, ends: Real, column: Real, depth: Real, rule: Real, time: Real, weight: Real, copy: Real
) -> None:
    """Fill time, weight and copy for the depths of one column.

    ends : transmitter x, y, z; receiver x, y, z; share of one trace. column : x, y. rule : fine samples a nanosecond ×
    slowness, slowness, tangent of the aperture, its distance, steps of traces in x, y, copies a nanosecond, distance
    from which on all times are later than the record.
    """
    dtype = time.dtype.type
    sx, sy = column[0] - ends[0], column[1] - ends[1]
    rx, ry = column[0] - ends[3], column[1] - ends[4]
    s2, r2 = dtype(sx * sx + sy * sy), dtype(rx * rx + ry * ry)
    s_top, r_top = dtype(ends[2]), dtype(ends[5])
    scale = dtype(rule[0])
    one = dtype(1.0)
    n = len(depth)
    if kind == NONE:
        for i in range(n):
            zs, zr = depth[i] - s_top, depth[i] - r_top
            time[i] = scale * (np.sqrt(s2 + zs * zs) + np.sqrt(r2 + zr * zr))
            weight[i] = one
    elif kind == AREA:
        size = dtype(ends[6] * rule[1] / (2.0 * np.pi))
        turn = dtype((sx * ry - sy * rx) ** 2)
        for i in range(n):
            zs, zr = depth[i] - s_top, depth[i] - r_top
            square_s, square_r = s2 + zs * zs, r2 + zr * zr
            rs, rr = np.sqrt(square_s), np.sqrt(square_r)
            time[i] = scale * (rs + rr)
            qs, qr = one / rs, one / rr
            total = qs + qr
            bend = total * (total - qs * s2 / square_s - qr * r2 / square_r) + qs * qr * turn / (square_s * square_r)
            weight[i] = size * np.sqrt(max(bend, dtype(0.0)))
    else:
        size = dtype(ends[6] * np.sqrt(rule[1] / (2.0 * np.pi)))
        for i in range(n):
            zs, zr = depth[i] - s_top, depth[i] - r_top
            square_s, square_r = s2 + zs * zs, r2 + zr * zr
            rs, rr = np.sqrt(square_s), np.sqrt(square_r)
            time[i] = scale * (rs + rr)
            weight[i] = size * np.sqrt(zs * zs / (square_s * rs) + zr * zr / (square_r * rr))
        if kind == LINE_POINT:
            back = one / scale
            for i in range(n):
                weight[i] *= time[i] * back
    copies_a_ns = dtype(rule[6])
    if copies_a_ns > 0:
        slow_x, slow_y = dtype(rule[1] * rule[4]), dtype(rule[1] * rule[5])
        fx, gx, fy, gy = dtype(sx), dtype(rx), dtype(sy), dtype(ry)
        for i in range(n):
            zs, zr = depth[i] - s_top, depth[i] - r_top
            qs, qr = one / np.sqrt(s2 + zs * zs), one / np.sqrt(r2 + zr * zr)
            move = max(slow_x * abs(fx * qs + gx * qr), slow_y * abs(fy * qs + gy * qr))
            copy[i] = np.int32(copies_a_ns * move + dtype(0.5))
    fade_out(ends, column, depth, rule, weight)


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def fade_out(ends: Real, column: Real, depth: Real, rule: Real, weight: Real) -> None:
    """Let the weight fall from one to nothing over the last fifth of the aperture by 1 − u²(3 − 2u)."""
    away = np.hypot(column[0] - 0.5 * (ends[0] + ends[3]), column[1] - 0.5 * (ends[1] + ends[4]))
    dtype = weight.dtype.type
    one, two, three = dtype(1.0), dtype(2.0), dtype(3.0)
    if away > 0.0:
        top, edge = dtype(0.5 * (ends[2] + ends[5])), dtype(away / rule[2])
        for i in range(len(depth)):
            if dtype(0.8) * (depth[i] - top) >= edge:
                break
            part = min((edge / (depth[i] - top) - dtype(0.8)) * dtype(5.0), one)
            weight[i] *= one - part * part * (three - two * part)
    if away > 0.8 * rule[3]:
        share = min((away / rule[3] - 0.8) * 5.0, 1.0)
        for i in range(len(depth)):
            weight[i] *= dtype(1.0 - share * share * (3.0 - 2.0 * share))


@njit(cache=True, nogil=True)
def first_inside(ends: Real, column: Real, depth: Real, rule: Real) -> int:
    """Index of the first depth inside the aperture; len(depth) where there is none."""
    away = np.sqrt((column[0] - 0.5 * (ends[0] + ends[3])) ** 2 + (column[1] - 0.5 * (ends[1] + ends[4])) ** 2)
    low, high = 0, len(depth)
    if away >= rule[3] or away > rule[7]:
        return high
    # Nothing is imaged above either antenna, nor at its very place: a leg of no length has no direction.
    least = max(0.5 * (ends[2] + ends[5]) + away / rule[2], ends[2] + CLEAR_M, ends[5] + CLEAR_M)
    while low < high:
        middle = (low + high) // 2
        if depth[middle] > least:
            high = middle
        else:
            low = middle + 1
    return low


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def read_trace(copies: Real, many: bool, time: Real, weight: Real, copy: Real, out: Real) -> None:
    """out += weight · trace(time), by straight lines between samples."""
    dtype = out.dtype.type
    limit = dtype(copies.shape[1] - 2)
    if many:
        for i in range(len(out)):
            t = min(time[i], limit)
            k = np.int32(t)
            below = copies[copy[i], k]
            out[i] += weight[i] * (below + (t - dtype(k)) * (copies[copy[i], k + 1] - below))
    else:
        row = copies[0]
        for i in range(len(out)):
            t = min(time[i], limit)
            whole = np.int32(t)
            # Unsigned: an index that might be negative costs a comparison.
            at = np.uint32(whole)
            below = row[at]
            out[i] += weight[i] * (below + (t - dtype(whole)) * (row[at + np.uint32(1)] - below))


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def lay_trace(copies: Real, time: Real, weight: Real, copy: Real, image: Real) -> None:
    """trace(time) += weight · image: the transpose of `read_trace`."""
    dtype = image.dtype.type
    limit = dtype(copies.shape[1] - 2)
    for i in range(len(image)):
        t = min(time[i], limit)
        k = np.int32(t)
        above = weight[i] * (t - dtype(k)) * image[i]
        copies[copy[i], k] += weight[i] * image[i] - above
        copies[copy[i], k + 1] += above


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def _gather_block(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real, start: int, stop: int
) -> None:
    n = depth.shape[1]
    time, weight = np.empty(n, image.dtype), np.empty(n, image.dtype)
    copy = np.zeros(n, np.int32)
    for trace in range(traces.shape[1]):
        for at in range(start, stop):
            first = first_inside(ends[trace], columns[at], depth[at], rule)
            if first < n:
                # Views that start at zero: an index that might be negative keeps loops off the vector unit.
                _even_legs(kind, ends[trace], columns[at], depth[at, first:], rule, time, weight, copy)
                read_trace(traces[:, trace], rule[6] > 0, time, weight, copy, image[at, first:])


@njit(cache=True, nogil=True, fastmath=_FAST, error_model="numpy")
def _scatter_block(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real, start: int, stop: int
) -> None:
    n = depth.shape[1]
    time, weight = np.empty(n, image.dtype), np.empty(n, image.dtype)
    copy = np.zeros(n, np.int32)
    for trace in range(start, stop):
        for at in range(len(columns)):
            first = first_inside(ends[trace], columns[at], depth[at], rule)
            if first < n:
                _even_legs(kind, ends[trace], columns[at], depth[at, first:], rule, time, weight, copy)
                lay_trace(traces[:, trace], time, weight, copy, image[at, first:])


@njit(cache=True, nogil=True)
def gather(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """image[x, z] += Σ_traces weight · trace(time), one thread."""
    for start in range(0, len(columns), BLOCK):
        _gather_block(kind, traces, ends, columns, depth, rule, image, start, min(start + BLOCK, len(columns)))


@njit(cache=True, nogil=True, parallel=True)
def gather_parallel(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """`gather` over all threads."""
    for block in prange((len(columns) + BLOCK - 1) // BLOCK):
        start = block * BLOCK
        _gather_block(kind, traces, ends, columns, depth, rule, image, start, min(start + BLOCK, len(columns)))


@njit(cache=True, nogil=True)
def scatter(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """trace(time) += Σ_image weight · image[x, z]: the transpose of `gather`, one thread."""
    _scatter_block(kind, traces, ends, columns, depth, rule, image, 0, traces.shape[1])


@njit(cache=True, nogil=True, parallel=True)
def scatter_parallel(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """`scatter` over all threads."""
    for trace in prange(traces.shape[1]):
        _scatter_block(kind, traces, ends, columns, depth, rule, image, trace, trace + 1)
