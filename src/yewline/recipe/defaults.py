"""What parameters that a recipe leaves out mean: they follow from the antenna, the sampling or what the site gave."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from yewline import signal
from yewline.signal import Section

__all__ = ["DEFAULTS", "Defaults"]

Stated = Mapping[str, Any]
"""What the recipe states; None, or no entry, for what it leaves out. One value may decide what another means."""
Defaults = Callable[[Section, int, Stated], dict[str, float]]


def _time_zero(section: Section, samples: int, _stated: Stated) -> dict[str, float]:
    return {"search_ns": samples // 2 * section.interval_ns}


def _repair(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {
        "longest_spike_ns": signal.default_longest_spike_ns(section),
        "longest_cut_ns": signal.default_longest_cut_ns(section),
    }


def _dewow(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"window_ns": signal.default_dewow_window_ns(section)}


def _band(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    low, high = signal.default_band_mhz(section)
    return {"low_mhz": low, "high_mhz": high}


def _corners(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    names = ("low_stop_mhz", "low_pass_mhz", "high_pass_mhz", "high_stop_mhz")
    return dict(zip(names, signal.default_corners_mhz(section), strict=True))


def _spacing(section: Section, _samples: int, stated: Stated) -> dict[str, float]:
    if section.distance_m is None:
        return {}
    usual = signal.default_spacing_m(section)
    spacing = _or(stated.get("spacing_m"), usual)
    return {"spacing_m": spacing, "largest_gap_m": signal.default_largest_gap_m(max(spacing, usual))}


def _interval(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"interval_ns": signal.default_interval_ns(section)}


def _compensate(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"absorption_db_per_ns": section.absorption_db_per_ns or 0.0}


def _q_star(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {} if section.q_star is None else {"q_star": section.q_star}


def _prediction(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"gap_ns": signal.default_gap_ns(section), "length_ns": signal.default_prediction_ns(section)}


def _operator(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"length_ns": signal.default_deconvolution_ns(section)}


def _shaping(section: Section, samples: int, stated: Stated) -> dict[str, float]:
    return {**_operator(section, samples, stated), "peak_mhz": section.centre_mhz}


def _whitening(section: Section, samples: int, stated: Stated) -> dict[str, float]:
    return {**_band(section, samples, stated), "smoothing_mhz": signal.default_smoothing_mhz(section)}


def _air_wave(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"pulse_ns": signal.default_pulse_ns(section)}


def _pad(section: Section, samples: int, stated: Stated) -> dict[str, float]:
    speed = _or(stated.get("velocity_m_per_ns"), section.velocity_m_per_ns)
    return {} if speed is None else {"velocity_m_per_ns": speed, "pad_m": signal.default_pad_m(section, samples, speed)}


def _speed(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {} if section.velocity_m_per_ns is None else {"velocity_m_per_ns": section.velocity_m_per_ns}


def _gain(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"window_ns": signal.default_gain_window_ns(section)}


def _frequency(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"window_ns": signal.default_frequency_window_ns(section)}


def _similarity(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    length = signal.default_similarity_length_m(section)
    # A trace by itself has no window along the line.
    return {"window_ns": signal.default_similarity_window_ns(section), **({"length_m": length} if length else {})}


def _truncation(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"window_ns": signal.default_truncation_window_ns(section)}


def _quiet(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"window_ns": signal.default_quiet_window_ns(section)}


def _level(section: Section, _samples: int, _stated: Stated) -> dict[str, float]:
    return {"from_ns": signal.default_level_from_ns(section)}


def _notch(_section: Section, _samples: int, stated: Stated) -> dict[str, float]:
    frequency = stated.get("frequency_mhz")
    return {} if frequency is None else {"width_mhz": signal.default_notch_width_mhz(frequency)}


def _fan(section: Section, _samples: int, stated: Stated) -> dict[str, float]:
    """A lower limit that is left out is level, unless nothing at all is stated of the fan to be removed."""
    limits = ("low_ns_per_m", "high_ns_per_m", "slowest_m_per_ns", "fastest_m_per_ns")
    steepest = signal.default_steepest_ns_per_m(section)
    if all(stated.get(name) is None for name in limits):
        if stated.get("action", "remove") == "remove":
            return {"low_ns_per_m": steepest}
        return {"low_ns_per_m": 0.0, "high_ns_per_m": steepest}
    return {"low_ns_per_m": 0.0} if stated.get("fastest_m_per_ns") is None else {}


def _balance(section: Section, samples: int, stated: Stated) -> dict[str, float]:
    return {**_level(section, samples, stated), "reference_level": 1.0}


def _datum(section: Section, _samples: int, stated: Stated) -> dict[str, float]:
    """The whole line has one datum, also where its segments are run apart."""
    speed = _or(stated.get("velocity_m_per_ns"), section.velocity_m_per_ns)
    found: dict[str, float] = {} if speed is None else {"velocity_m_per_ns": speed}
    heights = section.elevation_m
    if heights is None:
        return found
    along, smooth = section.distance_m, _or(stated.get("smooth_m"), 0.0)
    # Where distances stand still, as from one segment to the next, no slope can be fitted: then heights as they are.
    if smooth > 0 and along is not None and len(along) > 1 and bool(np.all(np.diff(along) > 0)):
        heights, _ = signal.ground_slope(along, heights, smooth_m=smooth)
    return {**found, "datum_m": signal.datum_of(heights, _or(stated.get("datum"), "highest"))}


def _or(stated: Any, otherwise: Any) -> Any:
    return otherwise if stated is None else stated


DEFAULTS: Final[Mapping[str, Defaults]] = MappingProxyType(
    {
        "time_zero": _time_zero,
        "repair_traces": _repair,
        "dewow": _dewow,
        "band_pass": _band,
        "band_pass_trapezoid": _corners,
        "equal_spacing": _spacing,
        "resample_time": _interval,
        "compensate": _compensate,
        "q_compensation": _q_star,
        "predictive_deconvolution": _prediction,
        "predictive_deconvolution_by_trace": _prediction,
        "spiking_deconvolution": _operator,
        "shaping_deconvolution": _shaping,
        "spectral_whitening": _whitening,
        "air_wave_removal": _air_wave,
        "migrate_stolt": _pad,
        "migrate_kirchhoff": _speed,
        "migrate_kirchhoff_3d": _speed,
        "migrate_phase_shift": _pad,
        "automatic_gain": _gain,
        "instantaneous_frequency": _frequency,
        "similarity": _similarity,
        "truncation": _truncation,
        "low_amplitude": _quiet,
        "line_balance": _balance,
        "trace_balance": _level,
        "topography": _datum,
        "notch": _notch,
        "dip_filter": _fan,
    }
)
"""By step; a step that is not here has defaults of its own only."""
