"""From a scene to its bodies in the order of painting: every thing becomes shapes with fillings."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import numpy as np

from yewline.errors import InputError
from yewline.simulation.fillings import Metal, Solid, filling_of
from yewline.simulation.graves import Grave, axes
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
)
from yewline.simulation.scene import Layer, Scene, Thing, kind_of
from yewline.simulation.scenes.body import Body, Stand, bar, bowl, prism, rectangle, ring, tube
from yewline.simulation.scenes.grave_bodies import grave_bodies
from yewline.simulation.scenes.solids import Ellipsoid, Hull, Less

__all__ = ["bodies_of", "kept_things"]

# The core that fell back stands in the outer part of a crescent: its size over the hollow's, and its shift.
_CORE, _SHIFT = 0.75, 0.35


def kept_things(scene: Scene, without: Collection[str] = ()) -> tuple[tuple[str, Thing], ...]:
    """The things of a scene but those left out, with their labels.

    Raises
    ------
    InputError : a label that the scene does not have; the message lists those that it has.
    """
    things = scene.things()
    known = [label for label, _ in things]
    missing = sorted(set(without) - set(known))
    if missing:
        raise InputError(
            "the scene has nothing of that label",
            received=", ".join(missing),
            do="use one of: " + (", ".join(known) or "(it is empty)"),
        )
    return tuple((label, thing) for label, thing in things if label not in set(without))


def bodies_of(label: str, thing: Thing) -> tuple[Body, ...]:
    """The bodies of one thing; layers have none.

    Examples
    --------
    >>> [body.kind for body in bodies_of("drain 1", Drain(((0, 0, 1), (3, 0, 1)), 0.1, 1.0, wall_m=0.02))]
    ['drain wall', 'drain']
    """
    if isinstance(thing, Layer):
        return ()
    if isinstance(thing, Grave):
        return grave_bodies(thing)
    return _MAKERS[type(thing)](label, thing)


def _stone(label: str, stone: Stone) -> tuple[Body, ...]:
    along, across = axes(stone.azimuth_deg)
    half_axes = stone.radius_m * np.diag([stone.long, 1.0, stone.flat])
    half_axes[0, :2], half_axes[1, :2] = stone.radius_m * stone.long * along, stone.radius_m * across
    shape = Ellipsoid(np.array([stone.x, stone.y, stone.depth_m]), half_axes)
    return (Body(label, "stone", shape, Solid(stone.permittivity, stone.conductivity_ms_per_m)),)


def _plain_tube(label: str, thing: Root | Burrow) -> tuple[Body, ...]:
    filling = Solid(thing.permittivity, thing.conductivity_ms_per_m)
    return (Body(label, kind_of(thing), tube(thing.points, thing.radius_m), filling),)


def _drain(label: str, drain: Drain) -> tuple[Body, ...]:
    outer = tube(drain.points, drain.radius_m)
    inside = Solid(drain.permittivity, drain.conductivity_ms_per_m)
    if drain.wall_m == 0:
        return (Body(label, "drain", outer, inside),)
    wall = filling_of(drain.wall)
    if isinstance(wall, Metal):
        return (Body(label, "drain", outer, wall),)
    inner = tube(drain.points, drain.radius_m - drain.wall_m)
    return Body(label, "drain wall", Less(outer, inner), wall), Body(label, "drain", inner, inside)


def _tree_throw(label: str, throw: TreeThrow) -> tuple[Body, ...]:
    stand = Stand(throw.x, throw.y, throw.azimuth_deg)
    length, width = 2 * throw.radius_m * throw.long, 2 * throw.radius_m
    hollow = bowl(stand, length, width, throw.base_m)
    shape: Ellipsoid | Less = hollow
    if throw.shape == "crescent":
        shift = _SHIFT * throw.radius_m * throw.long * axes(throw.azimuth_deg)[0]
        core = Stand(throw.x + float(shift[0]), throw.y + float(shift[1]), throw.azimuth_deg)
        shape = Less(hollow, bowl(core, _CORE * length, _CORE * width, _CORE * throw.base_m))
    return (Body(label, "tree throw", shape, throw.fill, throw.blur_m),)


def _planting_pit(label: str, pit: PlantingPit) -> tuple[Body, ...]:
    stand = Stand(pit.x, pit.y)
    top, base = ring(pit.radius_m), ring(pit.radius_m - pit.taper_m)
    shape = Hull(np.concatenate([stand.at(top, pit.top_m), stand.at(base, pit.base_m)]))
    return (Body(label, "planting pit", shape, pit.fill, pit.blur_m),)


def _trench(label: str, trench: Trench) -> tuple[Body, ...]:
    shape = bar(trench.start, trench.end, trench.width_m, trench.top_m, trench.base_m, taper_m=trench.taper_m)
    return (Body(label, "trench", shape, trench.fill, trench.blur_m),)


def _footing(label: str, footing: Footing) -> tuple[Body, ...]:
    shape = bar(footing.start, footing.end, footing.width_m, footing.top_m, footing.base_m)
    return (Body(label, "footing", shape, filling_of(footing.material)),)


def _kerb(label: str, kerb: Kerb) -> tuple[Body, ...]:
    shape = bar(kerb.start, kerb.end, kerb.width_m, -kerb.height_m, kerb.depth_m)
    return (Body(label, "kerb", shape, filling_of(kerb.material)),)


def _headstone(label: str, stone: Headstone) -> tuple[Body, ...]:
    stand = Stand(stone.x, stone.y, stone.azimuth_deg)
    shape = prism(stand, rectangle(stone.width_m, stone.thickness_m), -stone.height_m, stone.depth_m)
    return (Body(label, "headstone", shape, filling_of(stone.material)),)


_MAKERS: dict[type, Callable[[str, Any], tuple[Body, ...]]] = {
    Stone: _stone,
    Root: _plain_tube,
    Burrow: _plain_tube,
    Drain: _drain,
    TreeThrow: _tree_throw,
    PlantingPit: _planting_pit,
    Trench: _trench,
    Footing: _footing,
    Kerb: _kerb,
    Headstone: _headstone,
}
