"""Which bodies end so near to a line that it matters, and which of them can share a run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from yewline.physics import two_fresnel_zones_m
from yewline.simulation.scenes.cutting import Cut

__all__ = ["EndingThing", "ThingGroup", "groups_apart", "things_that_end"]

Array = npt.NDArray[np.float64]

_ALIKE_M: Final = 0.2
"""Bodies whose ends lie this near to one another across the line are given the same length where both are heard."""


@dataclass(frozen=True, slots=True)
class EndingThing:
    """A thing whose end is heard: where it shows along the line, and how far it reaches across.

    Attributes
    ----------
    label : of the thing.
    along_m : first and last distance at which it shows.
    across_m : signed distances across the line between which it reaches.
    """

    label: str
    along_m: tuple[float, float]
    across_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ThingGroup:
    """Things that share a run.

    Attributes
    ----------
    labels : of the things.
    traces : numbers of the traces that hear one of them or more.
    across_m : (T, 2) for every trace, the reach of the nearest of them.
    """

    labels: tuple[str, ...]
    traces: npt.NDArray[np.int64]
    across_m: Array


def things_that_end(cuts: Iterable[Cut], wavelength_m: float) -> tuple[EndingThing, ...]:
    """Things that end within two Fresnel zones, one to each side of the line, or lie wholly beside it.

    Parameters
    ----------
    cuts : of the line's section.
    wavelength_m : in the soil, at the antennas' centre.
    """
    parts: dict[str, list[Cut]] = {}
    for cut in cuts:
        parts.setdefault(cut.label, []).append(cut)
    found = []
    for label, held in parts.items():
        left, top, right, base = shapely.union_all([cut.outline for cut in held]).bounds
        near, far = min(cut.across_m[0] for cut in held), max(cut.across_m[1] for cut in held)
        middle = max(0.0, 0.5 * (top + base))
        enough = 0.5 * float(two_fresnel_zones_m(middle, wavelength_m=wavelength_m))
        if near > -enough or far < enough:
            found.append(EndingThing(label, (left, right), (near, far)))
    return tuple(sorted(found, key=lambda thing: (thing.along_m, thing.label)))


def groups_apart(things: Iterable[EndingThing], at_m: Array, half_window_m: float) -> tuple[ThingGroup, ...]:
    """Share things out over as few runs as they can do with.

    Two things may share a run where no trace hears both, or where they reach equally far to both sides.

    Parameters
    ----------
    things : from `things_that_end`.
    at_m : (T,) distance of the traces along the line.
    half_window_m : how far to both sides a trace hears.

    Examples
    --------
    >>> things = [EndingThing("a", (1, 2), (-0.5, 0.5)), EndingThing("b", (2, 3), (-0.5, 0.6)),
    ...           EndingThing("c", (3, 4), (0.1, 0.4)), EndingThing("d", (9, 9.5), (-0.1, 0.1))]
    >>> [group.labels for group in groups_apart(things, np.arange(0.0, 11.0, 0.5), 1.5)]
    [('a', 'b', 'd'), ('c',)]
    """
    groups: list[list[EndingThing]] = []
    for thing in things:
        for group in groups:
            if all(_may_share(thing, other, half_window_m) for other in group):
                group.append(thing)
                break
        else:
            groups.append([thing])
    return tuple(_group(group, at_m, half_window_m) for group in groups)


def _may_share(one: EndingThing, other: EndingThing, half_window_m: float) -> bool:
    gap = max(one.along_m[0] - other.along_m[1], other.along_m[0] - one.along_m[1])
    if gap > 2.0 * half_window_m:
        return True
    return all(abs(a - b) <= _ALIKE_M for a, b in zip(one.across_m, other.across_m, strict=True))


def _group(things: list[EndingThing], at_m: Array, half_window_m: float) -> ThingGroup:
    ends = np.array([thing.along_m for thing in things])
    off = np.maximum(ends[:, :1] - at_m, at_m - ends[:, 1:])
    nearest = off.argmin(axis=0)
    heard = off.min(axis=0) <= half_window_m
    across = np.array([thing.across_m for thing in things])[nearest]
    return ThingGroup(tuple(thing.label for thing in things), np.flatnonzero(heard).astype(np.int64), across)
