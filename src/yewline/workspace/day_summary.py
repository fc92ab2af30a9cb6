"""The figures of days and of the wave as ``yewline run --json`` prints them."""

from __future__ import annotations

import math
from typing import Any

from yewline.ground import Between, WaveFigure
from yewline.model import VelocityField
from yewline.units import Z90
from yewline.workspace.stage_day import DaysCompared, VisitDay

__all__ = ["compared_summary", "day_summary", "wave_summary", "wavelength_m"]

_AT_MEAN = 1
"""Of the three levels that a figure of the wave is given at, the mean."""


def wavelength_m(velocity: VelocityField, frequency_mhz: float) -> tuple[float, float, float]:
    """Wavelength by a visit's joined velocity, with the ends of its 90 % interval.

    Examples
    --------
    >>> [round(end, 3) for end in wavelength_m(VelocityField.uniform(0.1, 0.01), 400.0)]
    [0.25, 0.209, 0.291]
    """
    long = 1e3 * velocity.mean_m_per_ns / frequency_mhz
    half = Z90 * 1e3 * velocity.mean_sigma_m_per_ns / frequency_mhz
    return long, long - half, long + half


def day_summary(day: VisitDay) -> dict[str, Any]:
    """Rain before a visit; null, and why, where there is no series."""
    record = day.record
    found: dict[str, Any] = {
        "index_mm": _ends(None if record is None else record.index_mm),
        "days_since_rain": _ends(None if record is None else record.days_since_wet),
        "days_since_heavy_rain": _ends(None if record is None else record.days_since_heavy),
        "rain_7_days_mm": _ends(None if record is None else record.totals_mm[7]),
        "rain_30_days_mm": _ends(None if record is None else record.totals_mm[30]),
        "trend": None if record is None else record.trend or None,
    }
    if record is None:
        return {**found, "why": "no rain series"}
    if any(value is None or (isinstance(value, dict) and None in value.values()) for value in found.values()):
        return {**found, "why": "the rain series is too short, or has gaps"}
    return found


def wave_summary(day: VisitDay, velocity: VelocityField) -> dict[str, Any]:
    """The wave at the visit's mean moisture: wavelength by the joined velocity, all else by the soil's relation."""
    wave = day.wave
    if wave is None:
        names = ("frequency_mhz", "relation", "contrast_db")
        figures = ("wavelength_m", "attenuation_db_per_m", "reach_m", "scattering_index")
        return {**dict.fromkeys(names), **{name: _three(None) for name in figures}, "why": "no moisture readings"}
    value, low, high = wavelength_m(velocity, wave.frequency_mhz)
    contrast = float(wave.contrast_db[_AT_MEAN])
    found: dict[str, Any] = {
        "frequency_mhz": wave.frequency_mhz,
        "relation": wave.model.name,
        "contrast_db": contrast if math.isfinite(contrast) else None,
        "wavelength_m": {"value": value, "low": max(low, 0.0), "high": high},
        "attenuation_db_per_m": _three(wave.attenuation_db_per_m),
        "reach_m": _three(wave.reach_m),
        "scattering_index": _three(wave.scattering_index),
    }
    why = [] if wave.scattering_index is not None else ["the readings do not fix the size of patches"]
    if found["contrast_db"] is None:
        why.append("a fill so much wetter would be under water")
    return {**found, "why": "; ".join(why)} if why else found


def compared_summary(days: DaysCompared) -> dict[str, Any]:
    """States of moisture covered, and what else differs between visits."""
    states = days.states
    return {
        "states": None
        if states is None
        else {
            "apart": states.apart,
            "split": states.split_vwc,
            "covered": [
                {"level": level, "trend": trend, "visits": list(visits)}
                for (level, trend), visits in states.covered.items()
            ],
            "missing": [{"level": level, "trend": trend} for level, trend in states.empty],
            "unplaced": list(states.unplaced),
        },
        "confounders": [{"name": one.name, "status": one.status, "words": one.words} for one in days.confounders],
    }


def _ends(value: Between | None) -> dict[str, float | None] | None:
    """An end that is not known is null."""
    if value is None:
        return None
    return {name: end if math.isfinite(end) else None for name, end in (("low", value.low), ("high", value.high))}


def _three(figure: WaveFigure | None) -> dict[str, float | None]:
    if figure is None:
        return {"value": None, "low": None, "high": None}
    ends = {"value": figure.value, "low": figure.low, "high": figure.high}
    found = {name: float(values[_AT_MEAN]) for name, values in ends.items()}
    return {name: value if math.isfinite(value) else None for name, value in found.items()}
