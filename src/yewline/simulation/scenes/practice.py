"""Sizes that a scene takes for a grave where it states none, and the ranges that rows draw from.

Common practice: adult cuts are 1.9 to 2.4 m by 0.6 to 0.9 m, those of children 1.0 to 1.5 m by 0.4 to 0.6 m, those of
infants 0.6 to 0.9 m by 0.3 to 0.45 m; bases lie 0.6 to 1.8 m down, children's and infants' seldom below 1 m.
"""

from __future__ import annotations

from dataclasses import dataclass

from yewline.errors import InputError

__all__ = ["SIZES", "TOP_M", "CutSize", "coffin_in", "cut_size"]

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CutSize:
    """Middle sizes of one kind of cut, and the ranges that rows draw from, m."""

    length_m: float
    width_m: float
    base_m: float
    length_range_m: Range
    width_range_m: Range
    base_range_m: Range


SIZES: dict[str, CutSize] = {
    "adult": CutSize(2.05, 0.72, 1.2, (1.9, 2.25), (0.62, 0.84), (0.95, 1.4)),
    "child": CutSize(1.2, 0.5, 0.85, (1.0, 1.4), (0.42, 0.58), (0.65, 1.0)),
    "infant": CutSize(0.75, 0.38, 0.6, (0.62, 0.88), (0.32, 0.44), (0.45, 0.75)),
}

TOP_M = 0.2
"""Depth above which tilling, turf and roots have made the cut one with the soil around it (common practice)."""


def cut_size(kind: str) -> CutSize:
    """The sizes of a kind of grave.

    Examples
    --------
    >>> cut_size("infant").length_m
    0.75
    """
    if kind not in SIZES:
        raise InputError(f"kind must be one of {', '.join(SIZES)}", received=repr(kind))
    return SIZES[kind]


def coffin_in(kind: str, length_m: float, width_m: float) -> dict[str, float]:
    """Outside of a coffin that a cut of this size was dug for, m: there was room to let it down (common practice).

    Examples
    --------
    >>> coffin_in("adult", 2.05, 0.72)
    {'length_m': 1.8, 'width_m': 0.54, 'height_m': 0.35}
    """
    height = {"adult": 0.35, "child": 0.26}.get(kind, 0.2)
    return {
        "length_m": round(length_m - 0.12 * length_m, 2) if length_m < 2.0 else round(length_m - 0.25, 2),
        "width_m": round(0.75 * width_m, 2),
        "height_m": height,
    }
