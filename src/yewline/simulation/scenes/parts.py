"""Parts of a scene file that are not the ground itself: days, disturbances, readings, what is known, the grid."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import shapely

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.simulation.earth import DayWater
from yewline.simulation.layers import Layer

__all__ = ["Disturbance", "Opened", "Readings", "SceneDay", "SolverGrid"]

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class SceneDay:
    """One visit: the same ground, its water that day.

    Attributes
    ----------
    name : of the visit; its folder is named with it.
    date : of the visit.
    water : the day's water in the soil.
    loading : centre of the antenna's band in the ground over its nominal one on that day; wet soil lowers it.
        Nothing: that of the antenna.
    weather, notes : in words, as a surveyor would note them.
    """

    name: str
    date: dt.date
    water: DayWater
    loading: float | None = None
    weather: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        # The name becomes a folder.
        if not self.name or not all(letter.isalnum() or letter in "-_" for letter in self.name):
            raise InputError(
                "name of a day must be letters, digits, - and _", received=repr(self.name), do="such as dry"
            )
        if self.loading is not None:
            check_in_range(self.loading, "loading", 0.3, 1.0)


@dataclass(frozen=True, slots=True)
class Disturbance:
    """One thing that goes wrong, or merely happens, between the antennas and the stored line.

    Attributes
    ----------
    layer : what it is, one of `LAYER_KINDS`, with its settings.
    days : names of the days that it befalls; none: all.
    off : it is kept in the file but switched off.
    """

    layer: Layer
    days: tuple[str, ...] = ()
    off: bool = False


@dataclass(frozen=True, slots=True)
class Readings:
    """Moisture readings of a visit.

    Attributes
    ----------
    count : how many, spread over the surveyed ground; 0 for none.
    sigma_vwc : one standard deviation of a reading, m³/m³; 0.03 is that of a probe as it comes from the maker (from
        memory).
    support_depth_m : a reading stands for the soil from the surface down to here, m.
    """

    count: int = 60
    sigma_vwc: float = 0.03
    support_depth_m: float = 0.12

    def __post_init__(self) -> None:
        check_in_range(self.count, "count", 0, 100_000)
        check_in_range(self.sigma_vwc, "sigma_vwc", 0.0, 0.2)
        check_positive(self.support_depth_m, "support_depth_m")


@dataclass(frozen=True, slots=True)
class Opened:
    """Ground that an excavation opened, with or without graves in it: an upright rectangle.

    Attributes
    ----------
    label : its name.
    bounds_m : (x0, y0, x1, y1), site metres.
    depth_m : how deep it was opened, m.
    """

    label: str
    bounds_m: Bounds
    depth_m: float = 1.5

    def __post_init__(self) -> None:
        check_bounds(self.bounds_m, "bounds_m")
        check_positive(self.depth_m, "depth_m")

    def outline(self) -> shapely.Polygon:
        """The rectangle."""
        return shapely.box(*self.bounds_m)


@dataclass(frozen=True, slots=True)
class SolverGrid:
    """The full-wave solver's grid, where the scene wants another than the one that follows from soil and antenna.

    Attributes
    ----------
    cell_m : cell, m; nothing: as coarse as the wettest soil and the antenna allow.
    depth_m : of the section, m; nothing: as deep as the time window reaches.
    reach_m : of the section to both sides of the antennas, m; nothing: as the time window asks for.
    air_m : height of the air above the ground, m; nothing: the solver's own.
    relaxing : follow the relaxation of the pore water (one Debye pole) instead of taking its permittivity at the
        antenna's centre: for 400 MHz and more in wet soil. The soil must be of the mixing model, with Archie's
        conduction.
    """

    cell_m: float | None = None
    depth_m: float | None = None
    reach_m: float | None = None
    air_m: float | None = None
    relaxing: bool = False

    def __post_init__(self) -> None:
        for name in ("cell_m", "depth_m", "reach_m", "air_m"):
            if getattr(self, name) is not None:
                check_positive(getattr(self, name), name)


def check_bounds(bounds: Bounds, name: str) -> Bounds:
    """`bounds` if they are (x0, y0, x1, y1) with x0 < x1 and y0 < y1."""
    x0, y0, x1, y1 = bounds
    if not (x0 < x1 and y0 < y1):
        raise InputError(f"{name} must be (x0, y0, x1, y1) with x0 < x1 and y0 < y1", received=bounds)
    return bounds
