"""Which bodies end so near to a line that it matters, and which of them can share a run."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.physics import two_fresnel_zones_m
from yewline.simulation.scenes.cutting import Cut

__all__ = ["REACH_SD", "EndingThing", "ThingGroup", "extent_of", "groups_apart", "heard_by", "things_that_end"]

Array = npt.NDArray[np.float64]

REACH_SD: Final = 4.0
"""A blurred edge shows this many of its standard deviations beyond its outline."""
_ALIKE_M: Final = 0.2
"""Bodies whose ends lie this near to one another across the line are given the same length where both are heard."""


@dataclass(frozen=True, slots=True)
class EndingThing:
    """A thing whose end is heard: where it shows along the line, and how far it reaches across.

    Attributes
    ----------
    label : of the thing.
    along_m : first and last distance at which it shows, blurred edges included.
    across_m : signed distances across the line between which it reaches.
    felt_m : those of the body of one cross-section that answers as strongly as it does: less where it is round.
    """

    label: str
    along_m: tuple[float, float]
    across_m: tuple[float, float]
    felt_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ThingGroup:
    """Things that share a run.

    Attributes
    ----------
    labels : of the things.
    traces : numbers of the traces that hear one of them or more.
    across_m : (T, 2) for every trace, the stretch across the line over which the nearest of them is felt.
    """

    labels: tuple[str, ...]
    traces: npt.NDArray[np.int64]
    across_m: Array


def things_that_end(cuts: Iterable[Cut], wavelength_m: float) -> tuple[EndingThing, ...]:
    """Things that end within two Fresnel zones of their base to either side of the line, or lie wholly beside it.

    Of a grave 1.2 m deep with a void, ends farther off than that change the answer by less than 4 % of its peak, and
    ends half as far off by up to 11 % (150 and 300 MHz, dry soil).

    Parameters
    ----------
    cuts : of the line's section.
    wavelength_m : in the soil, at the antennas' centre.
    """
    parts: dict[str, list[Cut]] = {}
    for cut in cuts:
        parts.setdefault(cut.label, []).append(cut)
    found = []
    for held in parts.values():
        thing = extent_of(held, wavelength_m)
        base = max(0.0, *(cut.outline.bounds[3] for cut in held))
        enough = float(two_fresnel_zones_m(base, wavelength_m=wavelength_m))
        if thing.across_m[0] > -enough or thing.across_m[1] < enough:
            found.append(thing)
    return tuple(sorted(found, key=lambda thing: (thing.along_m, thing.label)))


def extent_of(cuts: Sequence[Cut], wavelength_m: float) -> EndingThing:
    """Where the cuts of one thing show along a line, and how far they reach across it; `wavelength_m` in the soil."""
    bounds = np.array([cut.outline.bounds for cut in cuts])
    soft = REACH_SD * max(cut.blur_m for cut in cuts)
    felt = np.array([_felt(cut, wavelength_m) for cut in cuts])
    return EndingThing(
        cuts[0].label,
        (float(bounds[:, 0].min() - soft), float(bounds[:, 2].max() + soft)),
        (min(cut.across_m[0] for cut in cuts), max(cut.across_m[1] for cut in cuts)),
        (float(felt[:, 0].min()), float(felt[:, 1].max())),
    )


def _felt(cut: Cut, wavelength_m: float) -> tuple[float, float]:
    """The stretch across the line over which a cut's cross-section answers as strongly as the body that it is of.

    A body small against the wavelength answers by its volume; a large round one by the first Fresnel zone of its
    faces: with R their radius across the line as strongly as a length √(λR/2) of a level face, a little less from its
    top and a little more from its base for the waves' own curvature. The shorter of the two counts.
    A section beside the middle is narrower, and answers in its own plane by the root of its width: made good by length.
    """
    if math.isinf(cut.crown_m):
        return cut.across_m
    reach = cut.across_m[1] - cut.across_m[0]
    # 1.5 × `fills` is the widest section's area over this one's, the square of their widths' ratio.
    zone = math.sqrt(0.5 * wavelength_m * cut.crown_m) * (1.5 * cut.fills) ** 0.25
    middle, half = 0.5 * sum(cut.across_m), 0.5 * min(cut.fills * reach, zone)
    return middle - half, middle + half


def groups_apart(things: Iterable[EndingThing], at_m: Array, half_window_m: float) -> tuple[ThingGroup, ...]:
    """Share things out over few runs.

    Two things may share a run where no trace hears both, or where they reach equally far to both sides. What no trace
    hears is in no group.

    Parameters
    ----------
    things : from `things_that_end`.
    at_m : (T,) distance of the traces along the line.
    half_window_m : how far to both sides a trace hears.

    Examples
    --------
    >>> places = {"a": ((1, 2), (-0.5, 0.5)), "b": ((2, 3), (-0.5, 0.6)), "c": ((3, 4), (0.1, 0.4)),
    ...           "d": ((9, 9.5), (-0.1, 0.1))}
    >>> things = [EndingThing(name, along, across, across) for name, (along, across) in places.items()]
    >>> [group.labels for group in groups_apart(things, np.arange(0.0, 11.0, 0.5), 1.5)]
    [('a', 'b', 'd'), ('c',)]
    """
    groups: list[list[EndingThing]] = []
    for thing in things:
        if not heard_by(thing, at_m, half_window_m).any():
            continue
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
    return all(abs(a - b) <= _ALIKE_M for a, b in zip(one.felt_m, other.felt_m, strict=True))


def heard_by(thing: EndingThing, at_m: Array, half_window_m: float) -> npt.NDArray[np.bool_]:
    """Which traces (T,) hear a thing; parameters as in `groups_apart`."""
    off = np.maximum(thing.along_m[0] - at_m, at_m - thing.along_m[1])
    return np.asarray(off <= half_window_m)


def _group(things: list[EndingThing], at_m: Array, half_window_m: float) -> ThingGroup:
    ends = np.array([thing.along_m for thing in things])
    off = np.maximum(ends[:, :1] - at_m, at_m - ends[:, 1:])
    nearest = off.argmin(axis=0)
    heard = off.min(axis=0) <= half_window_m
    across = np.array([thing.felt_m for thing in things])[nearest]
    return ThingGroup(tuple(thing.label for thing in things), np.flatnonzero(heard).astype(np.int64), across)
