"""What the ground did to the wave on each visit: figures at its moisture and at the velocity that depths rest on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from yewline.errors import InputError
from yewline.geostat import ParameterInterval
from yewline.ground import (
    RELATIONS,
    Estimate,
    MoistureLevels,
    MoistureSummary,
    SoilModel,
    WaveFigure,
    WaveFigures,
    WaveOptions,
    profile_sigma_vwc,
    wave_figures,
)
from yewline.model import VWC_HIGHEST, Finding, VelocityField
from yewline.workspace.site import Visit
from yewline.workspace.stage_day import level_sd
from yewline.workspace.stage_ground import soil_relation
from yewline.workspace.stage_moisture import MoistureFigures

__all__ = ["MEAN", "RELATIONS", "Estimate", "SoilModel", "VisitWave", "at_mean", "visit_wave"]

MEAN: Final = 1
"""Place of the mean among the three levels of moisture."""
# Share of a practical range at which correlation has fallen to 1/e: e^{−3h}, e^{−3h²} and 1 − 1.5 h + 0.5 h³.
_CORRELATION_LENGTH: Final = {"exponential": 1.0 / 3.0, "gaussian": 1.0 / math.sqrt(3.0), "spherical": 0.452_246}
_MOST_SD: Final = 0.3


@dataclass(frozen=True, slots=True)
class VisitWave:
    """The wave on one visit.

    Attributes
    ----------
    figures : at a dry, the mean and a wet place; velocity at the mean is that of the visit.
    from_readings : whether moisture was read; else it is what the velocity means by the soil's relation.
    scattering : k·a at the mean, with the error of the pattern's length; an end that nothing bounds is NaN.
    scattering_why : why there is none; else empty.
    """

    figures: WaveFigures
    from_readings: bool
    scattering: Estimate
    scattering_why: str


def visit_wave(
    visit: Visit,
    velocity: VelocityField,
    summary: MoistureSummary | None,
    moisture: MoistureFigures | None,
    *,
    depth_m: float,
) -> tuple[VisitWave | None, list[Finding]]:
    """Figures of the wave on one visit.

    Parameters
    ----------
    velocity : that depths rest on.
    summary, moisture : of the visit's readings; None without readings.
    depth_m : that the wave is followed to: what lies below the probe is known by so much less.

    Returns
    -------
    The figures, or None with a warning of why there are none.
    """
    soil, mhz = visit.settings.soil, visit.settings.antenna.centre_mhz
    known = velocity.mean_m_per_ns, velocity.mean_sigma_m_per_ns
    try:
        levels = _levels(visit, known, summary, moisture, depth_m)
        length_m, why = _pattern(moisture)
        options = WaveOptions(correlation_length_m=None if length_m is None else length_m.value)
        figures = wave_figures(levels, soil, frequency_mhz=mhz, options=options, velocity=known)
    except InputError as error:
        text = f"what the ground does to the wave is not told: {error.problem}"
        do = error.do or "check antenna and soil in visit.toml"
        where = f"visits/{visit.name}/visit.toml"
        return None, [Finding("warning", "wave-not-told", text, where, error.received or "", do, visit.name)]
    scattering = Estimate(math.nan)
    if length_m is not None and figures.scattering_index is not None:
        scattering = _with_length(at_mean(figures.scattering_index), length_m)
    return VisitWave(figures, moisture is not None, scattering, why), []


def at_mean(figure: WaveFigure) -> Estimate:
    """A figure at the mean level of moisture."""
    return Estimate(*(float(each[MEAN]) for each in (figure.value, figure.low, figure.high)))


def _levels(
    visit: Visit,
    velocity: tuple[float, float],
    summary: MoistureSummary | None,
    moisture: MoistureFigures | None,
    depth_m: float,
) -> MoistureLevels:
    if summary is None or moisture is None:
        # Not independent of the velocity: it serves for what moisture does besides.
        vwc, sd = soil_relation(visit).moisture(*velocity)
        vwc = min(vwc, VWC_HIGHEST)
        return MoistureLevels(vwc, vwc, vwc, sd=min(sd, _MOST_SD))
    level, how = moisture.level, visit.settings.readings
    own = level_sd(moisture, summary, sigma_vwc=how.sigma_vwc)
    below = profile_sigma_vwc(support_depth_m=how.support_depth_m, target_depth_m=depth_m)
    p10, mean, p90 = np.clip([level.p10.value, level.mean.value, level.p90.value], 0.0, VWC_HIGHEST).tolist()
    return MoistureLevels(p10, mean, p90, sd=min(math.hypot(own, level.common_sd, below), _MOST_SD))


def _pattern(moisture: MoistureFigures | None) -> tuple[Estimate | None, str]:
    """Correlation length of the moisture's pattern, as far as readings tell it."""
    if moisture is None:
        return None, "no moisture readings"
    if moisture.range_m is None or moisture.model is None:
        return None, "too few readings to tell a pattern"
    found: ParameterInterval = moisture.range_m
    if not (found.bounded_below or found.bounded_above):
        return None, "the readings do not tell over what distance moisture is alike"
    share = _CORRELATION_LENGTH[moisture.model.family]
    return Estimate(
        share * found.value,
        share * found.low if found.bounded_below else math.nan,
        share * found.high if found.bounded_above else math.nan,
    ), ""


def _with_length(index: Estimate, length_m: Estimate) -> Estimate:
    """Errors of velocity and of the pattern's length together, as those of logarithms; NaN stays NaN."""

    def factor(one: float, other: float) -> float:
        return math.exp(math.hypot(math.log(one), math.log(other)))

    return Estimate(
        index.value,
        index.value / factor(index.value / index.low, length_m.value / length_m.low),
        index.value * factor(index.high / index.value, length_m.high / length_m.value),
    )
