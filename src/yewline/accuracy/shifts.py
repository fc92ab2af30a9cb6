"""Rigid shifts of a whole pattern by at least one grave length: which are possible, and how they are kept inside."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from yewline.accuracy.overlap import Overlap
from yewline.accuracy.window import Window

__all__ = ["Shifts", "Variant", "draw_shifts", "row_note"]

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Variant = Literal["inside", "wrapped", "dropped"]

LEAST_ROOM = 19
"""The whole pattern is kept inside where at least so many shifts a grave length apart have room: p can reach 0.05."""

LEAST_OVERLAP = 0.5
"""Where hotspots that leave are dropped, the shifted area still covers at least this share of the area."""

_MOST_TRIES = 400  # proposals for each shift wanted, before the room is held to be nil
_BATCH = 2**14  # proposals tested at a time
_CHUNK_POINTS = 2**20  # points held at a time


@dataclass(frozen=True, slots=True)
class Shifts:
    """Shifts drawn for the null of a rigid shift.

    Attributes
    ----------
    variant : "inside" (every hotspot stays inside the area), "wrapped" (what leaves a rectangle comes in on the
        other side) or "dropped" (what leaves is left out).
    vectors : (D, 2) shifts of at least a grave length.
    too_short : how many possible shifts were drawn besides that are shorter than that.
    independent : possible shifts a grave length apart, about.
    """

    variant: Variant
    vectors: Array
    too_short: int
    independent: float
    _window: Window

    def moved(self, points: Array, start: int, stop: int) -> Array:
        """The pattern (n, 2) under shifts `start` to `stop`: (stop − start, n, 2)."""
        there = points[None] + self.vectors[start:stop, None]
        box = self._window.rectangle() if self.variant == "wrapped" else None
        if box is None:
            return there
        corner, axes, sides = box
        return corner + np.mod((there - corner) @ axes.T, sides) @ axes

    def keeps(self, hotspots: Array, burials: Array, start: int, stop: int) -> tuple[Bools | None, Bools | None]:
        """Which hotspots (D, H) stay inside the area, and which burials (D, B) inside the shifted area."""
        if self.variant != "dropped":
            return None, None
        v = self.vectors[start:stop, None]
        stay = self._window.contains(hotspots[None] + v).reshape(len(v), len(hotspots))
        seen = self._window.contains(burials[None] - v).reshape(len(v), len(burials))
        return stay, seen

    def chunks(self, width: int) -> list[tuple[int, int]]:
        """Runs of draws that hold about a million points each."""
        size = max(1, _CHUNK_POINTS // max(width, 1))
        return [(i, min(i + size, len(self.vectors))) for i in range(0, len(self.vectors), size)]


def draw_shifts(
    hotspots: Array,
    burials: Array,
    window: Window,
    *,
    grave_length_m: float,
    draws: int,
    rng: np.random.Generator,
    variant: Variant | None = None,
    overlap: Overlap | None = None,
) -> Shifts | None:
    """Draw `draws` shifts, uniform over all that are possible and at least a grave length long.

    Parameters
    ----------
    hotspots : (H, 2) centroids inside the window, moved as one.
    burials : (B, 2) centroids; they stay.
    window : the area with its holes.
    grave_length_m : the shortest shift: a shorter one leaves hotspots on their graves.
    draws : shifts wanted.
    rng : source of random numbers.
    variant : how the pattern is kept inside. Where None: "inside" if there is room for at least 19 shifts a grave
        length apart, else "wrapped" where the area is a rectangle, else "dropped".
    overlap : of the window, if it has been made already.

    Returns
    -------
    Shifts, or None where the area leaves no room to shift by a grave length.
    """
    if variant in (None, "inside"):
        found = _inside(hotspots, window, grave_length_m, draws, rng, least=LEAST_ROOM if variant is None else 0.0)
        if found is not None or variant == "inside":
            return found
    if variant == "wrapped" or (variant is None and window.rectangle() is not None):
        return _wrapped(window, grave_length_m, draws, rng)
    return _dropped(hotspots, burials, window, grave_length_m, draws, rng, overlap or Overlap(window))


def _inside(
    hotspots: Array, window: Window, length: float, draws: int, rng: np.random.Generator, *, least: float
) -> Shifts | None:
    x0, y0, x1, y1 = window.bounds
    low = np.array([x0, y0]) - hotspots.min(axis=0)
    high = np.array([x1, y1]) - hotspots.max(axis=0)
    room = float(np.prod(np.maximum(high - low, 0.0)))
    if room < max(least, 1.0) * math.pi * length**2:
        return None

    def possible(v: Array) -> Bools:
        # A few of the hotspots sort out most shifts before all are looked at.
        few = hotspots[:: max(1, len(hotspots) // 4)]
        good: Bools = np.asarray(window.contains(few[None] + v[:, None]).reshape(-1, len(few)).all(axis=1))
        good[good] = window.contains(hotspots[None] + v[good, None]).reshape(-1, len(hotspots)).all(axis=1)
        return good

    drawn = _collect(low, high, possible, length, draws, rng)
    if drawn is None:
        return None
    vectors, too_short, rate = drawn
    independent = room * rate / (math.pi * length**2)
    return Shifts("inside", vectors, too_short, independent, window) if independent >= least else None


def _wrapped(window: Window, length: float, draws: int, rng: np.random.Generator) -> Shifts | None:
    box = window.rectangle()
    if box is None:
        return None
    _, axes, sides = box
    a, b = sides

    def size(v: Array) -> Array:
        return np.hypot(np.minimum(v[:, 0], a - v[:, 0]), np.minimum(v[:, 1], b - v[:, 1]))

    drawn = _collect(np.zeros(2), np.array(sides), lambda v: np.ones(len(v), np.bool_), length, draws, rng, size)
    if drawn is None:
        return None
    vectors, too_short, _ = drawn
    return Shifts("wrapped", vectors @ axes, too_short, a * b / (math.pi * length**2), window)


def _dropped(
    hotspots: Array,
    burials: Array,
    window: Window,
    length: float,
    draws: int,
    rng: np.random.Generator,
    overlap: Overlap,
) -> Shifts | None:
    x0, y0, x1, y1 = window.bounds
    reach = np.array([x1 - x0, y1 - y0])

    def possible(v: Array) -> Bools:
        good = overlap.share(v) >= LEAST_OVERLAP
        for points, sign in ((hotspots, 1.0), (burials, -1.0)):
            left = window.contains(points[None] + sign * v[good, None]).reshape(-1, len(points)).any(axis=1)
            good[good] = left
        return good

    drawn = _collect(-reach, reach, possible, length, draws, rng)
    if drawn is None:
        return None
    vectors, too_short, rate = drawn
    independent = float(4.0 * np.prod(reach)) * rate / (math.pi * length**2)
    return Shifts("dropped", vectors, too_short, independent, window)


def _length(v: Array) -> Array:
    return np.asarray(np.hypot(v[:, 0], v[:, 1]))


def _collect(
    low: Array,
    high: Array,
    possible: Callable[[Array], Bools],
    length: float,
    draws: int,
    rng: np.random.Generator,
    size: Callable[[Array], Array] = _length,
) -> tuple[Array, int, float] | None:
    """Propose shifts until `draws` long ones are possible: (vectors, short ones met on the way, acceptance rate)."""
    found: list[Array] = []
    wanted, too_short, tried, accepted = draws, 0, 0, 0
    batch = min(max(256, draws), _BATCH)
    while wanted > 0:
        v = rng.uniform(low, high, (batch, 2))
        good = v[possible(v)]
        tried += batch
        accepted += len(good)
        long = size(good) >= length
        ends = np.flatnonzero(long)[:wanted]
        if len(ends) == wanted:
            # Short shifts met after the last one needed are not counted: they belong to no draw.
            too_short += int((~long[: ends[-1] + 1]).sum())
        else:
            too_short += int((~long).sum())
        found.append(good[ends])
        wanted -= len(ends)
        if wanted > 0 and tried >= 8 * batch and (draws - wanted) * _MOST_TRIES < tried:
            return None
    return np.concatenate(found), too_short, accepted / tried


def row_note(burials: Array, *, tolerance_m: float, grave_length_m: float) -> str:
    """A caution where a shift by the burials' own spacing puts many of them on one another; else empty.

    Parameters
    ----------
    burials : (B, 2) centroids.
    tolerance_m : how near counts as "on another".
    grave_length_m : shifts shorter than this are never drawn.

    Notes
    -----
    For every difference between two burials, the share of burials that have another at that difference is counted.
    """
    chosen = burials if len(burials) <= 150 else burials[:: -(-len(burials) // 150)]
    if len(chosen) < 5:
        return ""
    difference = (chosen[:, None] - chosen[None]).reshape(-1, 2)
    tree = cKDTree(difference)
    long = difference[_length(difference) >= grave_length_m]
    if len(long) == 0:
        return ""
    counts = tree.query_ball_point(long, tolerance_m, return_length=True)
    best = int(np.argmax(counts))
    share = min(1.0, counts[best] / len(chosen))
    if share < 0.4:
        return ""
    return (
        f"the burials repeat themselves: a shift of {_length(long)[best]:.1f} m puts {100 * share:.0f} % of them on "
        "another burial, so shifts near their spacing match again and make p larger than it would be otherwise"
    )
