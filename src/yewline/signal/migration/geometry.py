"""Where the antennas stood and where the image is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range
from yewline.errors import InputError
from yewline.signal.migration.layers import Array

__all__ = ["Antennas", "antennas_on_line", "antennas_on_lines"]

_SAME_PLACE = 0.1
"""Lines nearer to each other than this part of the usual spacing are one line walked more than once."""
_BRIDGED = 2.5
"""A gap up to this many usual spacings (one line is missing) is shared by its neighbours; a wider one stays a gap."""


@dataclass(frozen=True, eq=False)
class Antennas:
    """Places of both antennas at each trace, and how much of the line or of the ground a trace stands for.

    Attributes
    ----------
    transmitter_m, receiver_m : (T, 3) x, y and depth of each antenna, m; depth is negative above depth 0.
    share : (T,) metres of line, or square metres of ground, that each trace stands for.
    step_m : distance between neighbouring traces in x and in y, m, for anti-alias control; 0 where there is one only.

    Raises
    ------
    InputError : arrays of different lengths, not finite, or shares that are negative.
    """

    transmitter_m: Array
    receiver_m: Array
    share: Array
    step_m: tuple[float, float]

    def __post_init__(self) -> None:
        for name, ndim in (("transmitter_m", 2), ("receiver_m", 2), ("share", 1)):
            object.__setattr__(self, name, check_array(getattr(self, name), name, ndim=ndim).copy())
        shapes = (self.transmitter_m.shape, self.receiver_m.shape)
        if shapes != ((len(self.share), 3), (len(self.share), 3)):
            raise InputError("each trace needs both antennas' places and a share", received=f"shapes {shapes}")
        if (self.share < 0).any():
            raise InputError("the share of a trace must not be negative", received=float(self.share.min()))

    @property
    def middle_m(self) -> Array:
        """(T, 3) halfway between the antennas."""
        return 0.5 * (self.transmitter_m + self.receiver_m)


def antennas_on_line(
    distance_m: npt.ArrayLike, *, separation_m: float = 0.0, elevation_m: npt.ArrayLike | None = None
) -> Antennas:
    """Antennas drawn along one straight line, the one behind the other.

    Parameters
    ----------
    distance_m : (T,) of the middle between them along the line, m, rising.
    separation_m : between transmitter and receiver, m.
    elevation_m : (T,) height of the ground above depth 0, m; the antennas stand on it. Flat if left out.

    Raises
    ------
    InputError : distances that do not rise, or heights of another length.

    Examples
    --------
    >>> antennas_on_line([0.0, 0.1, 0.3]).share.round(6).tolist()
    [0.1, 0.15, 0.2]
    """
    distance = check_array(distance_m, "distance_m", ndim=1)
    half = 0.5 * check_in_range(separation_m, "separation_m", 0.0, 100.0)
    steps = np.diff(distance)
    if (steps <= 0).any():
        raise InputError(
            "distances along the line must rise",
            received=f"a step of {steps.min():g} m",
            do="put the traces in order and drop repeats",
        )
    height = np.zeros(len(distance)) if elevation_m is None else check_array(elevation_m, "elevation_m", ndim=1)
    if len(height) != len(distance):
        raise InputError("each trace needs its height", received=f"{len(height)} heights for {len(distance)} traces")
    share = np.gradient(distance) if len(distance) > 1 else np.zeros(1)
    if len(distance) > 2:
        share[1:-1] = 0.5 * (distance[2:] - distance[:-2])
    places = [
        np.column_stack([distance + side, np.zeros(len(distance)), -np.interp(distance + side, distance, height)])
        for side in (-half, half)
    ]
    typical = float(np.median(steps)) if len(steps) else 0.0
    return Antennas(places[0], places[1], share, (typical, 0.0))


def antennas_on_lines(
    lines: Sequence[tuple[npt.ArrayLike, npt.ArrayLike]],
    *,
    line_spacing_m: float,
    separation_m: float = 0.0,
    elevation_m: Sequence[npt.ArrayLike] | None = None,
) -> Antennas:
    """Antennas along parallel lines of any direction, their traces one line after the other.

    Parameters
    ----------
    lines : x and y (T_l,) of the traces of each line, m.
    line_spacing_m : usual distance between neighbouring lines, m.
    separation_m : between transmitter and receiver, along each line, m.
    elevation_m : heights of the ground at the traces of each line, m.

    Raises
    ------
    InputError : no lines, a line of one trace, traces that repeat, or lines that are not parallel within 10°.

    Notes
    -----
    Across the lines a trace stands for half the way to the next line on either side, at its own place along: lines may
    be uneven, or shorter than others. At the survey's edge, and beside a gap wider than 2.5 usual spacings, that side
    counts as half the usual spacing. Lines nearer to each other than a tenth of it share what one would stand for.

    Examples
    --------
    >>> x = 0.1 * np.arange(5)
    >>> pair = antennas_on_lines([(x, 0 * x), (x, 0 * x + 0.25)], line_spacing_m=0.25)
    >>> pair.share.round(4).tolist()[:2], pair.step_m
    ([0.025, 0.025], (0.1, 0.25))
    """
    across = check_in_range(line_spacing_m, "line_spacing_m", 1e-3, 100.0)
    half = 0.5 * check_in_range(separation_m, "separation_m", 0.0, 100.0)
    if len(lines) == 0:
        raise InputError("there are no lines", received="0 lines")
    heights = [None] * len(lines) if elevation_m is None else list(elevation_m)
    if len(heights) != len(lines):
        raise InputError("each line needs its heights", received=f"{len(heights)} for {len(lines)} lines")
    parts = [_one_line(x, y, half, height) for (x, y), height in zip(lines, heights, strict=True)]
    heading = np.array([part[3] for part in parts])
    cosine = np.abs(heading @ heading[0])
    if (cosine < np.cos(np.radians(10.0))).any():
        raise InputError(
            "lines must be parallel within 10°",
            received=f"{np.degrees(np.arccos(cosine.min())):.0f}° between two",
            do="migrate each set of parallel lines apart",
        )
    typical = float(np.median(np.concatenate([part[2] for part in parts])))
    along = np.abs(heading[0])
    # Oblique lines: the coarser of the two spacings shows in both axes, weighted with the direction.
    step = np.hypot(along * typical, along[::-1] * across)
    return Antennas(
        np.concatenate([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]),
        np.concatenate([part[2] for part in parts]) * _width_across([part[4] for part in parts], heading[0], across),
        (float(step[0]), float(step[1])),
    )


def _width_across(lines: Sequence[Array], heading: Array, usual_m: float) -> Array:
    """(T,) metres across the lines for which each trace stands; `lines` hold (T_l, 2) places."""
    left = np.array([-heading[1], heading[0]])
    along, beside = [at @ heading for at in lines], [at @ left for at in lines]
    order = [np.argsort(u, kind="stable") for u in along]
    widths = []
    for own, (u, v) in enumerate(zip(along, beside, strict=True)):
        # (L, T_l) how far to the side each line runs where this one has its traces; none where it does not run.
        off = np.array(
            [np.interp(u, a[k], b[k], left=np.nan, right=np.nan) for a, b, k in zip(along, beside, order, strict=True)]
        )
        off -= v
        off[own] = 0.0
        same = np.abs(off) < _SAME_PLACE * usual_m
        width = np.zeros(len(u))
        for side in (-1.0, 1.0):
            reach = np.where(same | ~(side * off > 0), np.inf, side * off).min(axis=0)
            width += np.where(reach <= _BRIDGED * usual_m, 0.5 * reach, 0.5 * usual_m)
        widths.append(width / same.sum(axis=0))
    return np.concatenate(widths)


def _one_line(
    x: npt.ArrayLike, y: npt.ArrayLike, half: float, height: npt.ArrayLike | None
) -> tuple[Array, Array, Array, Array, Array]:
    """Both antennas' places, metres of line for each trace, the direction, and the places of the middles."""
    at = np.column_stack([check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)])
    if len(at) < 2:
        raise InputError("a line needs two traces at least", received=f"{len(at)}")
    distance = np.append(0.0, np.cumsum(np.hypot(*np.diff(at, axis=0).T)))
    pair = antennas_on_line(distance, separation_m=2 * half, elevation_m=height)
    heading = (at[-1] - at[0]) / np.hypot(*(at[-1] - at[0]))
    places = []
    for side, depth in ((-half, pair.transmitter_m[:, 2]), (half, pair.receiver_m[:, 2])):
        places.append(np.column_stack([at + side * heading, depth]))
    return places[0], places[1], pair.share, heading, at
