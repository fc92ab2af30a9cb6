"""Variograms, kriging and random fields on arrays. A range is always the practical range."""

from __future__ import annotations

from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation, length_scale, practical_range
from yewline.geostat.cross_validation import CrossValidation, cross_validate
from yewline.geostat.drift import Drift
from yewline.geostat.fields import gaussian_field
from yewline.geostat.kriging import KrigingOptions, krige, krige_weights
from yewline.geostat.matern import SMOOTHNESS_BOUNDS, matern_correlation, matern_length
from yewline.geostat.modes import MODE_FAMILIES, FieldModes, draw_modes, field_at, field_on_section
from yewline.geostat.variogram import EmpiricalVariogram, empirical_variogram, fit_variogram

__all__ = [
    "FAMILIES",
    "MODE_FAMILIES",
    "SMOOTHNESS_BOUNDS",
    "CrossValidation",
    "Drift",
    "EmpiricalVariogram",
    "FieldModes",
    "KrigingOptions",
    "VariogramModel",
    "correlation",
    "cross_validate",
    "draw_modes",
    "empirical_variogram",
    "field_at",
    "field_on_section",
    "fit_variogram",
    "gaussian_field",
    "krige",
    "krige_weights",
    "length_scale",
    "matern_correlation",
    "matern_length",
    "practical_range",
]
