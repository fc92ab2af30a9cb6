"""Variograms, kriging and random fields on arrays. A range is always the practical range."""

from __future__ import annotations

from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation, length_scale, practical_range
from yewline.geostat.fields import gaussian_field
from yewline.geostat.kriging import krige, krige_weights
from yewline.geostat.variogram import EmpiricalVariogram, empirical_variogram, fit_variogram

__all__ = [
    "FAMILIES",
    "EmpiricalVariogram",
    "VariogramModel",
    "correlation",
    "empirical_variogram",
    "fit_variogram",
    "gaussian_field",
    "krige",
    "krige_weights",
    "length_scale",
    "practical_range",
]
