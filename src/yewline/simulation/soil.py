"""Soil of a site on one day: water content with depth and place, and what a wave meets in it.

The water content is a mean profile that passes from its surface value to its deep value, plus a patchy field that
fades with depth. Permittivity follows from a mixing model of solids, water and air, conductivity from pore water and
a surface term; travel time and loss are then summed down each column.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from yewline._check import check_in_range, check_positive
from yewline.errors import InputError
from yewline.geostat import gaussian_field
from yewline.physics import archie_conductivity, mixed_permittivity, plane_wave
from yewline.units import C_M_PER_NS

__all__ = [
    "FULLEST",
    "Moisture",
    "SoilColumns",
    "SoilKind",
    "SoilMake",
    "column_axes",
    "sample_columns",
    "soil_columns",
    "sum_columns",
    "surface_vwc",
]

Array = npt.NDArray[np.float64]

_DRIEST: Final = 0.02

FULLEST: Final = 0.98
"""Water never leaves a soil wholly nor fills the last of its pores (common practice, no source)."""


class SoilMake(Protocol):
    """What the model asks of a soil: its materials at any water content, whatever relation they come from."""

    @property
    def porosity(self) -> float:
        """Share of pores, m³/m³."""

    def permittivity(self, vwc: npt.ArrayLike, porosity: float | None = None) -> Array:
        """Relative permittivity at water content `vwc`, any shape."""

    def conductivity(self, vwc: npt.ArrayLike) -> Array:
        """Conductivity at water content `vwc`, mS/m, any shape."""


@dataclass(frozen=True, slots=True)
class SoilKind:
    """What the soil is made of, the same on all days.

    Attributes
    ----------
    porosity : share of pores, m³/m³.
    solid_permittivity, water_permittivity : of grains and of pore water.
    water_ms_per_m : conductivity of the pore water.
    cementation, saturation_exponent : exponents of Archie's law.
    surface_ms_per_m : conductivity along wetted grain surfaces at full saturation (clay), proportional to saturation.
    """

    porosity: float = 0.42
    solid_permittivity: float = 4.6
    water_permittivity: float = 81.5
    water_ms_per_m: float = 55.0
    cementation: float = 1.5
    saturation_exponent: float = 2.0
    surface_ms_per_m: float = 4.0

    def __post_init__(self) -> None:
        check_in_range(self.porosity, "porosity", 0.05, 0.9)
        check_in_range(self.solid_permittivity, "solid_permittivity", 1.0, 20.0)
        check_in_range(self.water_permittivity, "water_permittivity", 10.0, 100.0)
        check_positive(self.water_ms_per_m, "water_ms_per_m")
        check_in_range(self.surface_ms_per_m, "surface_ms_per_m", 0.0, 5_000.0)

    def permittivity(self, vwc: npt.ArrayLike, porosity: float | None = None) -> Array:
        """Relative permittivity at water content `vwc` by the mixing model, any shape."""
        return mixed_permittivity(
            vwc,
            porosity=self.porosity if porosity is None else porosity,
            solid=self.solid_permittivity,
            water=self.water_permittivity,
        )

    def conductivity(self, vwc: npt.ArrayLike) -> Array:
        """Conductivity at water content `vwc`, mS/m, any shape."""
        saturation = np.asarray(vwc, dtype=np.float64) / self.porosity
        water = archie_conductivity(
            saturation,
            porosity=self.porosity,
            water_ms_per_m=self.water_ms_per_m,
            cementation=self.cementation,
            saturation_exponent=self.saturation_exponent,
        )
        return np.asarray(water + self.surface_ms_per_m * saturation)


@dataclass(frozen=True, slots=True)
class Moisture:
    """Water in the soil on one day.

    Attributes
    ----------
    surface, deep : mean water content at the surface and far below it, m³/m³.
    profile_m : depth over which the one passes into the other, m.
    patch_sd, patch_range_m : standard deviation (over the columns) and practical range of the patches at the surface.
    patch_fade_m : depth at which patches have faded to 1/e.
    micro_sd, micro_range_m : standard deviation and practical range of small-scale fluctuations (clutter).
    seed : of the patches.
    """

    surface: float
    deep: float
    profile_m: float = 0.6
    patch_sd: float = 0.02
    patch_range_m: float = 5.0
    patch_fade_m: float = 0.9
    micro_sd: float = 0.01
    micro_range_m: float = 0.2
    seed: int = 0

    def __post_init__(self) -> None:
        for name in ("surface", "deep"):
            check_in_range(getattr(self, name), name, 0.0, 0.6)
        for name in ("profile_m", "patch_range_m", "patch_fade_m", "micro_range_m"):
            check_positive(getattr(self, name), name)
        for name in ("patch_sd", "micro_sd"):
            check_in_range(getattr(self, name), name, 0.0, 0.3)


@dataclass(frozen=True, slots=True)
class SoilColumns:
    """Soil on a grid of columns; all fields but the axes are (Z, Y, X) arrays.

    Attributes
    ----------
    x, y, depth : axes, m; depth starts at 0.
    vwc, permittivity : water content and relative permittivity.
    time_ns : one-way vertical travel time from the surface.
    slowness2 : 1/v² with the root-mean-square velocity down to that depth, ns²/m².
    loss_np_per_ns : attenuation from the surface down to that depth, over the travel time.
    centre_mhz : frequency at which the loss was taken.
    kind, moisture : what it was made from.
    """

    x: Array
    y: Array
    depth: Array
    vwc: Array
    permittivity: Array
    time_ns: Array
    slowness2: Array
    loss_np_per_ns: Array
    centre_mhz: float
    kind: SoilMake
    moisture: Moisture


def soil_columns(
    bounds: tuple[float, float, float, float],
    moisture: Moisture,
    kind: SoilKind | None = None,
    *,
    centre_mhz: float,
    cell_m: float = 0.5,
    depth_max_m: float = 2.6,
    depth_step_m: float = 0.05,
) -> SoilColumns:
    """Soil columns over `bounds` on one day.

    Parameters
    ----------
    bounds : (x0, y0, x1, y1), m.
    moisture, kind : the day's water and the soil's make.
    centre_mhz : frequency at which attenuation is taken.
    cell_m, depth_step_m : spacing of columns and of depths.
    depth_max_m : depth of the columns.

    Raises
    ------
    InputError : bounds in the wrong order or a step that is not positive.

    Notes
    -----
    Times, velocities and losses are those of `sum_columns`.

    Examples
    --------
    >>> day = soil_columns((0, 0, 1, 1), Moisture(0.2, 0.2, patch_sd=0.0), centre_mhz=400.0)
    >>> bool(abs(day.time_ns[-1, 0, 0] - 2.6 / C_M_PER_NS * day.permittivity[0, 0, 0] ** 0.5) < 1e-9)
    True
    """
    soil = SoilKind() if kind is None else kind
    x, y, depth = column_axes(bounds, cell_m=cell_m, depth_max_m=depth_max_m, depth_step_m=depth_step_m)
    vwc = _water(depth, y, x, moisture, soil, float(cell_m))
    permittivity = soil.permittivity(vwc)
    time_ns, slowness2, loss = sum_columns(
        depth, permittivity=permittivity, conductivity_ms_per_m=soil.conductivity(vwc), centre_mhz=centre_mhz
    )
    return SoilColumns(x, y, depth, vwc, permittivity, time_ns, slowness2, loss, float(centre_mhz), soil, moisture)


def column_axes(
    bounds: tuple[float, float, float, float], *, cell_m: float, depth_max_m: float, depth_step_m: float
) -> tuple[Array, Array, Array]:
    """Axes x, y and depth of soil columns over `bounds`; each reaches at least to its end.

    Raises
    ------
    InputError : bounds in the wrong order or a step that is not positive.

    Examples
    --------
    >>> [axis.size for axis in column_axes((0, 0, 2, 1), cell_m=0.5, depth_max_m=1.0, depth_step_m=0.25)]
    [5, 3, 5]
    """
    x0, y0, x1, y1 = bounds
    if not (x0 < x1 and y0 < y1):
        raise InputError("bounds must be (x0, y0, x1, y1) with x0 < x1 and y0 < y1", received=bounds)
    cell = check_positive(cell_m, "cell_m")
    depth = _axis(0.0, check_positive(depth_max_m, "depth_max_m"), check_positive(depth_step_m, "depth_step_m"))
    return _axis(x0, x1, cell), _axis(y0, y1, cell), depth


def sum_columns(
    depth: Array, *, permittivity: Array, conductivity_ms_per_m: Array, centre_mhz: float
) -> tuple[Array, Array, Array]:
    """Travel time and loss from the surface down soil columns.

    Parameters
    ----------
    depth : (Z,) m, from 0 down.
    permittivity, conductivity_ms_per_m : (Z, Y, X).
    centre_mhz : frequency at which attenuation is taken.

    Returns
    -------
    One-way vertical time (ns), squared slowness 1/v² with the root-mean-square velocity (ns²/m²), and attenuation over
    the travel time (Np/ns), each (Z, Y, X) and from the surface down to that depth.

    Notes
    -----
    With slowness p = √ε/c the one-way time is τ(z) = ∫p dz and the root-mean-square velocity follows from
    v² = ∫v dz/τ, both by the trapezium rule.

    References
    ----------
    Dix, C. H. 1955. Seismic velocities from surface measurements. Geophysics 20, 68–86 (root-mean-square velocity;
    from memory).

    Examples
    --------
    >>> column = np.full((3, 1, 1), 9.0)
    >>> time, _, _ = sum_columns(np.array([0.0, 0.5, 1.0]), permittivity=column, conductivity_ms_per_m=column,
    ...                          centre_mhz=400.0)
    >>> time[:, 0, 0].round(3).tolist()
    [0.0, 5.003, 10.007]
    """
    slowness = np.sqrt(permittivity) / C_M_PER_NS
    time_ns = _sum_down(slowness, depth)
    length = _sum_down(1.0 / slowness, depth)
    wave = plane_wave(centre_mhz, permittivity=permittivity, conductivity_ms_per_m=conductivity_ms_per_m)
    loss = _sum_down(wave.alpha_np_per_m, depth)
    # At the surface both ratios are 0/0: their limits are the local values, which the next depth gives well enough.
    with np.errstate(invalid="ignore", divide="ignore"):
        slowness2 = time_ns / length
        loss_rate = loss / time_ns
    slowness2[0] = slowness[0] ** 2
    loss_rate[0] = loss_rate[1]
    return time_ns, slowness2, loss_rate


def sample_columns(columns: SoilColumns, values: Array, x: Array, y: Array, depth: Array) -> Array:
    """Values of a (Z, Y, X) field of `columns` at points (n,), linear between nodes, nearest outside."""
    place = np.array(
        [
            depth / (columns.depth[1] - columns.depth[0]),
            (y - columns.y[0]) / (columns.y[1] - columns.y[0]),
            (x - columns.x[0]) / (columns.x[1] - columns.x[0]),
        ]
    )
    return np.asarray(ndimage.map_coordinates(values, place, order=1, mode="nearest"))


def surface_vwc(columns: SoilColumns, x: npt.ArrayLike, y: npt.ArrayLike, *, support_depth_m: float = 0.12) -> Array:
    """Water content (n,) that a perfect probe of length `support_depth_m` would read at points, m³/m³."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    depths = (np.arange(8) + 0.5) / 8 * check_positive(support_depth_m, "support_depth_m")
    return np.mean([sample_columns(columns, columns.vwc, xs, ys, np.full_like(xs, d)) for d in depths], axis=0)


def _axis(low: float, high: float, step: float) -> Array:
    return low + step * np.arange(max(2, math.ceil((high - low) / step - 1e-9) + 1), dtype=np.float64)


def _water(depth: Array, y: Array, x: Array, moisture: Moisture, soil: SoilKind, cell: float) -> Array:
    profile = moisture.deep + (moisture.surface - moisture.deep) * np.exp(-depth / moisture.profile_m)
    patches = np.zeros((len(y), len(x)))
    if moisture.patch_sd > 0:
        patches = gaussian_field(patches.shape, cell, ranges_m=moisture.patch_range_m, sd=1.0, seed=moisture.seed)
        # A site holds few patches: without this its mean and spread would be far from those asked for.
        patches = moisture.patch_sd * (patches - patches.mean()) / patches.std()
    fade = np.exp(-depth / moisture.patch_fade_m)
    vwc = profile[:, None, None] + fade[:, None, None] * patches
    return np.clip(vwc, min(_DRIEST, moisture.surface, moisture.deep), FULLEST * soil.porosity)


def _sum_down(rate: Array, depth: Array) -> Array:
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(depth)[:, None, None]
    return np.concatenate([np.zeros_like(rate[:1]), np.cumsum(steps, axis=0)])
