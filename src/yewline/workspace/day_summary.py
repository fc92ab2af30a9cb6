"""The figures of days and of the wave as ``yewline run --json`` prints them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from yewline.ground import Between, Confounder, Estimate, StatesCovered, states_sentence
from yewline.workspace.stage_day import VisitDay
from yewline.workspace.stage_wave import MEAN, VisitWave, at_mean

__all__ = ["confounders_summary", "day_summary", "states_summary", "wave_summary"]

_AMOUNTS = ("index_mm", "days_since_wet", "days_since_heavy", "on_day_mm", "in_window_mm")
_WAVE = (
    "velocity_m_per_ns",
    "wavelength_m",
    "resolution_m",
    "attenuation_db_per_m",
    "conductivity_ms_per_m",
    "reach_m",
)


def day_summary(day: VisitDay | None) -> dict[str, Any]:
    """Rain of one visit; what is not known is None, and `why` says so where there is none on record."""
    record = None if day is None else day.record
    found: dict[str, Any] = {
        **{name: _between(None if record is None else getattr(record, name)) for name in _AMOUNTS},
        "totals_mm": {
            f"{days}_days": _between(None if record is None else record.totals_mm[days]) for days in (3, 7, 30)
        },
        "older_rain_mm": None if record is None else record.truncation_mm,
        "trend": None if record is None or not record.trend else record.trend,
        "days_not_measured": None if record is None else len(record.missing),
        "half_life_days": None if record is None else record.options.half_life_days,
    }
    return {**found, "why": "no rain on record"} if record is None else found


def wave_summary(wave: VisitWave | None) -> dict[str, Any]:
    """The wave on one visit at its mean moisture."""
    figures = None if wave is None else wave.figures
    contrast = math.nan if figures is None else float(figures.contrast_db[MEAN])
    spread = None
    if figures is not None:
        spread = float(figures.spread.sd_ln_v_about(figures.model.permittivity(figures.levels.vwc))[MEAN])
    about = Estimate(math.nan) if wave is None else wave.scattering
    found: dict[str, Any] = {
        "frequency_mhz": None if figures is None else figures.frequency_mhz,
        "moisture": None if figures is None else figures.levels.mean,
        "moisture_from": None if wave is None else "readings" if wave.from_readings else "velocity",
        "relation": None if figures is None else figures.model.name,
        "relation_reason": None if figures is None else figures.model.reason,
        "relations_sd": spread,
        **{
            name: _estimate(Estimate(math.nan) if figures is None else at_mean(getattr(figures, name)))
            for name in _WAVE
        },
        "fill_reflection_db": _known(contrast),
        "fill_contrast_vwc": None if figures is None else figures.options.contrast_vwc,
        "dynamic_range_db": None if figures is None else figures.options.dynamic_range_db,
        "scattering_index": _estimate(about),
    }
    why = "the figures of the wave were not worked out" if wave is None else wave.scattering_why
    return {**found, "why": why} if why else found


def states_summary(states: StatesCovered | None) -> dict[str, Any]:
    """States of moisture that the site's visits have covered."""
    if states is None:
        lists: dict[str, list[Any]] = {name: [] for name in ("covered", "unplaced", "empty", "next")}
        return {
            "split_vwc": None,
            "apart": None,
            **lists,
            "sentence": None,
            "why": "fewer than two visits have readings",
        }
    return {
        "split_vwc": states.split_vwc,
        "apart": states.apart,
        "covered": [
            {"level": level, "trend": trend, "visits": list(names)} for (level, trend), names in states.covered.items()
        ],
        "unplaced": list(states.unplaced),
        "empty": [{"level": level, "trend": trend} for level, trend in states.empty],
        "next": [{"level": level, "trend": trend} for level, trend in states.next_states],
        "sentence": states_sentence(states),
    }


def confounders_summary(confounders: Sequence[Confounder]) -> list[dict[str, Any]]:
    """What else differs between visits."""
    return [
        {"name": each.name, "status": each.status, "words": each.words, "values": dict(each.values)}
        for each in confounders
    ]


def _between(amount: Between | None) -> dict[str, float | None]:
    """An amount between two ends; the upper one is None where it is open, both where nothing is known."""
    if amount is None:
        return {"low": None, "high": None}
    return {"low": amount.low, "high": _known(amount.high)}


def _estimate(value: Estimate) -> dict[str, float | None]:
    return {"value": _known(value.value), "low": _known(value.low), "high": _known(value.high)}


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
