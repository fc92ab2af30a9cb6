"""Water in the ground on one day: a mean profile with depth, and how unevenly it is spread around it.

Each profile is a small object of its own; `PROFILES` names them as scene files do. Water contents are m³/m³, all
lengths metres, depth positive downward from the surface.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from yewline._check import check_finite, check_in_range, check_positive
from yewline.errors import InputError
from yewline.geostat import draw_modes
from yewline.simulation.earth.ground import Soil

__all__ = ["PROFILES", "DayWater", "Drained", "Even", "FrozenCrust", "Patches", "Profile", "WaterTable", "WettingFront"]

Array = npt.NDArray[np.float64]

_MOST_VWC: Final = 0.9
_TEN_TO_NINETY: Final = 2.5631031310892007
"""Distance between the tenth and ninetieth percent of a normal distribution, in standard deviations."""


@dataclass(frozen=True, slots=True)
class Even:
    """The same mean water content `vwc` at every depth."""

    vwc: float

    def __post_init__(self) -> None:
        _check_contents(self, "vwc")

    def mean(self, depth: Array, soil: Soil) -> Array:
        """Mean water content at depths of any shape."""
        return np.full_like(depth, self.vwc)


@dataclass(frozen=True, slots=True)
class Drained:
    """Soil that drained for days: from `surface` to `deep`, the difference falling to 1/e over `profile_m`.

    Notes
    -----
    θ(z) = θ_deep + (θ_surface − θ_deep) e^{−z/L}. Common practice, no source.
    """

    surface: float
    deep: float
    profile_m: float = 0.6

    def __post_init__(self) -> None:
        _check_contents(self, "surface", "deep")
        check_positive(self.profile_m, "profile_m")

    def mean(self, depth: Array, soil: Soil) -> Array:
        """Mean water content at depths of any shape."""
        return np.asarray(self.deep + (self.surface - self.deep) * np.exp(-depth / self.profile_m))


@dataclass(frozen=True, slots=True)
class WettingFront:
    """Rain that soaked in: `wet` above a front at `front_m`, drained soil below it.

    Attributes
    ----------
    wet : water content above the front.
    front_m : mean depth of the front.
    thickness_m : depth over which the passage goes from 10 to 90 %.
    surface, deep, profile_m : the drained soil under it, as in `Drained` (as it was before the rain).
    relief_m : standard deviation of the front's depth from place to place; 0 is a flat front.
    relief_range_m : practical range of that relief, along the ground.

    Notes
    -----
    The passage is a normal distribution function of depth (common practice, no source).
    """

    wet: float
    front_m: float
    surface: float
    deep: float
    thickness_m: float = 0.08
    profile_m: float = 0.6
    relief_m: float = 0.0
    relief_range_m: float = 1.0

    def __post_init__(self) -> None:
        _check_contents(self, "wet", "surface", "deep")
        for name in ("front_m", "thickness_m", "profile_m", "relief_range_m"):
            check_positive(getattr(self, name), name)
        if not 0.0 <= check_finite(self.relief_m, "relief_m") <= 0.5 * self.front_m:
            raise InputError(
                "relief_m must lie between 0 and half the depth of the front",
                received=f"{self.relief_m:g} at {self.front_m:g} m",
            )

    def mean(self, depth: Array, soil: Soil, lowered_m: float | Array = 0.0) -> Array:
        """Mean water content at depths of any shape, with the front lowered by what broadcasts with them."""
        before = Drained(self.surface, self.deep, self.profile_m).mean(depth, soil)
        soaked = ndtr(_TEN_TO_NINETY * (self.front_m + lowered_m - depth) / self.thickness_m)
        return np.asarray(before + (self.wet - before) * soaked)


@dataclass(frozen=True, slots=True)
class FrozenCrust:
    """Drained soil of which the uppermost `frost_m` is frozen.

    Attributes
    ----------
    frost_m : depth that the frost has reached.
    surface, deep, profile_m : water, frozen or not, as in `Drained`.
    unfrozen_vwc : water content that stays liquid in frozen soil: a few hundredths in sand, more in clay (common
        practice, no source).
    edge_m : depth over which frozen passes into unfrozen.
    """

    frost_m: float
    surface: float
    deep: float
    profile_m: float = 0.6
    unfrozen_vwc: float = 0.03
    edge_m: float = 0.02

    def __post_init__(self) -> None:
        _check_contents(self, "surface", "deep", "unfrozen_vwc")
        for name in ("frost_m", "profile_m", "edge_m"):
            check_positive(getattr(self, name), name)

    def mean(self, depth: Array, soil: Soil) -> Array:
        """Mean water content, liquid and frozen, at depths of any shape."""
        return Drained(self.surface, self.deep, self.profile_m).mean(depth, soil)

    def frozen_share(self, vwc: Array, depth: Array) -> Array:
        """Share of the water `vwc` that is ice, at depths that broadcast with it."""
        frost = np.clip((self.frost_m - depth) / self.edge_m + 0.5, 0.0, 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            most = np.where(vwc > self.unfrozen_vwc, 1.0 - self.unfrozen_vwc / vwc, 0.0)
        return np.asarray(frost * most)


@dataclass(frozen=True, slots=True)
class WaterTable:
    """Soil in balance with a water table: full below it, and drier with height above it.

    Attributes
    ----------
    table_m : depth of the water table.
    fringe_m : height of the capillary fringe, where the soil begins to drain: the inverse of van Genuchten's α.
    steepness : van Genuchten's n: above 1, about 1.1 in clay and 2.7 in sand (values from memory).

    Notes
    -----
    θ = θ_r + (φ − θ_r) [1 + (h/h_c)ⁿ]^{−(1−1/n)} at the height h above the table. Uneven water fades out through the
    fringe: what is full cannot be uneven.

    References
    ----------
    van Genuchten 1980, Soil Sci. Soc. Am. J. 44:892-898.
    """

    table_m: float
    fringe_m: float = 0.25
    steepness: float = 2.0

    def __post_init__(self) -> None:
        check_positive(self.table_m, "table_m")
        check_positive(self.fringe_m, "fringe_m")
        check_in_range(self.steepness, "steepness", 1.05, 12.0)

    def mean(self, depth: Array, soil: Soil) -> Array:
        """Mean water content at depths of any shape."""
        n = self.steepness
        share = (1.0 + (np.maximum(self.table_m - depth, 0.0) / self.fringe_m) ** n) ** (1.0 / n - 1.0)
        return np.asarray(soil.residual + (soil.porosity - soil.residual) * share)

    def freedom(self, depth: Array) -> Array:
        """Factor on the spread of the water: 0 below the table, 1 above the fringe."""
        return np.asarray(np.clip((self.table_m - depth) / self.fringe_m, 0.0, 1.0))


Profile = Even | Drained | WettingFront | FrozenCrust | WaterTable

PROFILES: Final[dict[str, type[Profile]]] = {
    "even": Even,
    "drained": Drained,
    "wetting-front": WettingFront,
    "frozen-crust": FrozenCrust,
    "water-table": WaterTable,
}
"""The profiles by the names that scene files use; the fields of each are its settings."""


@dataclass(frozen=True, slots=True)
class Patches:
    """One scale of uneven water around the mean.

    Attributes
    ----------
    sd_vwc : standard deviation at the surface, m³/m³.
    range_m : practical range (correlation 0.05), m: one number, or along, across and down.
    family : of the covariance: exponential, gaussian, or matern with its smoothness.
    azimuth_deg : bearing of the first range, clockwise from +y.

    Raises
    ------
    InputError : a value out of range, or a covariance that is not known.
    """

    sd_vwc: float
    range_m: float | tuple[float, float, float]
    family: Literal["exponential", "gaussian", "matern"] = "exponential"
    smoothness: float | None = None
    azimuth_deg: float = 0.0

    def __post_init__(self) -> None:
        check_in_range(self.sd_vwc, "sd_vwc", 0.0, 0.3)
        if isinstance(self.range_m, Sequence):
            object.__setattr__(self, "range_m", tuple(float(value) for value in self.range_m))
        # The one place that knows the families refuses what it does not know, here and not at first use.
        draw_modes(
            ranges_m=self.range_m,
            family=self.family,
            seed=0,
            modes=1,
            azimuth_deg=check_finite(self.azimuth_deg, "azimuth_deg"),
            smoothness=self.smoothness,
        )


@dataclass(frozen=True, slots=True)
class DayWater:
    """Water in the ground on one day.

    Attributes
    ----------
    profile : mean with depth: `Even`, `Drained`, `WettingFront`, `FrozenCrust` or `WaterTable`.
    macro, micro : uneven water at the scale of metres, and of centimetres to decimetres; None has none.
    fade_m : depth at which the spread of both has fallen to 1/e; None keeps it at all depths.
    own_share : share of the variance that is this day's own; the rest follows the structure of the ground.
    day_seed : of the day's own share.
    temperature_c : of the ground on this day, −4 to 40 °C; None takes the soil's.

    Raises
    ------
    InputError : a value out of range.

    Examples
    --------
    >>> day = DayWater(Drained(0.12, 0.24), macro=Patches(0.03, (8.0, 8.0, 0.8)), micro=Patches(0.01, 0.2))
    >>> day.kind
    'drained'
    """

    profile: Profile
    macro: Patches | None = None
    micro: Patches | None = None
    fade_m: float | None = None
    own_share: float = 0.0
    day_seed: int = 0
    temperature_c: float | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.profile, tuple(PROFILES.values())):
            raise InputError(
                "a day needs a profile of its water",
                received=repr(self.profile),
                do="use one of " + ", ".join(kind.__name__ for kind in PROFILES.values()),
            )
        if self.fade_m is not None:
            check_positive(self.fade_m, "fade_m")
        check_in_range(self.own_share, "own_share", 0.0, 1.0)
        if self.day_seed < 0:
            raise InputError("day_seed must not be negative", received=self.day_seed)
        if self.temperature_c is not None:
            check_in_range(self.temperature_c, "temperature_c", -4.0, 40.0)

    @property
    def kind(self) -> str:
        """The profile's name, as in `PROFILES`."""
        return next(name for name, kind in PROFILES.items() if isinstance(self.profile, kind))

    def spread(self, depth: Array) -> Array:
        """Factor on the standard deviation at depths of any shape: fading with depth, and none in full soil."""
        factor = np.ones_like(depth) if self.fade_m is None else np.exp(-np.maximum(depth, 0.0) / self.fade_m)
        if isinstance(self.profile, WaterTable):
            factor = factor * self.profile.freedom(depth)
        return np.asarray(factor)

    def sd_vwc(self, depth: Array) -> Array:
        """Standard deviation asked for at depths of any shape, both scales together, before any clip."""
        parts = [patches.sd_vwc for patches in (self.macro, self.micro) if patches is not None]
        return math.hypot(*parts) * self.spread(depth) if parts else np.zeros_like(depth)


def _check_contents(profile: Profile, *names: str) -> None:
    for name in names:
        check_in_range(getattr(profile, name), name, 0.0, _MOST_VWC)
