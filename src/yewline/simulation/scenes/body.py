"""One body of a scene: a shape with what fills it, and the few ways in which shapes are drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from yewline.simulation.fillings import Filling
from yewline.simulation.graves import axes
from yewline.simulation.scenes.solids import Ellipsoid, Hull, Shape, Union

__all__ = ["Body", "Stand", "bar", "bowl", "hexagon", "prism", "rectangle", "ring", "tube"]

Array = npt.NDArray[np.float64]

_QUARTER = 8
_ROUND_CORNERS = 64


@dataclass(frozen=True, slots=True)
class Body:
    """A shape with its filling; `label` says to what it belongs, `kind` what it is of that."""

    label: str
    kind: str
    shape: Shape
    filling: Filling
    blur_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Stand:
    """Where a body stands: x, y of its middle, the bearing of its long axis, and the slope of the ground under it."""

    x: float
    y: float
    azimuth_deg: float = 0.0
    slope: float = 0.0

    def at(self, flat: Array, depth_m: float, *, level: bool = False) -> Array:
        """Points (N, 3) at places (N, 2) along and across the long axis; `depth_m` holds in the middle."""
        along, across = axes(self.azimuth_deg)
        plan = np.array([self.x, self.y]) + flat[:, :1] * along + flat[:, 1:] * across
        fall = 0.0 if level else self.slope
        return np.column_stack([plan, depth_m + fall * flat[:, 0]])


def rectangle(length_m: float, width_m: float, corner_m: float = 0.0) -> Array:
    """Corners (K, 2) of a rectangle around the middle; rounded corners are arcs of eight chords."""
    half = np.array([0.5 * length_m, 0.5 * width_m])
    signs = np.array([(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])
    if corner_m <= 0:
        return signs * half
    inner = signs * (half - corner_m)
    turn = 0.5 * math.pi * (np.arange(4)[:, None] + np.arange(_QUARTER + 1) / _QUARTER)
    arcs = inner[:, None, :] + corner_m * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return arcs.reshape(-1, 2)


def hexagon(length_m: float, width_m: float, head: float, foot: float) -> Array:
    """Corners (6, 2) of a shape with shoulders at three tenths of its length from the head."""
    u = np.array([-0.5, -0.2, 0.5]) * length_m
    w = 0.5 * width_m * np.array([head, 1.0, foot])
    return np.concatenate([np.column_stack([u, w]), np.column_stack([u, -w])[::-1]])


def ring(radius_m: float) -> Array:
    """Corners (64, 2) of a circle, drawn with its exact area."""
    turn = 2.0 * math.pi * np.arange(_ROUND_CORNERS) / _ROUND_CORNERS
    larger = radius_m * math.sqrt((2.0 * math.pi / _ROUND_CORNERS) / math.sin(2.0 * math.pi / _ROUND_CORNERS))
    return larger * np.column_stack([np.cos(turn), np.sin(turn)])


def prism(stand: Stand, flat: Array, top_m: float, base_m: float) -> Hull:
    """A body of one outline between two depths, sheared with the slope."""
    return Hull(np.concatenate([stand.at(flat, top_m), stand.at(flat, base_m)]))


def bar(
    start: tuple[float, float],
    end: tuple[float, float],
    width_m: float,
    top_m: float,
    base_m: float,
    *,
    taper_m: float = 0.0,
) -> Hull:
    """A straight body between two places; its sides lie `taper_m` further in at the base."""
    middle = [0.5 * (a + b) for a, b in zip(start, end, strict=True)]
    length = math.dist(start, end)
    stand = Stand(middle[0], middle[1], math.degrees(math.atan2(end[0] - start[0], end[1] - start[1])))
    top, base = rectangle(length, width_m), rectangle(length, width_m - 2 * taper_m)
    return Hull(np.concatenate([stand.at(top, top_m), stand.at(base, base_m)]))


def bowl(stand: Stand, length_m: float, width_m: float, depth_m: float) -> Ellipsoid:
    """A hollow under the surface: the lower half of an ellipsoid."""
    along, across = axes(stand.azimuth_deg)
    half_axes = np.zeros((3, 3))
    half_axes[0, :2], half_axes[1, :2], half_axes[2, 2] = 0.5 * length_m * along, 0.5 * width_m * across, depth_m
    return Ellipsoid(np.array([stand.x, stand.y, 0.0]), half_axes, lower=True)


def tube(points: tuple[tuple[float, float, float], ...], radius_m: float) -> Union:
    """A round tube along points, with a ball at each."""
    path = np.asarray(points, dtype=np.float64)
    parts: list[Hull | Ellipsoid] = [Ellipsoid(point, radius_m * np.eye(3)) for point in path]
    flat = ring(radius_m)
    for start, end in pairwise(path):
        along = (end - start) / np.linalg.norm(end - start)
        side = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
        side /= np.linalg.norm(side)
        round_ = flat @ np.stack([side, np.cross(along, side)])
        parts.append(Hull(np.concatenate([start + round_, end + round_])))
    return Union(tuple(parts))
