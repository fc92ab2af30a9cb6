"""Water content of the ground at places and depths, on a day: the mean profile and the uneven water around it.

The structure of the ground is a set of plane waves drawn from its seed. It is the same at a place whatever line
crosses it and whatever the day: a day sets the mean, scales the structure, and may blend in a share of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from yewline._check import check_array, check_positive
from yewline.errors import InputError
from yewline.geostat import draw_modes, field_on_section
from yewline.simulation.earth.day import DayWater, FrozenCrust, Patches, WettingFront
from yewline.simulation.earth.ground import Ground, Soil

__all__ = [
    "MoistureStatistics",
    "frozen_share",
    "mean_profile",
    "moisture_statistics",
    "surface_readings",
    "water_on_section",
]

Array = npt.NDArray[np.float64]

_MACRO, _MICRO, _FRONT = 0, 1, 2
_READING_DEPTHS: Final = 16
_RELIEF_NODES: Final = 21


def mean_profile(soil: Soil, water: DayWater, depth: npt.ArrayLike) -> Array:
    """Mean water content of a day at depths, before uneven water and its limits.

    Parameters
    ----------
    soil, water : the ground's make and the day.
    depth : (Z,) m; 0 above the surface.

    Returns
    -------
    (Z,) m³/m³, ice counted as the water it was. A rough wetting front is taken at its mean depth.

    Raises
    ------
    InputError : the day holds more water than the soil has pores.

    Examples
    --------
    >>> from yewline.simulation.earth.day import Drained
    >>> mean_profile(Soil(), DayWater(Drained(0.12, 0.24)), [0.0, 0.6]).round(4).tolist()
    [0.12, 0.1959]
    """
    z = check_array(depth, "depth", ndim=1)
    return np.where(z < 0.0, 0.0, _mean(soil, water, np.maximum(z, 0.0), 0.0))


def frozen_share(water: DayWater, vwc: npt.ArrayLike, depth: npt.ArrayLike) -> Array:
    """Share of the water that is ice on a day.

    Parameters
    ----------
    water : the day.
    vwc : (..., Z) water content, ice counted as the water it was; fills may hold other amounts than the soil.
    depth : (Z,) m.

    Returns
    -------
    (..., Z), 0 to 1; 0 on days without frost and in air. Hand it to `materials`.

    Examples
    --------
    >>> from yewline.simulation.earth.day import FrozenCrust
    >>> day = DayWater(FrozenCrust(frost_m=0.2, surface=0.3, deep=0.3, unfrozen_vwc=0.03))
    >>> frozen_share(day, [0.3, 0.3], [0.1, 0.5]).round(6).tolist()
    [0.9, 0.0]
    """
    theta, z = np.asarray(vwc, dtype=np.float64), check_array(depth, "depth", ndim=1)
    if not isinstance(water.profile, FrozenCrust):
        return np.zeros(np.broadcast_shapes(theta.shape, z.shape))
    return water.profile.frozen_share(theta, z)


def water_on_section(
    ground: Ground, water: DayWater, x: npt.ArrayLike, y: npt.ArrayLike, depth: npt.ArrayLike
) -> Array:
    """Water content on a vertical section along any curve over the ground, on a day.

    Parameters
    ----------
    ground, water : the ground and the day.
    x, y : (X,) places of the columns, site metres.
    depth : (Z,) m; negative in air.

    Returns
    -------
    (X, Z) m³/m³ between the soil's residual water and its porosity, ice counted as the water it was; 0 in air.

    Raises
    ------
    InputError : arrays that are empty, not finite or of different lengths, or more mean water than pores.

    Notes
    -----
    θ = mean(z) + spread(z) [s_macro F_macro + s_micro F_micro], clipped. F are Gaussian fields of variance 1, the same
    on every day; with a share w of the day's own they are √(1 − w) F + √w F_day. The clip shifts mean and spread:
    `moisture_statistics` tells by how much.

    References
    ----------
    Igel, J. 2008. On the small-scale variability of electrical soil properties and its influence on geophysical
    measurements. PhD thesis, Frankfurt (uneven soil water and its size; from memory).

    Examples
    --------
    >>> from yewline.simulation.earth.day import Even
    >>> day = DayWater(Even(0.2), macro=Patches(0.03, 6.0))
    >>> section = water_on_section(Ground(), day, [0.0, 1.0], [2.0, 2.0], [-0.1, 0.0, 0.5])
    >>> section.shape, section[:, 0].tolist()
    ((2, 3), [0.0, 0.0])
    """
    return _section(ground, water, x, y, depth, (_MACRO, _MICRO))


def macro_on_section(
    ground: Ground, water: DayWater, x: npt.ArrayLike, y: npt.ArrayLike, depth: npt.ArrayLike
) -> Array:
    """`water_on_section` without the micro scale, for a model that treats that scale as clutter."""
    return _section(ground, water, x, y, depth, (_MACRO,))


def surface_readings(
    ground: Ground, water: DayWater, x: npt.ArrayLike, y: npt.ArrayLike, *, support_depth_m: float = 0.12
) -> Array:
    """Water content that a probe without error would read at points, on a day.

    Parameters
    ----------
    ground, water : the ground and the day.
    x, y : (R,) places of the readings, site metres.
    support_depth_m : length of the probe, from the surface down; its width is not averaged over.

    Returns
    -------
    (R,) m³/m³, liquid water only: a dielectric probe hardly sees ice.

    Raises
    ------
    InputError : a support that is not positive, or places that do not fit each other.

    Examples
    --------
    >>> from yewline.simulation.earth.day import Even
    >>> surface_readings(Ground(), DayWater(Even(0.2)), [1.0], [2.0]).round(6).tolist()
    [0.2]
    """
    support = check_positive(support_depth_m, "support_depth_m")
    depth = (np.arange(_READING_DEPTHS) + 0.5) / _READING_DEPTHS * support
    vwc = water_on_section(ground, water, x, y, depth)
    return np.asarray((vwc * (1.0 - frozen_share(water, vwc, depth))).mean(axis=1))


@dataclass(frozen=True, slots=True)
class MoistureStatistics:
    """Water content over all draws of the ground, by depth; all members are (Z,), m³/m³ or shares.

    Attributes
    ----------
    depth : m.
    mean_asked, sd_asked : before the clip; the spread is that of the uneven water alone, without a front's relief.
    mean, sd : after the clip to [residual, porosity], a front's relief included.
    clipped_low, clipped_high : shares of the ground that the clip holds at the residual water and at the porosity.
    """

    depth: Array
    mean_asked: Array
    sd_asked: Array
    mean: Array
    sd: Array
    clipped_low: Array
    clipped_high: Array


def moisture_statistics(ground: Ground, water: DayWater, depth: npt.ArrayLike) -> MoistureStatistics:
    """What the clip to residual water and porosity does to a day's mean and spread: exact, over all draws.

    Parameters
    ----------
    ground, water : the ground and the day.
    depth : (Z,) m, ≥ 0.

    Raises
    ------
    InputError : a depth above the surface, or more mean water than pores.

    Notes
    -----
    A normal variable clipped to [l, u] has the mean l·Φ(a) + u·(1 − Φ(b)) + μ(Φ(b) − Φ(a)) + s(φ(a) − φ(b)) with
    a = (l − μ)/s and b = (u − μ)/s; the variance likewise. Over the relief of a front the moments are averaged by
    Gauss–Hermite quadrature. A site smaller than a few ranges has a mean and a spread of its own around these.

    References
    ----------
    Johnson, Kotz & Balakrishnan 1994, Continuous Univariate Distributions, vol. 1, sec. 13.10 (from memory).

    Examples
    --------
    >>> from yewline.simulation.earth.day import Even
    >>> day = moisture_statistics(Ground(), DayWater(Even(0.05), macro=Patches(0.05, 6.0)), [0.0])
    >>> day.clipped_low.round(3).item(), day.mean.round(4).item()
    (0.274, 0.0584)
    """
    z = check_array(depth, "depth", ndim=1)
    if (z < 0.0).any():
        raise InputError("depth must not be negative", received=f"{z.min():g}")
    soil, sd = ground.soil, water.sd_vwc(z)
    first, second, low, high = (np.zeros_like(z) for _ in range(4))
    for shift, weight in _relief(water):
        mean, square, below, above = _clipped(_mean(soil, water, z, shift), sd, soil.residual, soil.porosity)
        first, second = first + weight * mean, second + weight * square
        low, high = low + weight * below, high + weight * above
    spread = np.sqrt(np.maximum(second - first**2, 0.0))
    return MoistureStatistics(z, _mean(soil, water, z, 0.0), sd, first, spread, low, high)


def _relief(water: DayWater) -> list[tuple[float, float]]:
    """Heights of the front about its mean depth, and their weights."""
    if not isinstance(water.profile, WettingFront) or water.profile.relief_m == 0.0:
        return [(0.0, 1.0)]
    nodes, weights = np.polynomial.hermite_e.hermegauss(_RELIEF_NODES)
    shares = weights / weights.sum()
    return [(water.profile.relief_m * float(u), float(w)) for u, w in zip(nodes, shares, strict=True)]


def _clipped(mean: Array, sd: Array, low: float, high: float) -> tuple[Array, Array, Array, Array]:
    """First and second moment of clipped normal variables, and the shares clipped at either end."""
    s = np.maximum(sd, 1e-15)
    a, b = (low - mean) / s, (high - mean) / s
    below, above = ndtr(a), ndtr(-b)
    at_a, at_b = (np.exp(-0.5 * np.minimum(np.abs(t), 40.0) ** 2) / math.sqrt(2.0 * math.pi) for t in (a, b))
    inside = 1.0 - below - above
    # About the mean, so that the variance of a narrow spread keeps its digits.
    first = (low - mean) * below + (high - mean) * above + s * (at_a - at_b)
    second = (low - mean) ** 2 * below + (high - mean) ** 2 * above + s * s * (inside + a * at_a - b * at_b)
    return mean + first, second + 2.0 * mean * first + mean**2, below, above


def _mean(soil: Soil, water: DayWater, depth: Array, lowered_m: float | Array) -> Array:
    """Mean water content; a wetting front is lowered by what broadcasts with the depths."""
    profile = water.profile
    mean = profile.mean(depth, soil, lowered_m) if isinstance(profile, WettingFront) else profile.mean(depth, soil)
    most = float(mean.max())
    if most > soil.porosity + 1e-9:
        raise InputError(
            "the day holds more water than the soil has pores",
            received=f"{most:.3g} m³/m³ of water, porosity {soil.porosity:g}",
            do="lower the water content, or raise the porosity",
        )
    return mean


def _section(
    ground: Ground,
    water: DayWater,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    depth: npt.ArrayLike,
    scales: tuple[int, ...],
) -> Array:
    xs, ys = check_array(x, "x", ndim=1), check_array(y, "y", ndim=1)
    if xs.shape != ys.shape:
        raise InputError("x and y must have the same length", received=f"{xs.size} and {ys.size}")
    z = check_array(depth, "depth", ndim=1)
    vwc = np.zeros((xs.size, z.size))
    soil = z >= 0.0
    if not soil.any():
        return vwc
    below = z[soil]
    field = np.zeros((xs.size, below.size))
    for scale, patches in ((_MACRO, water.macro), (_MICRO, water.micro)):
        if scale in scales and patches is not None and patches.sd_vwc > 0.0:
            field += patches.sd_vwc * _structure(ground, water, patches, scale, xs, ys, below)
    field *= water.spread(below)
    field += _mean(ground.soil, water, below, _front(ground, water, xs, ys))
    vwc[:, soil] = np.clip(field, ground.soil.residual, ground.soil.porosity)
    return vwc


def _structure(
    ground: Ground, water: DayWater, patches: Patches, scale: int, x: Array, y: Array, depth: Array
) -> Array:
    """Field of variance 1 on a section: the ground's own structure, and the day's share in it."""
    own = water.own_share
    field = np.zeros((x.size, depth.size))
    if own < 1.0:
        field += math.sqrt(1.0 - own) * _field(patches, [ground.structure_seed, scale], x, y, depth)
    if own > 0.0:
        seed = [ground.structure_seed, scale, 1 + water.day_seed]
        field += math.sqrt(own) * _field(patches, seed, x, y, depth)
    return field


def _front(ground: Ground, water: DayWater, x: Array, y: Array) -> float | Array:
    """How far the wetting front lies below its mean depth, (X, 1): a surface that belongs to the ground."""
    if not isinstance(water.profile, WettingFront) or water.profile.relief_m == 0.0:
        return 0.0
    relief = Patches(0.0, water.profile.relief_range_m, "gaussian")
    surface = _field(relief, [ground.structure_seed, _FRONT], x, y, np.zeros(1))
    return np.asarray(water.profile.relief_m * surface)


def _field(patches: Patches, seed: list[int], x: Array, y: Array, depth: Array) -> Array:
    modes = draw_modes(
        ranges_m=patches.range_m,
        family=patches.family,
        seed=np.random.default_rng(seed),
        azimuth_deg=patches.azimuth_deg,
        smoothness=patches.smoothness,
    )
    return np.asarray(field_on_section(modes, x, y, depth), dtype=np.float64)
