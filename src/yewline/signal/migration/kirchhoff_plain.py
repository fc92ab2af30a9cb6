"""NumPy twins of the diffraction sums: what `kirchhoff_kernels`, `table_kernels` and `ray_kernels` mean."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "gather",
    "gather_even",
    "gather_fronts",
    "gather_layers",
    "scatter",
    "scatter_even",
    "scatter_fronts",
    "scatter_layers",
]

Real = npt.NDArray[Any]
Legs = Callable[[int], tuple[Real, Real, Real]]
NONE, LINE, LINE_POINT, AREA = 0, 1, 2, 3
CLEAR_M = 1e-4


def gather(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """As `kirchhoff_kernels.gather`."""
    _gather(lambda t: _straight(kind, ends[t], columns, depth, rule), traces, image)


def scatter(kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, image: Real) -> None:
    """As `kirchhoff_kernels.scatter`."""
    _scatter(lambda t: _straight(kind, ends[t], columns, depth, rule), traces, image)


def gather_layers(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, table: Real, step: float, image: Real
) -> None:
    """As `ray_kernels.gather_layers`."""
    _gather(lambda t: _layered(kind, ends[t], columns, depth, rule, table, step), traces, image)


def scatter_layers(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, table: Real, step: float, image: Real
) -> None:
    """As `ray_kernels.scatter_layers`."""
    _scatter(lambda t: _layered(kind, ends[t], columns, depth, rule, table, step), traces, image)


def gather_fronts(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, fronts: Real, which: Any, image: Real
) -> None:
    """As `ray_kernels.gather_fronts`."""
    _gather(lambda t: _swept(kind, ends[t], columns, depth, rule, fronts[which[t]]), traces, image)


def scatter_fronts(
    kind: int, traces: Real, ends: Real, columns: Real, depth: Real, rule: Real, fronts: Real, which: Any, image: Real
) -> None:
    """As `ray_kernels.scatter_fronts`."""
    _scatter(lambda t: _swept(kind, ends[t], columns, depth, rule, fronts[which[t]]), traces, image)


def gather_even(rows: Real, sample: Any, copy: Any, low: Real, high: Real, reach: Any, image: Real) -> None:
    """As `table_kernels.gather_even`."""
    n = image.shape[1]
    for z in range(len(image)):
        for k in range(reach[z]):
            row = low[z, k] * rows[copy[z, k], sample[z, k]] + high[z, k] * rows[copy[z, k], sample[z, k] + 1]
            image[z, : n - k] += row[k:]
            if k > 0:
                image[z, k:] += row[: n - k]


def scatter_even(rows: Real, sample: Any, copy: Any, low: Real, high: Real, reach: Any, image: Real) -> None:
    """As `table_kernels.scatter_even`."""
    n = image.shape[1]
    for z in range(len(image)):
        for k in range(reach[z]):
            spread = np.zeros(n, image.dtype)
            spread[k:] += image[z, : n - k]
            if k > 0:
                spread[: n - k] += image[z, k:]
            rows[copy[z, k], sample[z, k]] += low[z, k] * spread
            rows[copy[z, k], sample[z, k] + 1] += high[z, k] * spread


def _gather(legs: Legs, traces: Real, image: Real) -> None:
    last = traces.shape[2] - 2
    for trace in range(traces.shape[1]):
        time, weight, copy = legs(trace)
        time = np.minimum(time, last)
        whole = time.astype(np.int64)
        below, above = traces[copy, trace, whole], traces[copy, trace, whole + 1]
        image += (weight * (below + (time - whole) * (above - below))).astype(image.dtype)


def _scatter(legs: Legs, traces: Real, image: Real) -> None:
    last = traces.shape[2] - 2
    for trace in range(traces.shape[1]):
        time, weight, copy = legs(trace)
        time = np.minimum(time, last)
        whole = time.astype(np.int64)
        np.add.at(traces[:, trace], (copy, whole), weight * (1.0 - (time - whole)) * image)
        np.add.at(traces[:, trace], (copy, whole + 1), weight * (time - whole) * image)


def _straight(kind: int, ends: Real, columns: Real, depth: Real, rule: Real) -> tuple[Real, Real, Real]:
    s, r = columns - ends[:2], columns - ends[3:5]
    zs, zr = depth - ends[2], depth - ends[5]
    rs, rr = np.sqrt((s**2).sum(axis=1)[:, None] + zs**2), np.sqrt((r**2).sum(axis=1)[:, None] + zr**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind == NONE:
            weight = np.ones_like(rs)
        elif kind == AREA:
            # The determinant of the second derivatives of time along the surface, from their matrix itself.
            xx, yy, xy = (
                sum(((i == j) - leg[:, i, None] * leg[:, j, None] / way**2) / way for leg, way in ((s, rs), (r, rr)))
                for i, j in ((0, 0), (1, 1), (0, 1))
            )
            weight = ends[6] * rule[1] / (2 * np.pi) * np.sqrt(np.maximum(xx * yy - xy**2, 0.0))
        else:
            weight = ends[6] * np.sqrt(rule[1] / (2 * np.pi) * (zs**2 / rs**3 + zr**2 / rr**3))
            if kind == LINE_POINT:
                weight = weight * (rs + rr)
        gx = s[:, 0, None] / rs + r[:, 0, None] / rr
        gy = s[:, 1, None] / rs + r[:, 1, None] / rr
    move = rule[1] * np.maximum(rule[4] * np.abs(gx), rule[5] * np.abs(gy))
    return _within(ends, columns, depth, rule, rule[0] * (rs + rr), weight, move)


def _layered(
    kind: int, ends: Real, columns: Real, depth: Real, rule: Real, table: Real, step: float
) -> tuple[Real, Real, Real]:
    read, unit = [], []
    for place in (ends[:2], ends[3:5]):
        way = columns - place
        off = np.hypot(way[:, 0], way[:, 1])
        unit.append(np.where(off[:, None] > 0, way / np.where(off > 0, off, 1.0)[:, None], (1.0, 0.0)))
        at = np.minimum(off / step, table.shape[1] - 1.0)
        k = np.minimum(at.astype(np.int64), table.shape[1] - 2)
        part = (at - k)[None, :, None]
        read.append(table[:, k] * (1 - part) + table[:, k + 1] * part)
    (ts, a_s, c_s, p_s), (tr, a_r, c_r, p_r) = read
    u, w = ([unit_of[:, i, None] for i in (0, 1)] for unit_of in unit)
    if kind == NONE:
        weight = np.ones_like(ts)
    elif kind == AREA:
        xx = a_s * u[0] ** 2 + c_s * u[1] ** 2 + a_r * w[0] ** 2 + c_r * w[1] ** 2
        yy = a_s * u[1] ** 2 + c_s * u[0] ** 2 + a_r * w[1] ** 2 + c_r * w[0] ** 2
        xy = (a_s - c_s) * u[0] * u[1] + (a_r - c_r) * w[0] * w[1]
        weight = ends[6] / (2 * np.pi) * np.sqrt(np.maximum(xx * yy - xy**2, 0.0))
    else:
        weight = ends[6] * np.sqrt((a_s + a_r) / (2 * np.pi))
        if kind == LINE_POINT:
            weight = weight * (1 / c_s + 1 / c_r) * rule[1]
    move = np.maximum(rule[4] * np.abs(p_s * u[0] + p_r * w[0]), rule[5] * np.abs(p_s * u[1] + p_r * w[1]))
    deep = np.broadcast_to(depth, ts.shape)
    return _within(ends, columns, deep, rule, rule[0] * (ts + tr), weight, move)


def _swept(kind: int, ends: Real, columns: Real, depth: Real, rule: Real, pair: Real) -> tuple[Real, Real, Real]:
    sx, rx = columns[:, 0, None] - ends[0], columns[:, 0, None] - ends[3]
    zs, zr = depth - ends[2], depth - ends[5]
    s2, r2 = sx**2 + zs**2, rx**2 + zr**2
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.ones_like(s2)
        if kind != NONE:
            weight = ends[6] * np.sqrt((zs**2 * pair[0] / s2**2 + zr**2 * pair[1] / r2**2) / (2 * np.pi))
            if kind == LINE_POINT:
                weight = weight * (np.sqrt(s2) + np.sqrt(r2))
        move = rule[4] * np.abs(sx * pair[0] / s2 + rx * pair[1] / r2)
    return _within(ends, columns, depth, rule, rule[0] * (pair[0] + pair[1]), weight, move)


def _within(
    ends: Real, columns: Real, depth: Real, rule: Real, time: Real, weight: Real, move: Real
) -> tuple[Real, Real, Real]:
    """Fade the aperture out, and choose copies."""
    away = np.hypot(*(columns - 0.5 * (ends[:2] + ends[3:5])).T)[:, None]
    top = 0.5 * (ends[2] + ends[5])
    with np.errstate(divide="ignore", invalid="ignore"):
        steep = np.where(away > 0, away / ((depth - top) * rule[2]), 0.0)
    for ratio in (steep, away / rule[3]):
        part = np.clip(5.0 * (ratio - 0.8), 0.0, 1.0)
        weight = weight * (1.0 - part * part * (3.0 - 2.0 * part))
    inside = (
        (depth > np.maximum(ends[2], ends[5]) + CLEAR_M)
        & (depth - top > away / rule[2])
        & (away < rule[3])
        & (away <= rule[7])
    )
    copy = (rule[6] * np.where(inside, move, 0.0) + 0.5).astype(np.int64)
    return np.where(inside, time, 0.0), np.where(inside, weight, 0.0), copy
