"""NumPy twins of the sweeps: the same upwind schemes, all nodes at once."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["relax_first_order", "update_factored"]

Real = npt.NDArray[Any]


def relax_first_order(time: Real, slowness: Real, spacing: float, enough: float) -> None:
    """What `eikonal_kernels.sweep_first_order` comes to: its fixed point, in place; `time` has walls around it."""
    f = slowness * spacing
    while True:
        a = np.minimum(time[:-2, 1:-1], time[2:, 1:-1])
        b = np.minimum(time[1:-1, :-2], time[1:-1, 2:])
        low = np.minimum(a, b)
        with np.errstate(invalid="ignore"):
            apart = np.where(np.isinf(a) | np.isinf(b), np.inf, np.abs(a - b))
            both = 0.5 * (a + b + np.sqrt(np.maximum(2 * f * f - apart**2, 0.0)))
        new = np.where(apart >= f, low + f, both)
        inner = time[1:-1, 1:-1]
        better = np.minimum(inner, new)
        with np.errstate(invalid="ignore"):
            change = np.where(better < inner, inner - better, 0.0).max()
        inner[...] = better
        if change <= enough:
            return


def update_factored(factor: Real, base: Real, base_x: Real, base_z: Real, slowness: Real, spacing: float) -> Real:
    """One update of all nodes at once: `eikonal_kernels.sweep_factored` comes to rest where this changes nothing."""
    time = np.where(np.isinf(factor), np.inf, base * factor)
    parts, earliest = [], []
    for axis in (0, 1):
        sides = []
        for side in (1, -1):
            near_t, near_f = _moved(time, side, axis), _moved(factor, side, axis)
            far_t, far_f = _moved(time, 2 * side, axis), _moved(factor, 2 * side, axis)
            second = (far_t <= near_t) & np.isfinite(far_t)
            a = np.where(second, 1.5, 1.0)
            b = np.where(second, 2.0 * near_f - 0.5 * np.where(second, far_f, 0.0), near_f)
            sides.append((near_t, a, b))
        first = sides[0][0] <= sides[1][0]
        near, a, b = (np.where(first, one, other) for one, other in zip(*sides, strict=True))
        sign = np.where(first, 1.0, -1.0)
        slope = base_x if axis == 0 else base_z
        parts.append((slope + sign * base / spacing * a, -sign * base / spacing * b, sign))
        earliest.append(near)
    (p, q, sx), (u, w, sz) = parts
    a, b, c = p * p + u * u, p * q + u * w, q * q + w * w - slowness**2
    disc = b * b - a * c
    f = (-b + np.sqrt(np.maximum(disc, 0.0))) / a
    good = np.isfinite(earliest[0]) & np.isfinite(earliest[1]) & (disc >= 0)
    good &= (sx * (p * f + q) >= 0) & (sz * (u * f + w) >= 0)
    with np.errstate(divide="ignore"):
        return np.where(good, f, (np.minimum(*earliest) + slowness * spacing) / base)


def _moved(values: Real, side: int, axis: int) -> Real:
    """The neighbour `side` nodes before, infinite beyond the edge."""
    out = np.full_like(values, np.inf)
    source, target = [slice(None)] * 2, [slice(None)] * 2
    source[axis], target[axis] = (
        (slice(None, -side), slice(side, None))
        if side > 0
        else (
            slice(-side, None),
            slice(None, side),
        )
    )
    out[tuple(target)] = values[tuple(source)]
    return out
