"""Variograms, kriging and random fields on arrays. A range is always the practical range."""

from __future__ import annotations

from yewline.geostat.anisotropy import Anisotropy, fit_anisotropy
from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation, length_scale, practical_range
from yewline.geostat.directional import directional_variogram
from yewline.geostat.fields import gaussian_field
from yewline.geostat.kriging import krige, krige_weights
from yewline.geostat.likelihood import restricted_log_likelihood
from yewline.geostat.marginal import Marginal, ParameterInterval
from yewline.geostat.matern import SMOOTHNESS_BOUNDS, matern_correlation, matern_length
from yewline.geostat.modes import MODE_FAMILIES, FieldModes, draw_modes, field_at, field_on_section
from yewline.geostat.posterior import VariogramPosterior, variogram_posterior
from yewline.geostat.posterior_kriging import PosteriorEstimate, krige_posterior
from yewline.geostat.variogram import EmpiricalVariogram, empirical_variogram, fit_variogram

__all__ = [
    "FAMILIES",
    "MODE_FAMILIES",
    "SMOOTHNESS_BOUNDS",
    "Anisotropy",
    "EmpiricalVariogram",
    "FieldModes",
    "Marginal",
    "ParameterInterval",
    "PosteriorEstimate",
    "VariogramModel",
    "VariogramPosterior",
    "correlation",
    "directional_variogram",
    "draw_modes",
    "empirical_variogram",
    "field_at",
    "field_on_section",
    "fit_anisotropy",
    "fit_variogram",
    "gaussian_field",
    "krige",
    "krige_posterior",
    "krige_weights",
    "length_scale",
    "matern_correlation",
    "matern_length",
    "practical_range",
    "restricted_log_likelihood",
    "variogram_posterior",
]
