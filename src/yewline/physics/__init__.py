"""Dielectrics, plane waves, interfaces, pulses and survey rules: formulas on arrays, each with its source."""

from __future__ import annotations

from yewline.physics.conductivity import archie_conductivity
from yewline.physics.interfaces import (
    brewster_angle_deg,
    complex_permittivity,
    critical_angle_deg,
    reflection_normal,
    reflection_te,
    reflection_tm,
    transmission_normal,
)
from yewline.physics.permittivity import (
    TOPP_STANDARD_ERROR_VWC,
    ledieu_moisture,
    mixed_permittivity,
    topp_moisture,
    topp_moisture_exact,
    topp_permittivity,
    topp_slope,
)
from yewline.physics.pulses import RICKER_CENTROID, ricker, ricker_band_mhz, ricker_spectrum
from yewline.physics.survey_rules import (
    fresnel_radius_m,
    time_interval_ns,
    time_window_ns,
    trace_spacing_m,
    vertical_resolution_m,
    wavelength_m,
)
from yewline.physics.water import water_permittivity
from yewline.physics.waves import PlaneWave, permittivity_of_velocity, plane_wave, velocity_of_permittivity

__all__ = [
    "RICKER_CENTROID",
    "TOPP_STANDARD_ERROR_VWC",
    "PlaneWave",
    "archie_conductivity",
    "brewster_angle_deg",
    "complex_permittivity",
    "critical_angle_deg",
    "fresnel_radius_m",
    "ledieu_moisture",
    "mixed_permittivity",
    "permittivity_of_velocity",
    "plane_wave",
    "reflection_normal",
    "reflection_te",
    "reflection_tm",
    "ricker",
    "ricker_band_mhz",
    "ricker_spectrum",
    "time_interval_ns",
    "time_window_ns",
    "topp_moisture",
    "topp_moisture_exact",
    "topp_permittivity",
    "topp_slope",
    "trace_spacing_m",
    "transmission_normal",
    "velocity_of_permittivity",
    "vertical_resolution_m",
    "water_permittivity",
    "wavelength_m",
]
