"""What a soil takes from the wave: pore water, grain surfaces and relaxing water, with an honest factor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_in_range
from yewline.ground.soil_properties import SoilProperties, describe_soil
from yewline.ground.soil_relations import RELATIONS, checked_vwc
from yewline.model import Soil
from yewline.physics import (
    GRAIN_G_PER_CM3,
    archie_conductivity,
    conductivity_at_temperature,
    mixture_permittivity,
    surface_conductivity,
    texture_permittivity,
    water_relaxation,
)
from yewline.units import EPS0_F_PER_M

__all__ = ["SoilLoss", "soil_loss"]

Array = npt.NDArray[np.float64]

# Archie's exponent of pores, from loose sand to consolidated (from memory); half the difference is taken as error.
_CEMENTATION: Final = (1.3, 2.0)
_SATURATION_EXPONENT: Final = 2.0
# Errors as ln of a factor, one standard deviation (own choice, no source): pore water that is assumed or stated, and
# conduction along grain surfaces, whose fit scatters widely.
_LN_WATER: Final = {True: math.log(2.0), False: math.log(1.2)}
_LN_SURFACE: Final = math.log(2.0)
# Nothing here knows scattering or iron minerals: the loss is never known better than this (own choice, no source).
_LN_LEAST: Final = math.log(1.5)
# Soil is never without any water: keeps logarithms finite in bone-dry places.
_DRIEST_VWC: Final = 1e-3
_GRAIN_PERMITTIVITY: Final = 5.0


@dataclass(frozen=True, slots=True)
class SoilLoss:
    """Conductivity that stands for every loss at a frequency; arrays have the shape of the water content.

    Attributes
    ----------
    conductivity_ms_per_m : middle of the estimates.
    factor : one standard deviation is this factor up or down, ≥ 1.5.
    estimates : what the middle is of, in words.
    assumed : what was assumed, in words.
    """

    conductivity_ms_per_m: Array
    factor: Array
    estimates: tuple[str, ...]
    assumed: tuple[str, ...]


def soil_loss(vwc: npt.ArrayLike, soil: Soil, *, frequency_mhz: float) -> SoilLoss:
    """Effective conductivity of soil at a frequency, with the factor within which it is known.

    Parameters
    ----------
    vwc : any shape, m³/m³, 0 to 0.6; NaN stays NaN.
    soil : from a visit's settings.
    frequency_mhz : 10 to 3000 MHz.

    Returns
    -------
    The loss: one estimate from pore water and grain surfaces, and within its range the texture model's, whose mean (of
    logarithms) is taken.

    Raises
    ------
    InputError : a water content or frequency out of range.

    Notes
    -----
    First estimate: σ_w nᵐ Sⁿ (Archie, m = 1.65 ± 0.35) and σ_s S along grain surfaces, both at the soil's temperature,
    and ωε₀ times the loss part of the mixture of grains, relaxing water and air. Second: ωε₀ε″ of the texture model,
    which holds bound and relaxing water but knows no salt. Errors add as variances of ln σ: pore water (a factor of 2
    where it is assumed, 1.2 where stated), m, surfaces (a factor of 2 on their share), and the two estimates'
    difference. Scattering and iron minerals are not followed: the factor is never below 1.5.

    References
    ----------
    Archie 1942; Rhoades et al. 1989; Corwin & Lesch 2005; Peplinski et al. 1995: see `physics`.

    Examples
    --------
    >>> loss = soil_loss(0.2, Soil(texture="loam", water_ms_per_m=50.0), frequency_mhz=400.0)
    >>> loss.conductivity_ms_per_m.round(1).item(), loss.factor.round(2).item()
    (31.8, 2.56)
    """
    check_in_range(frequency_mhz, "frequency_mhz", 10.0, 3000.0)
    theta, made = checked_vwc(vwc), describe_soil(soil)
    wet = np.maximum(theta, _DRIEST_VWC)
    pores = np.fmax(made.porosity, wet)
    fluid, apart = _pore_water(wet, pores, made)
    surfaces = _at_temperature(surface_conductivity(made.clay) * wet / pores, made)
    relaxing = _relaxation(wet, pores, made, frequency_mhz)
    first = fluid + surfaces + relaxing
    variance = (fluid / first) ** 2 * (_LN_WATER["water" in made.assumed] ** 2 + apart**2)
    variance += (surfaces / first * _LN_SURFACE) ** 2
    estimates = ["pore water (Archie), grain surfaces (Rhoades) and relaxing water"]
    middle = np.log(first)
    if not RELATIONS["texture"].outside(made, frequency_mhz):
        second = np.log(np.maximum(_texture_loss(wet, pores, made, frequency_mhz), 1e-6))
        variance += 0.5 * (second - middle) ** 2
        middle = 0.5 * (middle + second)
        estimates.append("texture model (Peplinski)")
    named = ("water", "texture", "density", "temperature")
    return SoilLoss(
        conductivity_ms_per_m=np.asarray(np.exp(middle)),
        factor=np.asarray(np.exp(np.sqrt(np.maximum(variance, _LN_LEAST**2)))),
        estimates=tuple(estimates),
        assumed=tuple(made.stands(name) for name in named if name in made.assumed),
    )


def _pore_water(wet: Array, pores: Array, made: SoilProperties) -> tuple[Array, Array]:
    """Conductivity by Archie's law between its two exponents, and half their difference as ln."""
    low, high = (
        archie_conductivity(
            np.clip(wet / pores, 0.0, 1.0),
            porosity=np.where(np.isnan(pores), made.porosity, pores),
            water_ms_per_m=made.water_ms_per_m,
            cementation=m,
            saturation_exponent=_SATURATION_EXPONENT,
        )
        for m in reversed(_CEMENTATION)
    )
    return _at_temperature(np.sqrt(low * high), made), 0.5 * np.log(high / low)


def _at_temperature(ms_per_m_at_25: npt.ArrayLike, made: SoilProperties) -> Array:
    return conductivity_at_temperature(ms_per_m_at_25, made.temperature_c)


def _relaxation(wet: Array, pores: Array, made: SoilProperties, frequency_mhz: float) -> Array:
    water = water_relaxation(made.temperature_c).at(frequency_mhz)
    mixed = mixture_permittivity([1.0 - pores, wet, pores - wet], [_GRAIN_PERMITTIVITY, water, 1.0])
    return -_per_loss(frequency_mhz) * mixed.imag


def _texture_loss(wet: Array, pores: Array, made: SoilProperties, frequency_mhz: float) -> Array:
    bulk = np.fmin(made.bulk_g_per_cm3, GRAIN_G_PER_CM3 * (1.0 - pores))
    eps = texture_permittivity(
        wet,
        sand=made.sand,
        clay=made.clay,
        frequency_mhz=frequency_mhz,
        bulk_g_per_cm3=np.fmax(bulk, 0.05),
        temperature_c=made.temperature_c,
    )
    return -_per_loss(frequency_mhz) * eps.imag


def _per_loss(frequency_mhz: float) -> float:
    """Conductivity, mS/m, that has the loss of one unit of ε″ at a frequency."""
    return 2e9 * math.pi * frequency_mhz * EPS0_F_PER_M
