"""What is in or on the ground besides graves: stones, tubes, pits, tree throws, walls and memorials."""

from __future__ import annotations

import math
from dataclasses import dataclass

from yewline._check import check_choice, check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.fillings import Fill, Material, filling_of

__all__ = [
    "Burrow",
    "Drain",
    "Footing",
    "Headstone",
    "Kerb",
    "PlantingPit",
    "Root",
    "Stone",
    "TreeThrow",
    "Trench",
    "Tube",
]

Point = tuple[float, float, float]
Place = tuple[float, float]

# Plausible fills where a scene states none: common practice, no source.
_HOLLOW = Fill(0.50, 1.15)
_GARDEN = Fill(0.52, 1.15)
_TRENCHED = Fill(0.48, 0.9)


@dataclass(frozen=True, slots=True)
class Stone:
    """A rounded stone: middle (x, y, depth), radius and permittivity.

    Attributes
    ----------
    long, flat : its longest level half-axis (towards `azimuth_deg`) and its upright half-axis, over `radius_m`.
    label : its name; "" for one made of its kind and number.
    """

    x: float
    y: float
    depth_m: float
    radius_m: float
    permittivity: float = 6.0
    conductivity_ms_per_m: float = 0.5
    long: float = 1.0
    flat: float = 1.0
    azimuth_deg: float = 0.0
    label: str = ""

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        check_in_range(self.permittivity, "permittivity", 1.0, 100.0)
        check_in_range(self.conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, 1e5)
        check_in_range(self.long, "long", 1.0, 10.0)
        check_in_range(self.flat, "flat", 0.1, 1.0)
        if self.depth_m <= self.radius_m * self.flat:
            raise InputError(
                "a stone must lie below the surface",
                received=f"depth {self.depth_m:g} m",
                do=f"put its middle deeper than {self.radius_m * self.flat:g} m",
            )


@dataclass(frozen=True, slots=True)
class Tube:
    """A round body along (x, y, depth) points: what roots, drains and burrows have in common."""

    points: tuple[Point, ...]
    radius_m: float
    permittivity: float
    conductivity_ms_per_m: float = 0.0
    label: str = ""

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        check_in_range(self.permittivity, "permittivity", 1.0, 100.0)
        check_in_range(self.conductivity_ms_per_m, "conductivity_ms_per_m", 0.0, 1e5)
        if len(self.points) < 2:
            raise InputError("a tube needs two points or more", received=len(self.points))
        if min(point[2] for point in self.points) <= self.radius_m:
            raise InputError(
                "a tube must lie below the surface",
                received=f"radius {self.radius_m:g} m, depth {min(point[2] for point in self.points):g} m",
                do=f"lay it deeper than {self.radius_m:g} m",
            )
        if any(a == b for a, b in zip(self.points[:-1], self.points[1:], strict=True)):
            raise InputError("two points of a tube that follow one another are the same", do="leave one of them out")


@dataclass(frozen=True, slots=True)
class Root(Tube):
    """A living root: wet wood along (x, y, depth) points (constants common practice, no source)."""

    radius_m: float = 0.03
    permittivity: float = 24.0
    conductivity_ms_per_m: float = 10.0


@dataclass(frozen=True, slots=True)
class Drain(Tube):
    """A field drain: a pipe, mostly air, along (x, y, depth) points.

    `wall_m` is the thickness of the pipe's wall, inside `radius_m`; 0 for an unlined hole. A wall of metal makes the
    whole pipe a conductor: nothing enters it.
    """

    radius_m: float = 0.06
    permittivity: float = 2.0
    wall_m: float = 0.0
    wall: Material = "pipe"

    def __post_init__(self) -> None:
        Tube.__post_init__(self)
        check_in_range(self.wall_m, "wall_m", 0.0, 0.9 * self.radius_m)
        filling_of(self.wall)


@dataclass(frozen=True, slots=True)
class Burrow(Tube):
    """An animal's burrow: air along (x, y, depth) points."""

    radius_m: float = 0.09
    permittivity: float = 1.0


@dataclass(frozen=True, slots=True)
class TreeThrow:
    """The hollow that a fallen tree left, filled since: half an ellipsoid under the surface.

    Attributes
    ----------
    x, y : its middle. radius_m : level half-axis across `azimuth_deg`; long : that along it over `radius_m`.
    base_m : its greatest depth.
    shape : "bowl", or "crescent": the core of soil that fell back stands in the hollow, towards `azimuth_deg`.
    older : cut by the graves (as usual), not through them.
    """

    x: float
    y: float
    radius_m: float = 0.9
    base_m: float = 0.7
    shape: str = "bowl"
    azimuth_deg: float = 0.0
    long: float = 1.0
    fill: Fill = _HOLLOW
    blur_m: float = 0.03
    older: bool = True
    label: str = ""

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        check_positive(self.base_m, "base_m")
        check_choice(self.shape, "shape", ("bowl", "crescent"))
        check_in_range(self.long, "long", 1.0, 10.0)
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class PlantingPit:
    """A round pit dug for a tree or shrub: upright, narrower at its base by `taper_m` all round."""

    x: float
    y: float
    radius_m: float = 0.4
    top_m: float = 0.1
    base_m: float = 0.6
    taper_m: float = 0.05
    fill: Fill = _GARDEN
    blur_m: float = 0.015
    older: bool = False
    label: str = ""

    def __post_init__(self) -> None:
        check_positive(self.radius_m, "radius_m")
        _check_dug(self.top_m, self.base_m, "planting pit")
        check_in_range(self.taper_m, "taper_m", 0.0, 0.9 * self.radius_m)
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Trench:
    """A straight trench of fill between two places; each side lies `taper_m` further in at the base."""

    start: Place
    end: Place
    width_m: float = 0.5
    top_m: float = 0.1
    base_m: float = 0.8
    taper_m: float = 0.0
    fill: Fill = _TRENCHED
    blur_m: float = 0.01
    older: bool = False
    label: str = ""

    def __post_init__(self) -> None:
        _check_run(self.start, self.end, "trench")
        check_positive(self.width_m, "width_m")
        _check_dug(self.top_m, self.base_m, "trench")
        check_in_range(self.taper_m, "taper_m", 0.0, 0.45 * self.width_m)
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Footing:
    """What is left in the ground of a wall between two places."""

    start: Place
    end: Place
    width_m: float = 0.4
    top_m: float = 0.2
    base_m: float = 0.6
    material: Material = "limestone"
    older: bool = False
    label: str = ""

    def __post_init__(self) -> None:
        _check_run(self.start, self.end, "footing")
        check_positive(self.width_m, "width_m")
        _check_dug(self.top_m, self.base_m, "footing")
        filling_of(self.material)


@dataclass(frozen=True, slots=True)
class Kerb:
    """A kerb between two places: it stands `height_m` above the ground and reaches `depth_m` into it."""

    start: Place
    end: Place
    width_m: float = 0.12
    height_m: float = 0.1
    depth_m: float = 0.15
    material: Material = "limestone"
    label: str = ""

    def __post_init__(self) -> None:
        _check_run(self.start, self.end, "kerb")
        check_positive(self.width_m, "width_m")
        check_in_range(self.height_m, "height_m", 0.0, 3.0)
        check_in_range(self.depth_m, "depth_m", 0.0, 3.0)
        check_positive(self.height_m + self.depth_m, "height_m + depth_m")
        filling_of(self.material)


@dataclass(frozen=True, slots=True)
class Headstone:
    """A stone that stands on the ground: a scatterer in air, heard by the air wave.

    Attributes
    ----------
    x, y : its middle. width_m : along `azimuth_deg`; thickness_m : across it.
    height_m, depth_m : how far it stands above the ground and reaches into it.
    """

    x: float
    y: float
    width_m: float = 0.6
    thickness_m: float = 0.1
    height_m: float = 0.9
    depth_m: float = 0.3
    azimuth_deg: float = 0.0
    material: Material = "limestone"
    label: str = ""

    def __post_init__(self) -> None:
        for name in ("width_m", "thickness_m", "height_m"):
            check_positive(getattr(self, name), name)
        check_in_range(self.depth_m, "depth_m", 0.0, 3.0)
        filling_of(self.material)


def _check_dug(top_m: float, base_m: float, name: str) -> None:
    if not 0 <= check_finite(top_m, "top_m") < check_finite(base_m, "base_m"):
        raise InputError(
            f"the top of a {name} must lie at or below the surface and above its base",
            received=f"top {top_m:g} m, base {base_m:g} m",
            do=f"give a top of 0 or more, and a base deeper than {max(top_m, 0.0):g} m",
        )


def _check_run(start: Place, end: Place, name: str) -> None:
    if not math.dist(start, end) > 0:
        raise InputError(f"a {name} needs two places that differ", received=f"{start} and {end}")
