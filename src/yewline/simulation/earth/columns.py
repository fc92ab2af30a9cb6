"""The same ground for the first-order model: columns with their water, travel time and loss."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_positive
from yewline.simulation.earth.day import DayWater
from yewline.simulation.earth.ground import Ground, Soil
from yewline.simulation.earth.materials import materials, soil_on_day
from yewline.simulation.earth.water import frozen_share, macro_on_section, mean_profile
from yewline.simulation.soil import FULLEST, Moisture, SoilColumns, column_axes, sum_columns

__all__ = ["SoilAtFrequency", "columns_of"]

Array = npt.NDArray[np.float64]

_NO_FADE_M: Final = 1e6
_NO_RANGE_M: Final = 0.2


@dataclass(frozen=True, slots=True)
class SoilAtFrequency:
    """A soil at one frequency, as the first-order model asks for it: unfrozen.

    Attributes
    ----------
    soil : the soil, at the day's temperature.
    frequency_mhz : at which its materials are taken.
    """

    soil: Soil
    frequency_mhz: float

    @property
    def porosity(self) -> float:
        """Share of pores of the undisturbed soil."""
        return self.soil.porosity

    def permittivity(self, vwc: npt.ArrayLike, porosity: float | None = None) -> Array:
        """Relative permittivity at water content `vwc`, any shape."""
        return materials(self.soil, vwc, porosity=porosity, frequency_mhz=self.frequency_mhz)[0]

    def conductivity(self, vwc: npt.ArrayLike) -> Array:
        """Conductivity at water content `vwc`, mS/m, any shape."""
        return materials(self.soil, vwc, frequency_mhz=self.frequency_mhz)[1]


def columns_of(
    ground: Ground,
    water: DayWater,
    bounds: tuple[float, float, float, float],
    *,
    centre_mhz: float,
    cell_m: float = 0.5,
    depth_max_m: float = 2.6,
    depth_step_m: float = 0.05,
) -> SoilColumns:
    """Soil columns of the ground on a day, for the first-order model.

    Parameters
    ----------
    ground, water : the ground and the day.
    bounds : (x0, y0, x1, y1), m.
    centre_mhz : frequency at which permittivity and attenuation are taken.
    cell_m, depth_step_m : spacing of columns and of depths.
    depth_max_m : depth of the columns.

    Returns
    -------
    SoilColumns: mean profile and macro scale of the same structure as `water_on_section`. The micro scale is handed
    on as standard deviation and range in `SoilColumns.moisture`, for that model makes its clutter from them.

    Raises
    ------
    InputError : bounds in the wrong order or a step that is not positive.

    Notes
    -----
    The last 2 % of the pores stay empty, as everywhere in that model. In a frozen crust permittivity, time and loss
    hold the ice, and `vwc` is the liquid water alone: fills and clutter there are those of nearly dry soil.

    Examples
    --------
    >>> from yewline.simulation.earth.day import Even
    >>> day = columns_of(Ground(), DayWater(Even(0.2)), (0, 0, 1, 1), centre_mhz=400.0)
    >>> day.vwc.shape, float(day.vwc.max())
    ((53, 3, 3), 0.2)
    """
    x, y, depth = column_axes(bounds, cell_m=cell_m, depth_max_m=depth_max_m, depth_step_m=depth_step_m)
    soil = soil_on_day(ground, water)
    east, north = np.meshgrid(x, y)
    total = macro_on_section(ground, water, east.ravel(), north.ravel(), depth)
    total = np.minimum(total, FULLEST * soil.porosity)
    frozen = frozen_share(water, total, depth)
    permittivity, conductivity = materials(soil, total, frequency_mhz=centre_mhz, frozen=frozen)
    liquid, permittivity, conductivity = (
        np.ascontiguousarray(values.T).reshape(depth.size, y.size, x.size)
        for values in (total * (1.0 - frozen), permittivity, conductivity)
    )
    time_ns, slowness2, loss = sum_columns(
        depth, permittivity=permittivity, conductivity_ms_per_m=conductivity, centre_mhz=centre_mhz
    )
    return SoilColumns(
        x,
        y,
        depth,
        liquid,
        permittivity,
        time_ns,
        slowness2,
        loss,
        float(centre_mhz),
        SoilAtFrequency(soil, check_positive(centre_mhz, "centre_mhz")),
        _as_moisture(soil, water, depth),
    )


def _as_moisture(soil: Soil, water: DayWater, depth: Array) -> Moisture:
    """The day in the first-order model's own terms: what its clutter reads."""
    mean = np.minimum(mean_profile(soil, water, depth[[0, -1]]), 0.6)
    moisture = Moisture(
        surface=float(mean[0]),
        deep=float(mean[1]),
        patch_fade_m=_NO_FADE_M if water.fade_m is None else water.fade_m,
        patch_sd=0.0 if water.macro is None else water.macro.sd_vwc,
        micro_sd=0.0 if water.micro is None else water.micro.sd_vwc,
        micro_range_m=_NO_RANGE_M if water.micro is None else float(np.cbrt(np.prod(_three(water.micro.range_m)))),
        seed=water.day_seed,
    )
    return moisture if water.macro is None else replace(moisture, patch_range_m=float(_three(water.macro.range_m)[0]))


def _three(range_m: float | tuple[float, float, float]) -> Array:
    return np.broadcast_to(np.asarray(range_m, dtype=np.float64), 3)
