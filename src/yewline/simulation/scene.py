"""A scene: all that lies in the ground or stands on it, in site metres."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import shapely
import shapely.affinity

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.fillings import Fill
from yewline.simulation.graves import Coffin, Grave, axes, grave_outline
from yewline.simulation.lookalikes import (
    Burrow,
    Drain,
    Footing,
    Headstone,
    Kerb,
    PlantingPit,
    Root,
    Stone,
    TreeThrow,
    Trench,
    Tube,
)

__all__ = [
    "Burrow",
    "Coffin",
    "Drain",
    "Fill",
    "Grave",
    "Layer",
    "Root",
    "Scene",
    "Stone",
    "Thing",
    "axes",
    "grave_outline",
    "kind_of",
    "plan_of",
]

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Layer:
    """A boundary below which the soil has other pores and another water content.

    Attributes
    ----------
    depth_m : its mean depth; `relief_m` and `relief_range_m` : sd and practical range of its ups and downs.
    below : porosity and relative wetness of what lies under it.
    blur_m : standard deviation of the passage from one to the other, m.
    seed : of the relief.
    label : its name; "" for one made of its kind and number.
    """

    depth_m: float
    below: Fill
    relief_m: float = 0.0
    relief_range_m: float = 4.0
    blur_m: float = 0.0
    seed: int = 0
    label: str = ""

    def __post_init__(self) -> None:
        check_positive(self.depth_m, "depth_m")
        check_in_range(self.relief_m, "relief_m", 0.0, self.depth_m / 3)
        check_positive(self.relief_range_m, "relief_range_m")
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)


Thing = Layer | Grave | Stone | Root | Drain | Burrow | TreeThrow | PlantingPit | Trench | Footing | Kerb | Headstone
"""Anything that a scene holds."""

_KINDS: tuple[tuple[type, str], ...] = (
    (Layer, "layer"),
    (Grave, "grave"),
    (TreeThrow, "tree throw"),
    (PlantingPit, "planting pit"),
    (Trench, "trench"),
    (Footing, "footing"),
    (Stone, "stone"),
    (Drain, "drain"),
    (Root, "root"),
    (Burrow, "burrow"),
    (Kerb, "kerb"),
    (Headstone, "headstone"),
)
_DUG = ("tree throw", "planting pit", "trench", "footing")
_LYING = ("stone", "drain", "root", "burrow", "kerb", "headstone")


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is in the ground, or stands on it, inside `bounds` (x0, y0, x1, y1), m.

    What is given later in a tuple was dug later: it cuts through what was there before.

    Raises
    ------
    InputError : a grave reaches outside the bounds, anything else lies wholly outside them, or two things have the
        same label.

    Examples
    --------
    >>> scene = Scene((0, 0, 4, 4), graves=(Grave("G1", "adult", 2, 2, 2.0, 0.7, 0.0, 0.2, 1.2),))
    >>> [label for label, thing in scene.things()]
    ['G1']
    """

    bounds: tuple[float, float, float, float]
    graves: tuple[Grave, ...] = ()
    stones: tuple[Stone, ...] = ()
    roots: tuple[Root, ...] = ()
    drains: tuple[Drain, ...] = ()
    burrows: tuple[Burrow, ...] = ()
    layers: tuple[Layer, ...] = ()
    tree_throws: tuple[TreeThrow, ...] = ()
    planting_pits: tuple[PlantingPit, ...] = ()
    trenches: tuple[Trench, ...] = ()
    footings: tuple[Footing, ...] = ()
    kerbs: tuple[Kerb, ...] = ()
    headstones: tuple[Headstone, ...] = ()

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = self.bounds
        if not (x0 < x1 and y0 < y1):
            raise InputError("bounds must be (x0, y0, x1, y1) with x0 < x1 and y0 < y1", received=self.bounds)
        things = self.things()
        for label, thing in things:
            if not isinstance(thing, Layer):
                _check_inside(label, thing, self.bounds)
        twice = [label for label, count in Counter(label for label, _ in things).items() if count > 1]
        if twice:
            raise InputError("two things in a scene have the same label", received=twice[0], do="give each its own")

    @property
    def tubes(self) -> tuple[Root | Drain | Burrow, ...]:
        """Roots, drains and burrows together."""
        return (*self.roots, *self.drains, *self.burrows)

    def things(self) -> tuple[tuple[str, Thing], ...]:
        """All that is in the scene with its label, in the order in which it came into the ground.

        Layers come first, then what graves cut through (`older`), the graves in their own order, what was dug after
        them, then what lies or stands in all of these: stones, drains, roots, burrows, kerbs, headstones. What has no
        label of its own is called by its kind and number, such as "stone 3".
        """
        named = {
            word: [(thing.label or f"{word} {number}", thing) for number, thing in enumerate(things, start=1)]
            for (_, word), things in zip(_KINDS, self._by_kind(), strict=True)
        }
        dug = [pair for word in _DUG for pair in named[word]]
        lying = [pair for word in _LYING for pair in named[word]]
        older = [pair for pair in dug if getattr(pair[1], "older", False)]
        newer = [pair for pair in dug if not getattr(pair[1], "older", False)]
        return (*named["layer"], *older, *named["grave"], *newer, *lying)

    def _by_kind(self) -> tuple[tuple[Thing, ...], ...]:
        return (
            self.layers,
            self.graves,
            self.tree_throws,
            self.planting_pits,
            self.trenches,
            self.footings,
            self.stones,
            self.drains,
            self.roots,
            self.burrows,
            self.kerbs,
            self.headstones,
        )


def kind_of(thing: Thing) -> str:
    """The word for a thing's kind, such as "tree throw"."""
    return next(word for kind, word in _KINDS if type(thing) is kind)


def plan_of(thing: Thing) -> shapely.Polygon:
    """The outline of a thing seen from above; of a layer, nothing.

    Examples
    --------
    >>> round(plan_of(Trench((0, 0), (4, 0), 0.5)).area, 6)
    2.0
    """
    if isinstance(thing, Layer):
        return shapely.Polygon()
    if isinstance(thing, Grave):
        return grave_outline(thing)
    if isinstance(thing, Tube):
        line = shapely.LineString([point[:2] for point in thing.points])
        return shapely.buffer(line, thing.radius_m)
    if isinstance(thing, Trench | Footing | Kerb):
        return shapely.buffer(shapely.LineString([thing.start, thing.end]), 0.5 * thing.width_m, cap_style="flat")
    if isinstance(thing, Headstone):
        along, _ = axes(thing.azimuth_deg)
        half = 0.5 * thing.width_m * along
        line = shapely.LineString([(thing.x - half[0], thing.y - half[1]), (thing.x + half[0], thing.y + half[1])])
        return shapely.buffer(line, 0.5 * thing.thickness_m, cap_style="flat")
    round_ = shapely.buffer(shapely.Point(thing.x, thing.y), thing.radius_m, quad_segs=32)
    if isinstance(thing, PlantingPit):
        return round_
    longer = shapely.affinity.scale(round_, 1.0, thing.long)
    return shapely.affinity.rotate(longer, -thing.azimuth_deg, origin=(thing.x, thing.y))


def _check_inside(label: str, thing: Thing, bounds: tuple[float, float, float, float]) -> None:
    x0, y0, x1, y1 = bounds
    left, low, right, high = plan_of(thing).bounds
    would = (min(x0, left), min(y0, low), max(x1, right), max(y1, high))
    wholly = left >= x0 - _SLACK and low >= y0 - _SLACK and right <= x1 + _SLACK and high <= y1 + _SLACK
    if wholly or (not isinstance(thing, Grave) and left <= x1 and right >= x0 and low <= y1 and high >= y0):
        return
    reached = "reaches outside the scene" if isinstance(thing, Grave) else "lies outside the scene"
    raise InputError(
        f"{kind_of(thing)} {reached}",
        where=label,
        received=f"x {left:.2f} to {right:.2f} m, y {low:.2f} to {high:.2f} m in bounds {tuple(bounds)}",
        do=f"widen the bounds to {tuple(round(float(value), 3) for value in would)}, or move it inside",
    )
