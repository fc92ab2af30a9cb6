"""Compiled diffraction sums whose times come from tables: of legs through flat layers, or of swept wave fronts.

A table of legs holds time and its derivatives by offset and depth, and is read by straight lines between offsets. A
swept front holds the times of a few antennas at all image points, for a few traces at a time. Twins in
`kirchhoff_plain`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._compiled import njit
from yewline.signal.migration.kirchhoff_kernels import (
    AREA,
    BLOCK,
    LINE_POINT,
    NONE,
    fade_out,
    first_inside,
    lay_trace,
    read_trace,
)

__all__ = [
    "gather_fronts",
    "gather_layers",
    "sample_fronts",
    "scatter_fronts",
    "scatter_layers",
]

Real = npt.NDArray[Any]


@njit(cache=True, nogil=True)
def _layer_legs(
    kind: int,
    ends: Real,
    column: Real,
    table: Real,
    step: float,
    first: int,
    rule: Real,
    time: Real,
    weight: Real,
    copy: Real,
) -> None:
    """Times, weights and copies of one column from legs (4, O, Z): time, bend along and across, slope."""
    dtype = time.dtype.type
    sx, sy = column[0] - ends[0], column[1] - ends[1]
    rx, ry = column[0] - ends[3], column[1] - ends[4]
    s_off, r_off = np.hypot(sx, sy), np.hypot(rx, ry)
    ux, uy = (sx / s_off, sy / s_off) if s_off > 0.0 else (1.0, 0.0)
    wx, wy = (rx / r_off, ry / r_off) if r_off > 0.0 else (1.0, 0.0)
    most = table.shape[1] - 2
    k, m = min(int(s_off / step), most), min(int(r_off / step), most)
    # Beyond the table lies what the aperture leaves out: its last row goes on.
    f, g = min(s_off / step - k, 1.0), min(r_off / step - m, 1.0)
    for i in range(len(time)):
        z = first + i
        ts = table[0, k, z] + f * (table[0, k + 1, z] - table[0, k, z])
        tr = table[0, m, z] + g * (table[0, m + 1, z] - table[0, m, z])
        time[i] = dtype(rule[0] * (ts + tr))
        if kind == NONE:
            weight[i] = dtype(1.0)
        else:
            a_s = table[1, k, z] + f * (table[1, k + 1, z] - table[1, k, z])
            a_r = table[1, m, z] + g * (table[1, m + 1, z] - table[1, m, z])
            c_s = table[2, k, z] + f * (table[2, k + 1, z] - table[2, k, z])
            c_r = table[2, m, z] + g * (table[2, m + 1, z] - table[2, m, z])
            if kind == AREA:
                xx = a_s * ux * ux + c_s * uy * uy + a_r * wx * wx + c_r * wy * wy
                yy = a_s * uy * uy + c_s * ux * ux + a_r * wy * wy + c_r * wx * wx
                xy = (a_s - c_s) * ux * uy + (a_r - c_r) * wx * wy
                weight[i] = dtype(ends[6] / (2.0 * np.pi) * np.sqrt(max(xx * yy - xy * xy, 0.0)))
            else:
                size = ends[6] * np.sqrt((a_s + a_r) / (2.0 * np.pi))
                if kind == LINE_POINT:
                    size *= (1.0 / c_s + 1.0 / c_r) * rule[1]
                weight[i] = dtype(size)
        if rule[6] > 0.0:
            p_s = table[3, k, z] + f * (table[3, k + 1, z] - table[3, k, z])
            p_r = table[3, m, z] + g * (table[3, m + 1, z] - table[3, m, z])
            along = rule[4] * abs(p_s * ux + p_r * wx)
            across = rule[5] * abs(p_s * uy + p_r * wy)
            copy[i] = np.int32(rule[6] * max(along, across) + 0.5)


@njit(cache=True, nogil=True, parallel=True)
def gather_layers(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, table: Real, step: float, image: Real
) -> None:
    """image[x, z] += Σ_traces weight · trace(time), legs bent by layers; over all threads."""
    for block in prange((len(columns) + BLOCK - 1) // BLOCK):
        n = len(depth)
        time, weight, copy = np.empty(n, image.dtype), np.empty(n, image.dtype), np.zeros(n, np.int32)
        for trace in range(traces.shape[1]):
            for at in range(block * BLOCK, min((block + 1) * BLOCK, len(columns))):
                first = first_inside(ends[trace], columns[at], depth, rule)
                left = n - first
                if left > 0:
                    t, w, c = time[:left], weight[:left], copy[:left]
                    _layer_legs(kind, ends[trace], columns[at], table, step, first, rule, t, w, c)
                    fade_out(ends[trace], columns[at], depth[first:], rule, w)
                    read_trace(traces[:, trace], rule[6] > 0, t, w, c, image[at, first:])


@njit(cache=True, nogil=True, parallel=True)
def scatter_layers(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, table: Real, step: float, image: Real
) -> None:
    """The transpose of `gather_layers`."""
    for trace in prange(traces.shape[1]):
        n = len(depth)
        time, weight, copy = np.empty(n, image.dtype), np.empty(n, image.dtype), np.zeros(n, np.int32)
        for at in range(len(columns)):
            first = first_inside(ends[trace], columns[at], depth, rule)
            left = n - first
            if left > 0:
                t, w, c = time[:left], weight[:left], copy[:left]
                _layer_legs(kind, ends[trace], columns[at], table, step, first, rule, t, w, c)
                fade_out(ends[trace], columns[at], depth[first:], rule, w)
                lay_trace(traces[:, trace], t, w, c, image[at, first:])


@njit(cache=True, nogil=True, parallel=True)
def sample_fronts(fronts: Real, columns: Real, depth: Real, x0: float, z0: float, spacing: float, out: Real) -> None:
    """Times (N, X, Z) of N swept fronts at the image points, by straight lines between nodes."""
    nx, nz = fronts.shape[1], fronts.shape[2]
    for at in prange(len(columns)):
        x = min(max((columns[at, 0] - x0) / spacing, 0.0), nx - 1.0)
        i = min(int(x), nx - 2)
        a = x - i
        for k in range(depth.shape[1]):
            z = min(max((depth[at, k] - z0) / spacing, 0.0), nz - 1.0)
            j = min(int(z), nz - 2)
            b = z - j
            for n in range(len(fronts)):
                upper = fronts[n, i, j] * (1.0 - a) + fronts[n, i + 1, j] * a
                lower = fronts[n, i, j + 1] * (1.0 - a) + fronts[n, i + 1, j + 1] * a
                out[n, at, k] = upper * (1.0 - b) + lower * b


@njit(cache=True, nogil=True)
def _front_legs(
    kind: int,
    ends: Real,
    column: Real,
    depth: Real,
    there: Real,
    back: Real,
    rule: Real,
    time: Real,
    weight: Real,
    copy: Real,
) -> None:
    """Times, weights and copies of one column; each leg bends as a straight one of the same time would."""
    dtype = time.dtype.type
    sx, rx = column[0] - ends[0], column[0] - ends[3]
    for i in range(len(depth)):
        zs, zr = depth[i] - ends[2], depth[i] - ends[5]
        s2, r2 = sx * sx + zs * zs, rx * rx + zr * zr
        time[i] = dtype(rule[0] * (there[i] + back[i]))
        weight[i] = dtype(1.0)
        if kind != NONE:
            bend = zs * zs * there[i] / (s2 * s2) + zr * zr * back[i] / (r2 * r2)
            size = ends[6] * np.sqrt(bend / (2.0 * np.pi))
            if kind == LINE_POINT:
                size *= np.sqrt(s2) + np.sqrt(r2)
            weight[i] = dtype(size)
        if rule[6] > 0.0:
            move = rule[4] * abs(sx * there[i] / s2 + rx * back[i] / r2)
            copy[i] = np.int32(rule[6] * move + 0.5)


@njit(cache=True, nogil=True, parallel=True)
def gather_fronts(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, fronts: Real, which: Real, image: Real
) -> None:
    """image[x, z] += Σ weight · trace(time) for a few traces; `which` (T, 2) are the fronts of their antennas."""
    for at in prange(len(columns)):
        n = depth.shape[1]
        time, weight, copy = np.empty(n, image.dtype), np.empty(n, image.dtype), np.zeros(n, np.int32)
        for trace in range(traces.shape[1]):
            first = first_inside(ends[trace], columns[at], depth[at], rule)
            left = n - first
            if left > 0:
                t, w, c = time[:left], weight[:left], copy[:left]
                there, back = fronts[which[trace, 0], at, first:], fronts[which[trace, 1], at, first:]
                _front_legs(kind, ends[trace], columns[at], depth[at, first:], there, back, rule, t, w, c)
                fade_out(ends[trace], columns[at], depth[at, first:], rule, w)
                read_trace(traces[:, trace], rule[6] > 0, t, w, c, image[at, first:])


@njit(cache=True, nogil=True, parallel=True)
def scatter_fronts(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, fronts: Real, which: Real, image: Real
) -> None:
    """The transpose of `gather_fronts`."""
    for trace in prange(traces.shape[1]):
        n = depth.shape[1]
        time, weight, copy = np.empty(n, image.dtype), np.empty(n, image.dtype), np.zeros(n, np.int32)
        for at in range(len(columns)):
            first = first_inside(ends[trace], columns[at], depth[at], rule)
            left = n - first
            if left > 0:
                t, w, c = time[:left], weight[:left], copy[:left]
                there, back = fronts[which[trace, 0], at, first:], fronts[which[trace, 1], at, first:]
                _front_legs(kind, ends[trace], columns[at], depth[at, first:], there, back, rule, t, w, c)
                fade_out(ends[trace], columns[at], depth[at, first:], rule, w)
                lay_trace(traces[:, trace], t, w, c, image[at, first:])
