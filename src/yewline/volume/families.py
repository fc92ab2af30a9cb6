"""Families of lines: which of them run the same way, and how they lie beside each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.volume.interpolate import Nodes

__all__ = ["NO_FAMILY", "axis_of", "line_families"]

NO_FAMILY: Final = -1
"""Family of a line that runs in no one direction."""

_APART_DEG: Final = 20.0
_STRAIGHT: Final = 0.9
"""Length of the mean of doubled directions, from 0 to 1, of which a line is taken as straight: within about ± 13°."""


def line_families(parts: Sequence[Nodes]) -> npt.NDArray[np.int64]:
    """Number each line's family: lines within 20° of one another, walked either way.

    Parameters
    ----------
    parts : one a line.

    Returns
    -------
    (L,) families from 0, in the order in which they first appear; −1 for a line that bends too much to have one.

    Examples
    --------
    >>> one = np.ones(2)
    >>> along = Nodes(0 * one, 0 * one, one, 0 * one, 0 * one, one, np.ones((2, 1), np.float32))
    >>> across = Nodes(0 * one, 0 * one, 0 * one, one, 0 * one, one, np.ones((2, 1), np.float32))
    >>> line_families([along, across, along]).tolist()
    [0, 1, 0]
    """
    family = np.full(len(parts), NO_FAMILY, np.int64)
    means: list[complex] = []
    for n, part in enumerate(parts):
        # Doubled, a direction and its opposite are one.
        doubled = complex(np.mean((part.ux + 1j * part.uy) ** 2)) if len(part.x) else 0j
        if abs(doubled) < _STRAIGHT:
            continue
        for k, mean in enumerate(means):
            if abs(np.angle(doubled * mean.conjugate())) < 2 * math.radians(_APART_DEG):
                family[n] = k
                means[k] += doubled
                break
        else:
            family[n] = len(means)
            means.append(doubled)
    return family


def axis_of(parts: Sequence[Nodes]) -> tuple[float, float]:
    """Unit vector along the lines of one family."""
    doubled = sum(complex(np.sum((part.ux + 1j * part.uy) ** 2)) for part in parts)
    angle = 0.5 * float(np.angle(doubled))
    return math.cos(angle), math.sin(angle)
