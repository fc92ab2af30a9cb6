"""Compiled fast sweeping for the eikonal equation on an even grid; NumPy twins are in `eikonal_plain`."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import prange

from yewline._compiled import njit

__all__ = ["sweep_factored", "sweep_first_order", "times_of_many"]

Real = npt.NDArray[Any]


@njit(cache=True, nogil=True)
def sweep_first_order(time: Real, slowness: Real, spacing: float, most: int, enough: float) -> int:
    """Godunov's upwind scheme in place, in the four orders, until nothing changes by more than `enough`.

    `time` holds the nodes about the source, the others infinite; its outermost rows and columns are walls. Returns the
    rounds of four that were used.
    """
    nx, nz = time.shape[0] - 2, time.shape[1] - 2
    for turn in range(most):
        changed = 0.0
        for way in range(4):
            for step_x in range(nx):
                i = step_x + 1 if way < 2 else nx - step_x
                before, row, after = time[i - 1], time[i], time[i + 1]
                cost = slowness[i - 1]
                for step_z in range(nz):
                    j = step_z + 1 if way % 2 == 0 else nz - step_z
                    a = min(before[j], after[j])
                    b = min(row[j - 1], row[j + 1])
                    old = row[j]
                    if min(a, b) < old:
                        f = cost[j - 1] * spacing
                        apart = a - b
                        if abs(apart) >= f:
                            new = min(a, b) + f
                        else:
                            new = 0.5 * (a + b + np.sqrt(2.0 * f * f - apart * apart))
                        if new < old:
                            row[j] = new
                            if old - new > changed:
                                changed = old - new
        if changed <= enough:
            return turn + 1
    return most


@njit(cache=True, nogil=True)
def sweep_factored(
    factor: Real,
    base: Real,
    base_x: Real,
    base_z: Real,
    slowness: Real,
    spacing: float,
    fixed: Real,
    most: int,
    enough: float,
) -> int:
    """Second-order upwind scheme for T = base · factor in place, in the four orders.

    `base` is the time at the source's slowness with derivatives `base_x`, `base_z`; nodes in `fixed` (first and last
    column, first and last row) stay. Nodes not yet reached have an infinite factor. Returns the rounds of four used.
    """
    nx, nz = factor.shape
    # A node is looked at again only where one of those that it reads has changed.
    due = np.ones((nx, nz), np.bool_)
    for turn in range(most):
        changed = 0.0
        for way in range(4):
            for step_x in range(nx):
                i = step_x if way < 2 else nx - 1 - step_x
                for step_z in range(nz):
                    j = step_z if way % 2 == 0 else nz - 1 - step_z
                    if not due[i, j]:
                        continue
                    if fixed[0] <= i <= fixed[1] and fixed[2] <= j <= fixed[3]:
                        due[i, j] = False
                        continue
                    new = _factored_node(factor, base, base_x, base_z, slowness[i, j], spacing, i, j)
                    old = factor[i, j]
                    if new == np.inf:
                        continue
                    due[i, j] = False
                    # Second order may raise a value that a first, coarser neighbour made too small.
                    if new < old or turn > 0:
                        factor[i, j] = new
                        off = abs(new - old) * base[i, j]
                        if off > 0.1 * enough:
                            changed = max(changed, off)
                            for k in range(max(0, i - 2), min(nx, i + 3)):
                                due[k, j] = True
                            for k in range(max(0, j - 2), min(nz, j + 3)):
                                due[i, k] = True
                            due[i, j] = False
                    else:
                        due[i, j] = new > old
        if turn > 0 and changed <= enough:
            return turn + 1
    return most


@njit(cache=True, nogil=True)
def _factored_node(
    factor: Real, base: Real, base_x: Real, base_z: Real, s: float, spacing: float, i: int, j: int
) -> float:
    nx, nz = factor.shape
    t0 = base[i, j]
    # The earlier of the two neighbours along each axis; +1 where it is the one before.
    left = base[i - 1, j] * factor[i - 1, j] if i > 0 else np.inf
    right = base[i + 1, j] * factor[i + 1, j] if i < nx - 1 else np.inf
    above = base[i, j - 1] * factor[i, j - 1] if j > 0 else np.inf
    below = base[i, j + 1] * factor[i, j + 1] if j < nz - 1 else np.inf
    sx = 1 if left <= right else -1
    sz = 1 if above <= below else -1
    tx, tz = min(left, right), min(above, below)
    new = np.inf
    if tx < np.inf and tz < np.inf:
        # Towards each neighbour: (a·f − b)/spacing, of second order where the next but one lies upwind too.
        ax, bx = 1.0, factor[i - sx, j]
        k = i - 2 * sx
        if 0 <= k < nx and base[k, j] * factor[k, j] <= tx:
            ax, bx = 1.5, 2.0 * bx - 0.5 * factor[k, j]
        az, bz = 1.0, factor[i, j - sz]
        k = j - 2 * sz
        if 0 <= k < nz and base[i, k] * factor[i, k] <= tz:
            az, bz = 1.5, 2.0 * bz - 0.5 * factor[i, k]
        # T_x = p·f + q, T_z = u·f + w with f the unknown factor.
        steep = t0 / spacing
        p, q = base_x[i, j] + sx * steep * ax, -sx * steep * bx
        u, w = base_z[i, j] + sz * steep * az, -sz * steep * bz
        a, b, c = p * p + u * u, p * q + u * w, q * q + w * w - s * s
        disc = b * b - a * c
        if disc >= 0.0 and a > 0.0:
            f = (-b + np.sqrt(disc)) / a
            if sx * (p * f + q) >= 0.0 and sz * (u * f + w) >= 0.0:
                new = f
    if new == np.inf:
        new = (min(tx, tz) + s * spacing) / t0
    return new


@njit(cache=True, nogil=True)
def _base(
    x: float, z: float, s0: float, nx: int, nz: int, spacing: float, base: Real, base_x: Real, base_z: Real
) -> None:
    """Time, and its derivatives, from a source at x, z (in nodes) were the slowness that of the source."""
    for i in range(nx):
        for j in range(nz):
            dx, dz = (i - x) * spacing, (j - z) * spacing
            r = np.sqrt(dx * dx + dz * dz)
            base[i, j] = s0 * r
            base_x[i, j] = s0 * dx / max(r, 1e-300)
            base_z[i, j] = s0 * dz / max(r, 1e-300)


@njit(cache=True, nogil=True)
def _at(values: Real, x: float, z: float) -> float:
    """Straight-line value between nodes."""
    i = min(max(int(x), 0), values.shape[0] - 2)
    j = min(max(int(z), 0), values.shape[1] - 2)
    a, b = x - i, z - j
    upper = values[i, j] * (1 - a) + values[i + 1, j] * a
    lower = values[i, j + 1] * (1 - a) + values[i + 1, j + 1] * a
    return upper * (1 - b) + lower * b


@njit(cache=True, nogil=True)
def _solve(
    x: float, z: float, slowness: Real, spacing: float, second: bool, most: int, enough: float, out: Real
) -> int:
    """Times from a source at x, z (in nodes) at all nodes; returns rounds of sweeps."""
    nx, nz = slowness.shape
    s0 = _at(slowness, x, z)
    around = 1
    first_x, last_x = max(0, int(x) - around + 1), min(nx - 1, int(x) + 1 + around - 1)
    first_z, last_z = max(0, int(z) - around + 1), min(nz - 1, int(z) + 1 + around - 1)
    first_x, first_z = min(first_x, nx - 1), min(first_z, nz - 1)
    if second:
        base, base_x, base_z = np.empty((nx, nz)), np.empty((nx, nz)), np.empty((nx, nz))
        _base(x, z, s0, nx, nz, spacing, base, base_x, base_z)
        factor = np.full((nx, nz), np.inf)
        for i in range(first_x, last_x + 1):
            for j in range(first_z, last_z + 1):
                factor[i, j] = 0.5 * (1.0 + slowness[i, j] / s0)
        fixed = np.array([first_x, last_x, first_z, last_z])
        rounds = sweep_factored(factor, base, base_x, base_z, slowness, spacing, fixed, most, enough)
        for i in range(nx):
            for j in range(nz):
                out[i, j] = base[i, j] * factor[i, j]
        return rounds
    time = np.full((nx + 2, nz + 2), np.inf)
    for i in range(first_x, last_x + 1):
        for j in range(first_z, last_z + 1):
            r = spacing * np.sqrt((i - x) ** 2 + (j - z) ** 2)
            time[i + 1, j + 1] = 0.5 * (s0 + slowness[i, j]) * r
    rounds = sweep_first_order(time, slowness, spacing, most, enough)
    out[:, :] = time[1:-1, 1:-1]
    return rounds


@njit(cache=True, nogil=True, parallel=True)
def times_of_many(
    places: Real, slowness: Real, spacing: float, second: bool, most: int, enough: float
) -> tuple[Real, Any]:
    """(N, X, Z) times from each of N places (in nodes), one thread a place, and the rounds that each took."""
    out = np.empty((len(places), slowness.shape[0], slowness.shape[1]))
    rounds = np.zeros(len(places), np.int64)
    for n in prange(len(places)):
        rounds[n] = _solve(places[n, 0], places[n, 1], slowness, spacing, second, most, enough, out[n])
    return out, rounds
