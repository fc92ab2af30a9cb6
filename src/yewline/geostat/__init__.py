"""Variograms, kriging and random fields on arrays. A range is always the practical range."""

from __future__ import annotations

from yewline.geostat.conditional import FieldDraws, conditional_fields, surrogate_maps, unconditional_fields
from yewline.geostat.covariance import FAMILIES, VariogramModel, correlation, length_scale, practical_range
from yewline.geostat.fields import gaussian_field
from yewline.geostat.figures import FigureInterval, figure_interval
from yewline.geostat.joins import JoinCounts, join_counts
from yewline.geostat.kriging import krige, krige_weights
from yewline.geostat.matern import SMOOTHNESS_BOUNDS, matern_correlation, matern_length
from yewline.geostat.modes import MODE_FAMILIES, FieldModes, draw_modes, field_at, field_on_section
from yewline.geostat.moran import MoransI, morans_i
from yewline.geostat.neighbours import neighbour_weights
from yewline.geostat.patches import PatchArrangement, PatchSummary, describe_patches, patch_arrangement
from yewline.geostat.variogram import EmpiricalVariogram, empirical_variogram, fit_variogram

__all__ = [
    "FAMILIES",
    "MODE_FAMILIES",
    "SMOOTHNESS_BOUNDS",
    "EmpiricalVariogram",
    "FieldDraws",
    "FieldModes",
    "FigureInterval",
    "JoinCounts",
    "MoransI",
    "PatchArrangement",
    "PatchSummary",
    "VariogramModel",
    "conditional_fields",
    "correlation",
    "describe_patches",
    "draw_modes",
    "empirical_variogram",
    "field_at",
    "field_on_section",
    "figure_interval",
    "fit_variogram",
    "gaussian_field",
    "join_counts",
    "krige",
    "krige_weights",
    "length_scale",
    "matern_correlation",
    "matern_length",
    "morans_i",
    "neighbour_weights",
    "patch_arrangement",
    "practical_range",
    "surrogate_maps",
    "unconditional_fields",
]
