"""What the ground does to the wave on a visit: velocity, wavelength, loss, reach, contrast, scattering, resolution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_in_range, check_positive, check_velocity
from yewline.errors import InputError
from yewline.ground.soil_loss import SoilLoss, soil_loss
from yewline.ground.soil_model import PermittivitySpread, SoilModel, choose_soil_model, permittivity_spread
from yewline.model import VWC_HIGHEST, Soil
from yewline.physics import (
    DEPTH_RULES,
    PlaneWave,
    RadarTarget,
    depth_rule_m,
    plane_wave,
    range_equation_depth_m,
    reflection_normal,
)
from yewline.units import C_M_PER_NS, MU0_H_PER_M, NEPER_DB, Z90

__all__ = ["MoistureLevels", "WaveFigure", "WaveFigures", "WaveOptions", "scattering_class", "wave_figures"]

Array = npt.NDArray[np.float64]

_STEP_VWC: Final = 1e-3
_LEAST_CONTRAST_VWC: Final = 1e-4
_CLASSES: Final = (
    (0.5, "weak: patches far smaller than the wave"),
    (5.0, "strong: patches as large as the wave look like small targets"),
    (math.inf, "smooth: patches far larger than the wave bend and shift the image"),
)


@dataclass(frozen=True, slots=True)
class MoistureLevels:
    """Moisture of a visit at three levels, m³/m³.

    Attributes
    ----------
    p10, mean, p90 : a dry, the mean and a wet place.
    sd : standard deviation by which each of them is known (of the readings' mean, calibration and depth together).
    """

    p10: float
    mean: float
    p90: float
    sd: float = 0.0

    def __post_init__(self) -> None:
        for name in ("p10", "mean", "p90"):
            check_in_range(getattr(self, name), name, 0.0, VWC_HIGHEST)
        check_in_range(self.sd, "sd", 0.0, 0.3)
        if self.p10 > self.p90:
            raise InputError("p10 must not lie above p90", received=f"{self.p10:g} and {self.p90:g}")

    @property
    def vwc(self) -> Array:
        """The three as an array."""
        return np.array([self.p10, self.mean, self.p90])


@dataclass(frozen=True, slots=True)
class WaveOptions:
    """What the figures are for.

    Attributes
    ----------
    contrast_vwc : how much wetter (or, below zero, drier) a fill is than the soil around it, m³/m³.
    correlation_length_m : of the moisture's pattern, if it is known.
    dynamic_range_db : power sent over the weakest power seen, stacking counted in (own choice: 120; instruments and
        makers' figures differ by tens of dB).
    target : the kind of reflector of the range equation; its reflection is that of the fill.
    antenna_db : efficiency and gain of both antennas together.
    """

    contrast_vwc: float = 0.02
    correlation_length_m: float | None = None
    dynamic_range_db: float = 120.0
    target: Literal["smooth plane", "rough plane"] = "rough plane"
    antenna_db: float = 0.0

    def __post_init__(self) -> None:
        check_in_range(self.contrast_vwc, "contrast_vwc", -VWC_HIGHEST, VWC_HIGHEST)
        if abs(self.contrast_vwc) < _LEAST_CONTRAST_VWC:
            raise InputError("contrast_vwc must not be zero", received=self.contrast_vwc)
        if self.correlation_length_m is not None:
            check_positive(self.correlation_length_m, "correlation_length_m")
        check_positive(self.dynamic_range_db, "dynamic_range_db")
        check_finite(self.antenna_db, "antenna_db")


@dataclass(frozen=True, slots=True)
class WaveFigure:
    """A quantity at P10, mean and P90 of moisture, each (3,), with the ends of its 90 % interval."""

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class WaveFigures:
    """Figures of one visit at one frequency; every `WaveFigure` holds three values, at P10, mean and P90 of moisture.

    Attributes
    ----------
    frequency_mhz, levels, options : what they are for.
    model, loss, spread : the relation chosen with its reason; the loss; the spread of the relations.
    velocity_m_per_ns, wavelength_m, resolution_m : resolution is a quarter of the wavelength.
    attenuation_db_per_m : along the path, one way.
    conductivity_ms_per_m : that stands for every loss.
    reach_by_rule_m : depth reach by each rule of `physics.DEPTH_RULES`.
    reach_m : depth reach by the range equation, for a reflector of the fill's strength.
    contrast_db : strength of the fill's reflection against a perfect reflector, (3,) dB; NaN where the fill would hold
        less than no water or more than 0.6 m³/m³.
    contrast_words : its polarity.
    scattering_index : k·a, or None without a correlation length.
    scattering_words : (3,) its class at each level.
    """

    frequency_mhz: float
    levels: MoistureLevels
    options: WaveOptions
    model: SoilModel
    loss: SoilLoss
    spread: PermittivitySpread
    velocity_m_per_ns: WaveFigure
    wavelength_m: WaveFigure
    resolution_m: WaveFigure
    attenuation_db_per_m: WaveFigure
    conductivity_ms_per_m: WaveFigure
    reach_by_rule_m: dict[str, WaveFigure]
    reach_m: WaveFigure
    contrast_db: Array
    contrast_words: str
    scattering_index: WaveFigure | None
    scattering_words: tuple[str, ...]


def scattering_class(index: float) -> str:
    """Class of a scattering index k·a in words: weak below 0.5, strong to 5, smooth above.

    Notes
    -----
    Weak (Rayleigh), strong (resonance, as Mie's) and smooth are the usual classes; the limits 0.5 and 5 are rounded
    (value from memory; Takahashi, Igel & Preetz 2011 found Mie's kind to dominate).

    Examples
    --------
    >>> scattering_class(1.2)
    'strong: patches as large as the wave look like small targets'
    """
    return next(words for limit, words in _CLASSES if check_finite(index, "index") <= limit)


def wave_figures(
    levels: MoistureLevels,
    soil: Soil,
    *,
    frequency_mhz: float,
    options: WaveOptions | None = None,
    velocity: tuple[float, float] | None = None,
) -> WaveFigures:
    """Figures of the wave for a visit's moisture, soil and frequency, each with its 90 % interval.

    Parameters
    ----------
    levels : moisture of the visit.
    soil : from its settings.
    frequency_mhz : the antenna's centre frequency, 10 to 3000 MHz.
    options : contrast, pattern, instrument.
    velocity : the visit's velocity and its standard deviation, m/ns, where it is known from more than moisture. The
        wave then has it at the mean level, and the relation only says how much faster or slower other places are.

    Returns
    -------
    The figures.

    Raises
    ------
    InputError : a value out of range, or a velocity above that of light.

    Notes
    -----
    Velocity and attenuation are those of the exact plane wave in the chosen relation's permittivity and the effective
    conductivity. sd(ln v)² = (d ln v/dθ · sd θ)² + the models' spread about the chosen one; sd(ln α)² = (d ln α/dθ · sd
    θ)² + ln(factor)² + the same spread; intervals are ± 1.645 sd of the logarithm. A reach's interval is that of its
    attenuation or conductivity, and the reflector's strength and the dynamic range count as given. With a velocity from
    elsewhere α = μ₀σv/2, which holds for any loss because αβ = ωμ₀σ/2; sd(ln v) is then that velocity's own, and sd(ln
    α)² = (d ln σ/dθ · sd θ)² + ln(factor)² + sd(ln v)².

    References
    ----------
    Maxwell's plane wave: Annan 2005; reach: see `physics.depth_rule_m` and `physics.range_equation_depth_m`; quarter of
    the wavelength: common practice, no source.

    Examples
    --------
    >>> figures = wave_figures(MoistureLevels(0.1, 0.2, 0.3, sd=0.02), Soil(texture="loam"), frequency_mhz=400.0)
    >>> figures.velocity_m_per_ns.value.round(3).tolist(), figures.contrast_db.round().tolist()
    ([0.129, 0.094, 0.073], [-29.0, -31.0, -33.0])
    """
    chosen = WaveOptions() if options is None else options
    model = choose_soil_model(soil, frequency_mhz=frequency_mhz)
    theta = levels.vwc
    spread = permittivity_spread(theta, soil, frequency_mhz=frequency_mhz)
    loss = soil_loss(theta, soil, frequency_mhz=frequency_mhz)
    wave = _wave(theta, model, soil)
    v, alpha, permittivity = wave.v_m_per_ns, wave.alpha_db_per_m, model.permittivity(theta)
    slope_v, slope_a, slope_s = _slopes(theta, model, soil)
    of_model = spread.sd_ln_v_about(permittivity)
    of_loss = np.log(loss.factor)
    ln_v = np.hypot(slope_v * levels.sd, of_model)
    ln_alpha = np.sqrt((slope_a * levels.sd) ** 2 + of_loss**2 + of_model**2)
    ln_sigma = np.hypot(slope_s * levels.sd, of_loss)
    if velocity is not None:
        v, ln_v = _given(velocity, v)
        alpha, permittivity = _alpha_of_velocity(v, loss.conductivity_ms_per_m), (C_M_PER_NS / v) ** 2
        ln_alpha = np.hypot(ln_sigma, ln_v)
    attenuation = _interval(alpha, ln_alpha)
    conductivity = _interval(loss.conductivity_ms_per_m, ln_sigma)
    wavelength = _interval(1e3 * v / frequency_mhz, ln_v)
    contrast = _contrast(theta, model, chosen.contrast_vwc)
    index = None
    if chosen.correlation_length_m is not None:
        index = _interval(2.0 * math.pi * chosen.correlation_length_m / wavelength.value, ln_v)
    return WaveFigures(
        frequency_mhz=float(frequency_mhz),
        levels=levels,
        options=chosen,
        model=model,
        loss=loss,
        spread=spread,
        velocity_m_per_ns=_interval(v, ln_v),
        wavelength_m=wavelength,
        resolution_m=WaveFigure(wavelength.value / 4.0, wavelength.low / 4.0, wavelength.high / 4.0),
        attenuation_db_per_m=attenuation,
        conductivity_ms_per_m=conductivity,
        reach_by_rule_m=_reach_by_rule(attenuation, conductivity, permittivity),
        reach_m=_reach(attenuation, v, contrast, chosen, frequency_mhz),
        contrast_db=20.0 * np.log10(np.abs(contrast)),
        contrast_words=_polarity(chosen.contrast_vwc),
        scattering_index=index,
        scattering_words=() if index is None else tuple(scattering_class(float(value)) for value in index.value),
    )


def _wave(theta: Array, model: SoilModel, soil: Soil) -> PlaneWave:
    loss = soil_loss(theta, soil, frequency_mhz=model.frequency_mhz)
    return plane_wave(
        model.frequency_mhz,
        permittivity=model.permittivity(theta),
        conductivity_ms_per_m=loss.conductivity_ms_per_m,
    )


def _given(velocity: tuple[float, float], by_relation: Array) -> tuple[Array, Array]:
    """Velocity from elsewhere at the mean level, and at the others in proportion; with the error of its logarithm."""
    v = check_velocity(velocity[0], "velocity")
    sigma = check_in_range(velocity[1], "the velocity's standard deviation", 0.0, v)
    at_levels = np.minimum(v * by_relation / by_relation[1], C_M_PER_NS)
    return at_levels, np.full_like(at_levels, sigma / v)


def _alpha_of_velocity(v_m_per_ns: Array, conductivity_ms_per_m: Array) -> Array:
    """Attenuation, dB/m, of a wave of which velocity and conductivity are known."""
    return np.asarray(0.5 * MU0_H_PER_M * conductivity_ms_per_m * 1e-3 * v_m_per_ns * 1e9 * NEPER_DB)


def _slopes(theta: Array, model: SoilModel, soil: Soil) -> tuple[Array, Array, Array]:
    """d ln v/dθ, d ln α/dθ and d ln σ/dθ by central difference."""
    # The loss has a floor for bone-dry soil: the difference is taken above it.
    middle = np.clip(theta, 2.0 * _STEP_VWC, VWC_HIGHEST - _STEP_VWC)
    low, high = middle - _STEP_VWC, middle + _STEP_VWC
    one, other = _wave(low, model, soil), _wave(high, model, soil)
    sigma = [soil_loss(at, soil, frequency_mhz=model.frequency_mhz).conductivity_ms_per_m for at in (low, high)]
    step = 2.0 * _STEP_VWC
    return (
        np.log(other.v_m_per_ns / one.v_m_per_ns) / step,
        np.log(other.alpha_np_per_m / one.alpha_np_per_m) / step,
        np.log(sigma[1] / sigma[0]) / step,
    )


def _interval(value: Array, sd_ln: Array) -> WaveFigure:
    factor = np.exp(Z90 * sd_ln)
    return WaveFigure(np.asarray(value), np.asarray(value / factor), np.asarray(value * factor))


def _contrast(theta: Array, model: SoilModel, contrast_vwc: float) -> Array:
    """Reflection coefficient from soil to fill, negative where the fill is wetter."""
    fill = theta + contrast_vwc
    can_be = (fill >= 0.0) & (fill <= VWC_HIGHEST)
    filled = model.permittivity(np.where(can_be, fill, theta))
    return np.where(can_be, reflection_normal(model.permittivity(theta), filled).real, np.nan)


def _polarity(contrast_vwc: float) -> str:
    if contrast_vwc > 0:
        return "fill wetter than the soil: the reflection has the opposite sign to the wave sent down"
    return "fill drier than the soil: the reflection has the sign of the wave sent down, as a void's has"


def _reach_by_rule(attenuation: WaveFigure, conductivity: WaveFigure, permittivity: Array) -> dict[str, WaveFigure]:
    def by(rule: str, alpha: Array, sigma: Array) -> Array:
        return depth_rule_m(rule, conductivity_ms_per_m=sigma, attenuation_db_per_m=alpha, permittivity=permittivity)

    return {
        rule: WaveFigure(
            by(rule, attenuation.value, conductivity.value),
            by(rule, attenuation.high, conductivity.high),
            by(rule, attenuation.low, conductivity.low),
        )
        for rule in DEPTH_RULES
    }


def _reach(
    attenuation: WaveFigure, v_m_per_ns: Array, contrast: Array, options: WaveOptions, frequency_mhz: float
) -> WaveFigure:
    def at(alpha: Array) -> Array:
        return np.array(
            [
                float("nan")
                if math.isnan(size)
                else range_equation_depth_m(
                    options.dynamic_range_db,
                    RadarTarget(options.target, reflection=size, antenna_db=options.antenna_db),
                    frequency_mhz=frequency_mhz,
                    v_m_per_ns=v,
                    alpha_db_per_m=loss,
                ).item()
                for size, v, loss in zip(np.abs(contrast), v_m_per_ns, alpha, strict=True)
            ]
        )

    return WaveFigure(at(attenuation.value), at(attenuation.high), at(attenuation.low))
