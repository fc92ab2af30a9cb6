"""Variograms, kriging and random fields on arrays. A range is always the practical range."""

from __future__ import annotations

from yewline.geostat.anisotropy import Anisotropy, fit_anisotropy
from yewline.geostat.blas_threads import one_blas_thread
from yewline.geostat.conditional import FieldDraws, conditional_fields, surrogate_maps, unconditional_fields
from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation, length_scale, practical_range
from yewline.geostat.cross_validation import CrossValidation, cross_validate
from yewline.geostat.directional import directional_variogram
from yewline.geostat.drift import Drift, without_drift
from yewline.geostat.fields import gaussian_field
from yewline.geostat.figures import FigureInterval, figure_interval
from yewline.geostat.joins import JoinCounts, join_counts
from yewline.geostat.kriging import KrigingOptions, krige, krige_weights
from yewline.geostat.likelihood import restricted_log_likelihood
from yewline.geostat.marginal import Marginal, ParameterInterval
from yewline.geostat.matern import SMOOTHNESS_BOUNDS, matern_correlation, matern_length
from yewline.geostat.modes import MODE_FAMILIES, FieldModes, draw_modes, field_at, field_on_section
from yewline.geostat.moran import MoransI, morans_i
from yewline.geostat.neighbours import neighbour_weights
from yewline.geostat.patches import PatchArrangement, PatchSummary, describe_patches, patch_arrangement
from yewline.geostat.posterior import VariogramPosterior, variogram_posterior
from yewline.geostat.posterior_kriging import PosteriorEstimate, krige_posterior
from yewline.geostat.variogram import EmpiricalVariogram, empirical_variogram, fit_variogram

__all__ = [
    "FAMILIES",
    "MODE_FAMILIES",
    "SMOOTHNESS_BOUNDS",
    "Anisotropy",
    "CrossValidation",
    "Drift",
    "EmpiricalVariogram",
    "FieldDraws",
    "FieldModes",
    "FigureInterval",
    "JoinCounts",
    "KrigingOptions",
    "Marginal",
    "MoransI",
    "ParameterInterval",
    "PatchArrangement",
    "PatchSummary",
    "PosteriorEstimate",
    "VariogramModel",
    "VariogramPosterior",
    "conditional_fields",
    "correlation",
    "cross_validate",
    "describe_patches",
    "directional_variogram",
    "draw_modes",
    "empirical_variogram",
    "field_at",
    "field_on_section",
    "figure_interval",
    "fit_anisotropy",
    "fit_variogram",
    "gaussian_field",
    "join_counts",
    "krige",
    "krige_posterior",
    "krige_weights",
    "length_scale",
    "matern_correlation",
    "matern_length",
    "morans_i",
    "neighbour_weights",
    "one_blas_thread",
    "patch_arrangement",
    "practical_range",
    "restricted_log_likelihood",
    "surrogate_maps",
    "unconditional_fields",
    "variogram_posterior",
    "without_drift",
]
