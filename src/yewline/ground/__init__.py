"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture
from yewline.ground.reading_error import COMMON_SHARE, split_reading_error
from yewline.ground.summary import MoistureSummary, summarise_moisture
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
    "FEWEST_FOR_MAP",
    "PROFILE_SIGMA_VWC",
    "MoistureSummary",
    "depth_error_m",
    "depth_of_time",
    "map_moisture",
    "profile_sigma_vwc",
    "soil_model_sigma",
    "split_reading_error",
    "summarise_moisture",
    "time_of_depth",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
]
