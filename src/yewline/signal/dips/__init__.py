"""Dips: plane waves and hyperbolas told apart by how they run along the line."""

from __future__ import annotations

from yewline.signal.dips.air_removal import air_wave_removal, remove_air_waves
from yewline.signal.dips.air_search import AirSearch, default_pulse_ns, find_air_waves
from yewline.signal.dips.air_wave import AirWave, air_wave_time_ns
from yewline.signal.dips.fan import aliased_above_mhz, default_steepest_ns_per_m, dip_filter, fan_weights
from yewline.signal.dips.level import background_fk
from yewline.signal.dips.spectrum import FkSpectrum, fk_spectrum

__all__ = [
    "AirSearch",
    "AirWave",
    "FkSpectrum",
    "air_wave_removal",
    "air_wave_time_ns",
    "aliased_above_mhz",
    "background_fk",
    "default_pulse_ns",
    "default_steepest_ns_per_m",
    "dip_filter",
    "fan_weights",
    "find_air_waves",
    "fk_spectrum",
    "remove_air_waves",
]
