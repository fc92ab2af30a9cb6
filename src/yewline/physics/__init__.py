"""Dielectrics, plane waves, interfaces, pulses, survey rules, exact fields: formulas, each with its source."""

from __future__ import annotations

from yewline.physics.absorber import absorber_conductivity_s_per_m, absorber_reflection
from yewline.physics.conductivity import (
    archie_conductivity,
    conductivity_at_temperature,
    surface_conductivity,
)
from yewline.physics.cylinders import (
    Cylinder,
    CylinderField,
    cylinder_coefficients,
    cylinder_efficiencies,
    cylinder_line_source_field,
    cylinder_plane_wave_field,
    scattering_width_m,
)
from yewline.physics.fresnel import share_beyond_end, two_fresnel_zones_m
from yewline.physics.grid_dispersion import (
    cells_per_wavelength,
    courant_limit_ns,
    largest_cell_m,
    numerical_phase_velocity,
    numerical_wavenumber,
)
from yewline.physics.half_space import ground_field, interface_field, reflected_field, transmitted_field
from yewline.physics.interfaces import (
    brewster_angle_deg,
    complex_permittivity,
    critical_angle_deg,
    reflection_normal,
    reflection_te,
    reflection_tm,
    transmission_normal,
)
from yewline.physics.line_source import (
    line_source_field,
    line_source_response,
    point_source_field,
    point_source_response,
)
from yewline.physics.medium import AIR, Medium, wavenumber
from yewline.physics.mixtures import mixture_permittivity, texture_exponent
from yewline.physics.permittivity import (
    TOPP_STANDARD_ERROR_VWC,
    ledieu_moisture,
    mixed_permittivity,
    topp_moisture,
    topp_moisture_exact,
    topp_permittivity,
    topp_slope,
)
from yewline.physics.pulses import (
    RICKER_CENTROID,
    gaussian_derivative,
    gaussian_derivative_band_mhz,
    gaussian_derivative_spectrum,
    ricker,
    ricker_band_mhz,
    ricker_current,
    ricker_current_band_mhz,
    ricker_current_spectrum,
    ricker_spectrum,
)
from yewline.physics.spreading import line_source_green, point_over_line, point_source_green
from yewline.physics.stack import Stack, StackLayer, stack_reflection
from yewline.physics.survey_rules import (
    fresnel_radius_m,
    time_interval_ns,
    time_window_ns,
    trace_spacing_m,
    vertical_resolution_m,
    wavelength_m,
)
from yewline.physics.texture import GRAIN_G_PER_CM3, texture_conductivity, texture_permittivity
from yewline.physics.transfer import apply_transfer
from yewline.physics.water import WaterRelaxation, ice_permittivity, water_permittivity, water_relaxation
from yewline.physics.waves import PlaneWave, permittivity_of_velocity, plane_wave, velocity_of_permittivity

__all__ = [
    "AIR",
    "GRAIN_G_PER_CM3",
    "RICKER_CENTROID",
    "TOPP_STANDARD_ERROR_VWC",
    "Cylinder",
    "CylinderField",
    "Medium",
    "PlaneWave",
    "Stack",
    "StackLayer",
    "WaterRelaxation",
    "absorber_conductivity_s_per_m",
    "absorber_reflection",
    "apply_transfer",
    "archie_conductivity",
    "brewster_angle_deg",
    "cells_per_wavelength",
    "complex_permittivity",
    "conductivity_at_temperature",
    "courant_limit_ns",
    "critical_angle_deg",
    "cylinder_coefficients",
    "cylinder_efficiencies",
    "cylinder_line_source_field",
    "cylinder_plane_wave_field",
    "fresnel_radius_m",
    "gaussian_derivative",
    "gaussian_derivative_band_mhz",
    "gaussian_derivative_spectrum",
    "ground_field",
    "ice_permittivity",
    "interface_field",
    "largest_cell_m",
    "ledieu_moisture",
    "line_source_field",
    "line_source_green",
    "line_source_response",
    "mixed_permittivity",
    "mixture_permittivity",
    "numerical_phase_velocity",
    "numerical_wavenumber",
    "permittivity_of_velocity",
    "plane_wave",
    "point_over_line",
    "point_source_field",
    "point_source_green",
    "point_source_response",
    "reflected_field",
    "reflection_normal",
    "reflection_te",
    "reflection_tm",
    "ricker",
    "ricker_band_mhz",
    "ricker_current",
    "ricker_current_band_mhz",
    "ricker_current_spectrum",
    "ricker_spectrum",
    "scattering_width_m",
    "share_beyond_end",
    "stack_reflection",
    "surface_conductivity",
    "texture_conductivity",
    "texture_exponent",
    "texture_permittivity",
    "time_interval_ns",
    "time_window_ns",
    "topp_moisture",
    "topp_moisture_exact",
    "topp_permittivity",
    "topp_slope",
    "trace_spacing_m",
    "transmission_normal",
    "transmitted_field",
    "two_fresnel_zones_m",
    "velocity_of_permittivity",
    "vertical_resolution_m",
    "water_permittivity",
    "water_relaxation",
    "wavelength_m",
    "wavenumber",
]
