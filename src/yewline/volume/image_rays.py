"""Where velocity changes along the ground, rays bend: how far aside the usual migration leaves what it images."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from yewline._check import check_positive
from yewline.model import VelocityField

__all__ = ["image_ray_shift_m"]

Array = npt.NDArray[np.float64]

_STEPS: Final = 60
_MOST_NODES: Final = 120
"""Along an axis: velocity changes over metres."""


def image_ray_shift_m(velocity: VelocityField, depth_m: float) -> Array:
    """How far from below its trace a thing truly lies that migration with one velocity puts there.

    Parameters
    ----------
    velocity : the field; a single z means the same at all depths.
    depth_m : at which the thing is seen, m.

    Returns
    -------
    (ny, nx) horizontal distance over the field's cells, m; zero everywhere in one velocity. NaN where the field is.

    Raises
    ------
    InputError : a depth that is not positive.

    Notes
    -----
    A time migration images a point where its shortest way meets the surface at a right angle; the way from there down
    is the image ray. With slowness u and its horizontal part p, by depth: dp/dz = u∇u / √(u² − p²) and
    dx/dz = p / √(u² − p²), from p = 0, by Heun's method. Across level layers p is kept, so that they are exact. The ray
    is followed down to the depth itself and not for the same time, which changes the shift in second order only.

    References
    ----------
    Hubral 1977, Geophysics 42(1):115–124 (image rays; from memory).

    Examples
    --------
    >>> x = np.linspace(0.0, 10.0, 101)
    >>> v = np.broadcast_to(0.08 + 0.004 * x, (1, 3, 101))
    >>> field = VelocityField(np.zeros(1), np.arange(3.0), x, v, 0.0 * v, 0.1, 0.01)
    >>> round(image_ray_shift_m(field, 1.4)[1, 50].item(), 3)
    0.039
    """
    depth = check_positive(depth_m, "depth_m")
    if len(velocity.x) < 2 and len(velocity.y) < 2:
        return np.zeros((len(velocity.y), len(velocity.x)))
    every = max(1, math.ceil(max(len(velocity.x), len(velocity.y)) / _MOST_NODES))
    filled = np.where(np.isfinite(velocity.v_m_per_ns), velocity.v_m_per_ns, velocity.mean_m_per_ns)
    slowness = 1.0 / filled[:, ::every, ::every]
    x, y = velocity.x[::every], velocity.y[::every]
    slopes = [np.stack([_slope(layer, axis, places) for layer in slowness]) for axis, places in ((1, x), (0, y))]
    fields = np.stack([slowness, *slopes])
    edges = 0.5 * (velocity.z[1:] + velocity.z[:-1])
    start = np.stack(np.meshgrid(x, y))
    place, p = start.copy(), np.zeros_like(start)
    step = depth / _STEPS
    for n in range(_STEPS):
        layer = fields[:, int(np.searchsorted(edges, (n + 0.5) * step))]
        first = _rates(layer, x, y, place, p)
        second = _rates(layer, x, y, place + step * first[0], p + step * first[1])
        place = place + 0.5 * step * (first[0] + second[0])
        p = p + 0.5 * step * (first[1] + second[1])
    shift = np.hypot(*(place - start))
    whole = np.stack(np.meshgrid(velocity.x, velocity.y))
    told = _interpolated(shift[None], x, y, whole)[0]
    return np.where(np.isfinite(velocity.v_m_per_ns).all(axis=0), told, np.nan)


def _rates(layer: Array, x: Array, y: Array, place: Array, p: Array) -> tuple[Array, Array]:
    """dx/dz and dp/dz at places (2, Y, X)."""
    u, *slope = _interpolated(layer, x, y, place)
    down = np.sqrt(np.maximum(u**2 - (p**2).sum(axis=0), 1e-3 * u**2))
    return p / down, u / down * np.stack(slope)


def _interpolated(layers: Array, x: Array, y: Array, place: Array) -> Array:
    """Layers (n, Y, X) at places (2, …), linear between cells, the last one beyond the edge."""
    at = np.stack([_index(y, place[1]), _index(x, place[0])])
    return np.stack([map_coordinates(layer, at, order=1, mode="nearest") for layer in layers])


def _index(axis: Array, place: Array) -> Array:
    return np.interp(place, axis, np.arange(len(axis), dtype=np.float64))


def _slope(layer: Array, axis: int, places: Array) -> Array:
    return np.asarray(np.gradient(layer, places, axis=axis)) if len(places) > 1 else np.zeros_like(layer)
