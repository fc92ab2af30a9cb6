"""What lies in the ground: graves, stones, roots, drains, burrows and layers, in site metres."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError

__all__ = ["Burrow", "Coffin", "Drain", "Fill", "Grave", "Layer", "Root", "Scene", "Stone", "grave_outline"]

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Fill:
    """Dug and put-back soil: looser than the soil around it, and wetter or drier.

    Attributes
    ----------
    porosity : share of pores, m³/m³.
    wetness : its water content over that of the undisturbed soil at the same place and depth.
    """

    porosity: float = 0.48
    wetness: float = 0.85

    def __post_init__(self) -> None:
        check_in_range(self.porosity, "porosity", 0.05, 0.9)
        check_in_range(self.wetness, "wetness", 0.0, 4.0)


@dataclass(frozen=True, slots=True)
class Coffin:
    """A coffin on the base of a grave; `void` is the share of it that is still air."""

    length_m: float
    width_m: float
    height_m: float = 0.35
    void: float = 0.0

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "height_m"):
            check_positive(getattr(self, name), name)
        check_in_range(self.void, "void", 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Grave:
    """A grave cut: an upright box of fill, with or without what is left of a coffin.

    Attributes
    ----------
    label, kind : its name, and adult, child or infant.
    x, y : middle of the cut, m.
    length_m, width_m : of the cut.
    azimuth_deg : of the long axis, clockwise from +y.
    top_m, base_m : depths between which the cut can be told from the soil around it.
    fill, coffin : what is in it.
    blur_m : standard deviation of the passage from soil to fill, m: old edges grow together with the soil.
    """

    label: str
    kind: str
    x: float
    y: float
    length_m: float
    width_m: float
    azimuth_deg: float
    top_m: float
    base_m: float
    fill: Fill = Fill()
    coffin: Coffin | None = None
    blur_m: float = 0.01

    def __post_init__(self) -> None:
        check_positive(self.length_m, "length_m")
        check_positive(self.width_m, "width_m")
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)
        if not 0 < self.top_m < self.base_m:
            raise InputError(
                "a grave's top must lie below the surface and above its base",
                received=f"top {self.top_m:g} m, base {self.base_m:g} m",
            )
        if self.coffin is not None and self.coffin.height_m >= self.base_m:
            raise InputError("a coffin must lie below the surface", received=f"height {self.coffin.height_m:g} m")


@dataclass(frozen=True, slots=True)
class Stone:
    """A rounded stone: middle (x, y, depth), radius and permittivity."""

    x: float
    y: float
    depth_m: float
    radius_m: float
    permittivity: float = 6.0

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        check_in_range(self.permittivity, "permittivity", 1.0, 100.0)
        if self.depth_m <= self.radius_m:
            raise InputError("a stone must lie below the surface", received=f"depth {self.depth_m:g} m")


@dataclass(frozen=True, slots=True)
class _Tube:
    points: tuple[Point, ...]
    radius_m: float
    permittivity: float

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        check_in_range(self.permittivity, "permittivity", 1.0, 100.0)
        if len(self.points) < 2:
            raise InputError("a tube needs two points or more", received=len(self.points))
        if min(point[2] for point in self.points) <= self.radius_m:
            raise InputError("a tube must lie below the surface", received=f"radius {self.radius_m:g} m")


@dataclass(frozen=True, slots=True)
class Root(_Tube):
    """A living root: wet wood along (x, y, depth) points."""

    radius_m: float = 0.03
    permittivity: float = 24.0


@dataclass(frozen=True, slots=True)
class Drain(_Tube):
    """A field drain: a pipe, mostly air, along (x, y, depth) points."""

    radius_m: float = 0.06
    permittivity: float = 2.0


@dataclass(frozen=True, slots=True)
class Burrow(_Tube):
    """An animal's burrow: air along (x, y, depth) points."""

    radius_m: float = 0.09
    permittivity: float = 1.0


@dataclass(frozen=True, slots=True)
class Layer:
    """A boundary below which the soil has other pores and another water content.

    Attributes
    ----------
    depth_m : its mean depth; `relief_m` and `relief_range_m` : sd and practical range of its ups and downs.
    below : porosity and relative wetness of what lies under it.
    blur_m : standard deviation of the passage from one to the other, m.
    seed : of the relief.
    """

    depth_m: float
    below: Fill
    relief_m: float = 0.0
    relief_range_m: float = 4.0
    blur_m: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        check_positive(self.depth_m, "depth_m")
        check_in_range(self.relief_m, "relief_m", 0.0, self.depth_m / 3)
        check_positive(self.relief_range_m, "relief_range_m")
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is in the ground inside `bounds` (x0, y0, x1, y1), m."""

    bounds: tuple[float, float, float, float]
    graves: tuple[Grave, ...] = ()
    stones: tuple[Stone, ...] = ()
    roots: tuple[Root, ...] = ()
    drains: tuple[Drain, ...] = ()
    burrows: tuple[Burrow, ...] = ()
    layers: tuple[Layer, ...] = ()

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = self.bounds
        if not (x0 < x1 and y0 < y1):
            raise InputError("bounds must be (x0, y0, x1, y1) with x0 < x1 and y0 < y1", received=self.bounds)

    @property
    def tubes(self) -> tuple[Root | Drain | Burrow, ...]:
        """Roots, drains and burrows together."""
        return (*self.roots, *self.drains, *self.burrows)


def grave_outline(grave: Grave) -> shapely.Polygon:
    """The outline of a grave cut seen from above.

    Examples
    --------
    >>> grave = Grave("G1", "adult", 5.0, 5.0, 2.0, 0.5, 90.0, 0.2, 1.2)
    >>> tuple(round(v, 6) for v in grave_outline(grave).bounds)
    (4.0, 4.75, 6.0, 5.25)
    """
    along, across = axes(grave.azimuth_deg)
    half_l, half_w = 0.5 * grave.length_m * along, 0.5 * grave.width_m * across
    middle = np.array([grave.x, grave.y])
    return shapely.Polygon(
        [middle - half_l - half_w, middle + half_l - half_w, middle + half_l + half_w, middle - half_l + half_w]
    )


def axes(azimuth_deg: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Unit vectors along and across a long axis, clockwise from +y."""
    turn = math.radians(azimuth_deg)
    along = np.array([math.sin(turn), math.cos(turn)])
    return along, np.array([along[1], -along[0]])
