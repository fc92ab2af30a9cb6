"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.declustering import declustering_weights
from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.effective_size import effective_size
from yewline.ground.given_level import VariabilityGivenLevel, variability_given_level
from yewline.ground.level import MoistureLevel, moisture_level
from yewline.ground.likely_models import likely_models
from yewline.ground.local_contrast import local_moisture
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture
from yewline.ground.moisture_sample import FEWEST_FOR_INFERENCE, Estimate, MoistureSample, sample_moisture
from yewline.ground.reading_error import COMMON_SHARE, split_reading_error
from yewline.ground.stability import TemporalStability, common_places, temporal_stability
from yewline.ground.summary import MoistureSummary, summarise_moisture
from yewline.ground.two_scales import MACRO_M, MICRO_M, ScaleVariance, TwoScales, pairs_needed, two_scales
from yewline.ground.two_visits import ComparisonChoices, MoistureComparison, compare_moisture, match_places
from yewline.ground.variability import MoistureVariability, moisture_variability
from yewline.ground.velocity import (
    DECLARED_RELATIVE_SIGMA,
    PROFILE_SIGMA_VWC,
    profile_sigma_vwc,
    soil_model_sigma,
    velocity_declared,
    velocity_from_moisture,
    velocity_slope,
)

__all__ = [
    "COMMON_SHARE",
    "DECLARED_RELATIVE_SIGMA",
    "FEWEST_FOR_FIT",
    "FEWEST_FOR_INFERENCE",
    "FEWEST_FOR_MAP",
    "MACRO_M",
    "MICRO_M",
    "PROFILE_SIGMA_VWC",
    "ComparisonChoices",
    "Estimate",
    "MoistureComparison",
    "MoistureLevel",
    "MoistureSample",
    "MoistureSummary",
    "MoistureVariability",
    "ScaleVariance",
    "TemporalStability",
    "TwoScales",
    "VariabilityGivenLevel",
    "common_places",
    "compare_moisture",
    "declustering_weights",
    "depth_error_m",
    "depth_of_time",
    "effective_size",
    "likely_models",
    "local_moisture",
    "map_moisture",
    "match_places",
    "moisture_level",
    "moisture_variability",
    "pairs_needed",
    "profile_sigma_vwc",
    "sample_moisture",
    "soil_model_sigma",
    "split_reading_error",
    "summarise_moisture",
    "temporal_stability",
    "time_of_depth",
    "two_scales",
    "variability_given_level",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
]
