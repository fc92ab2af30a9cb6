"""Graves: the cut with what was put into it, and what is left of that."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.fillings import Fill, Material, filling_of

__all__ = ["Coffin", "Grave", "Lining", "Shroud", "Vault", "axes", "grave_outline"]

_SOUND = 0.8
# Plausible fills where a grave states none: common practice, no source.
_BACKFILL = Fill()
_FALLEN_IN = Fill(0.55, 0.9)
_CHAMBER = Fill(0.5, 0.9)
_REMAINS = Fill(0.52, 1.08)
_TOPSOIL = Fill(0.52, 1.15)
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Coffin:
    """A coffin in a grave; `void` is the share of it that is still air.

    Attributes
    ----------
    length_m, width_m, height_m : outside; with shoulders, `width_m` is that at the shoulders.
    void : the air lies under the lid, above loose soil. 1 is a sound coffin, less a collapsed one, 0 one that is gone.
    shape : "box", or "shouldered": six-sided, widest at the shoulders.
    head, foot : width at the head and at the foot over that at the shoulders.
    board_m : thickness of its boards; drawn only while it is sound (void of 0.8 or more). 0 leaves them out.
    loose : the soil that has fallen in.
    raised_m : height of its underside above what it would otherwise stand on: one coffin above another.
    plate_m : side of a square metal plate on the middle of the lid; 0 has none.
    metal : a coffin of lead, zinc or iron: a conductor, whatever its void.
    """

    length_m: float
    width_m: float
    height_m: float = 0.35
    void: float = 0.0
    shape: str = "box"
    head: float = 0.75
    foot: float = 0.6
    board_m: float = 0.0
    loose: Fill = _FALLEN_IN
    raised_m: float = 0.0
    plate_m: float = 0.0
    metal: bool = False

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "height_m"):
            check_positive(getattr(self, name), name)
        check_in_range(self.void, "void", 0.0, 1.0)
        check_choice(self.shape, "shape", ("box", "shouldered"))
        check_in_range(self.head, "head", 0.1, 1.0)
        check_in_range(self.foot, "foot", 0.1, 1.0)
        check_in_range(self.raised_m, "raised_m", 0.0, 10.0)
        check_in_range(self.plate_m, "plate_m", 0.0, min(self.length_m, self.width_m))
        thickest = 0.49 * min(self.length_m, self.width_m * min(self.foot, self.head), self.height_m)
        if not 0 <= self.board_m <= thickest:
            raise InputError(
                "the boards leave no room in the coffin",
                received=f"board_m {self.board_m:g} m",
                do=f"give boards of 0 to {thickest:.3g} m",
            )

    @property
    def state(self) -> str:
        """Sound, collapsed or gone."""
        return "sound" if self.void >= _SOUND else "collapsed" if self.void > 0 else "gone"


@dataclass(frozen=True, slots=True)
class Vault:
    """A lined chamber on the base of a cut.

    Attributes
    ----------
    length_m, width_m, height_m : outside.
    wall_m : thickness of walls, floor and roof.
    wall : what they are made of.
    void : share of the chamber that is air, under the roof; `fill` lies below it.
    roofed : without a roof it is a lined shaft: a filled one, as a rule.
    """

    length_m: float
    width_m: float
    height_m: float
    wall_m: float = 0.11
    wall: Material = "brick"
    void: float = 1.0
    fill: Fill = _CHAMBER
    roofed: bool = True

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "height_m", "wall_m"):
            check_positive(getattr(self, name), name)
        check_in_range(self.void, "void", 0.0, 1.0)
        filling_of(self.wall)
        if self.wall_m >= 0.5 * min(self.length_m, self.width_m, self.height_m):
            raise InputError(
                "the walls leave no chamber in the vault",
                received=f"wall_m {self.wall_m:g} m",
                do=f"give walls thinner than {0.5 * min(self.length_m, self.width_m, self.height_m):g} m",
            )


@dataclass(frozen=True, slots=True)
class Shroud:
    """A body laid down without a coffin: a low ellipsoid on the base, in which the soil is a little different."""

    length_m: float = 1.65
    width_m: float = 0.42
    height_m: float = 0.22
    fill: Fill = _REMAINS

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "height_m"):
            check_positive(getattr(self, name), name)


@dataclass(frozen=True, slots=True)
class Lining:
    """A thin slab over the whole base: stone, lime, charcoal or clay."""

    thickness_m: float = 0.05
    material: Material = "lime"

    def __post_init__(self) -> None:
        check_positive(self.thickness_m, "thickness_m")
        filling_of(self.material)


@dataclass(frozen=True, slots=True)
class Grave:
    """A grave cut: a box of fill, with or without what is left of a coffin.

    Attributes
    ----------
    label, kind : its name, and adult, child or infant.
    x, y : middle of the cut, m.
    length_m, width_m : of the cut, at its top.
    azimuth_deg : of the long axis, clockwise from +y; the feet lie that way.
    top_m, base_m : depths between which the cut can be told from the soil around it.
    fill, coffin : what is in it.
    blur_m : standard deviation of the passage from soil to fill, m: old edges grow together with the soil.
    tilt_deg : slope of the base, down towards the feet; `base_m` is its depth in the middle. What stands on it is
        sheared with it: lengths are measured level.
    taper_m : each wall lies this much further in at the base than at the top.
    corner_m : radius of rounded corners.
    settled_m : depth of the hollow over the grave, filled since with `topsoil`; 0 has none.
    more_coffins : besides `coffin`, in the same cut; `raised_m` says how high each stands.
    shroud, vault, lining : what else is in it. A lining lies under all; coffins and shroud stand in the vault.
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
    fill: Fill = _BACKFILL
    coffin: Coffin | None = None
    blur_m: float = 0.01
    tilt_deg: float = 0.0
    taper_m: float = 0.0
    corner_m: float = 0.0
    settled_m: float = 0.0
    topsoil: Fill = _TOPSOIL
    more_coffins: tuple[Coffin, ...] = ()
    shroud: Shroud | None = None
    vault: Vault | None = None
    lining: Lining | None = None

    def __post_init__(self) -> None:
        check_positive(self.length_m, "length_m")
        check_positive(self.width_m, "width_m")
        check_in_range(self.blur_m, "blur_m", 0.0, 1.0)
        if not 0 < self.top_m < self.base_m:
            raise InputError(
                "a grave's top must lie below the surface and above its base",
                received=f"top {self.top_m:g} m, base {self.base_m:g} m",
                do=f"give a top between 0 and {self.base_m:g} m"
                if self.base_m > 0
                else "give a base below the surface",
            )
        short = min(self.length_m, self.width_m)
        check_in_range(self.taper_m, "taper_m", 0.0, 0.45 * short)
        check_in_range(self.corner_m, "corner_m", 0.0, 0.5 * short)
        check_in_range(self.settled_m, "settled_m", 0.0, self.base_m)
        self._check_tilt()
        for coffin in self.coffins:
            self._check_coffin(coffin)
        self._check_stack()
        if self.vault is not None:
            self._check_room("vault", self.vault.length_m, self.vault.width_m, self.vault.height_m, self._lined)
        if self.shroud is not None:
            self._check_room("shroud", self.shroud.length_m, self.shroud.width_m, self.shroud.height_m, self.floor_m)

    @property
    def coffins(self) -> tuple[Coffin, ...]:
        """All coffins in the cut."""
        return ((self.coffin,) if self.coffin is not None else ()) + self.more_coffins

    @property
    def floor_m(self) -> float:
        """Height above the base on which coffins and shroud stand: on lining and vault floor, if there are any."""
        return self._lined + (self.vault.wall_m if self.vault is not None else 0.0)

    @property
    def slope(self) -> float:
        """Fall of the base towards the feet, m a metre."""
        return math.tan(math.radians(self.tilt_deg))

    @property
    def _lined(self) -> float:
        return self.lining.thickness_m if self.lining is not None else 0.0

    def _check_tilt(self) -> None:
        steepest = math.degrees(math.atan((self.base_m - self.top_m) / (0.5 * self.length_m)))
        if not -steepest < self.tilt_deg < steepest:
            raise InputError(
                "the tilted base of a grave rises above its top",
                received=f"tilt {self.tilt_deg:g}°",
                do=f"give a tilt between {-steepest:.1f}° and {steepest:.1f}°, or a deeper base",
            )

    def _check_coffin(self, coffin: Coffin) -> None:
        lid = coffin.height_m + coffin.raised_m + self.floor_m + 0.5 * coffin.length_m * abs(self.slope)
        if lid >= self.base_m:
            raise InputError(
                "a coffin must lie below the surface",
                received=f"height {coffin.height_m:g} m, its lid {lid:g} m above a base at {self.base_m:g} m",
                do=f"put the base deeper than {lid:g} m",
            )
        self._check_room("coffin", coffin.length_m, coffin.width_m, coffin.height_m, self.floor_m + coffin.raised_m)
        if self.vault is not None:
            self._check_in_vault(coffin, self.vault)

    def _check_in_vault(self, coffin: Coffin, vault: Vault) -> None:
        length, width = vault.length_m - 2 * vault.wall_m, vault.width_m - 2 * vault.wall_m
        height = vault.height_m - (2 if vault.roofed else 1) * vault.wall_m
        top = coffin.raised_m + coffin.height_m
        if coffin.length_m > length + _SLACK or coffin.width_m > width + _SLACK or top > height + _SLACK:
            raise InputError(
                "a coffin is larger than the vault's chamber",
                where=f"grave {self.label}",
                received=f"{coffin.length_m:g} × {coffin.width_m:g} m, its lid {top:g} m above the floor",
                do=f"give at most {length:.4g} × {width:.4g} × {height:.4g} m",
            )

    def _check_room(self, what: str, length: float, width: float, height: float, above: float) -> None:
        """Refuse what is larger than the cut is where it is narrowest around it."""
        room_l, room_w = self.length_m - 2 * self.taper_m, self.width_m - 2 * self.taper_m
        if length > room_l + _SLACK or width > room_w + _SLACK:
            raise InputError(
                f"a {what} is larger than the cut",
                where=f"grave {self.label}",
                received=f"{length:g} × {width:g} m in {room_l:.4g} × {room_w:.4g} m at the base",
                do=f"give at most {room_l:.4g} × {room_w:.4g} m, or a cut of "
                f"{max(self.length_m, length + 2 * self.taper_m):.4g} × "
                f"{max(self.width_m, width + 2 * self.taper_m):.4g} m",
            )
        lid = above + height + 0.5 * length * abs(self.slope)
        if lid >= self.base_m:
            raise InputError(
                f"a {what} must lie below the surface",
                where=f"grave {self.label}",
                received=f"its top {lid:g} m above a base at {self.base_m:g} m",
                do=f"put the base deeper than {lid:g} m",
            )

    def _check_stack(self) -> None:
        levels = sorted((coffin.raised_m, coffin.raised_m + coffin.height_m) for coffin in self.coffins)
        for (_, lid), (floor, _) in pairwise(levels):
            if floor < lid - _SLACK:
                raise InputError(
                    "two coffins in one cut overlap",
                    where=f"grave {self.label}",
                    received=f"raised_m {floor:g} m above a lid at {lid:g} m",
                    do=f"raise the upper one to {lid:g} m or more",
                )


def grave_outline(grave: Grave) -> shapely.Polygon:
    """The outline of a grave cut seen from above, at its top, without the rounding of its corners.

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
