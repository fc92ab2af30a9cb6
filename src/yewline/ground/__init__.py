"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.evidence import Biases, VelocityEvidence
from yewline.ground.fusion import CONTRADICTION, FusedVelocity, GroundPrior, SourceCheck, fuse_velocity
from yewline.ground.moisture_evidence import VelocityRelation, ground_prior, moisture_evidence
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture
from yewline.ground.reading_error import COMMON_SHARE, split_reading_error
from yewline.ground.summary import MoistureSummary, summarise_moisture
from yewline.ground.velocity import (
    DECLARED_RELATIVE_SIGMA,
    PROFILE_SIGMA_VWC,
    TOPP,
    profile_sigma_vwc,
    soil_model_sigma,
    velocity_declared,
    velocity_from_moisture,
    velocity_slope,
)
from yewline.ground.velocity_field import field_of_velocity

__all__ = [
    "COMMON_SHARE",
    "CONTRADICTION",
    "DECLARED_RELATIVE_SIGMA",
    "FEWEST_FOR_FIT",
    "FEWEST_FOR_MAP",
    "PROFILE_SIGMA_VWC",
    "TOPP",
    "Biases",
    "FusedVelocity",
    "GroundPrior",
    "MoistureSummary",
    "SourceCheck",
    "VelocityEvidence",
    "VelocityRelation",
    "depth_error_m",
    "depth_of_time",
    "field_of_velocity",
    "fuse_velocity",
    "ground_prior",
    "map_moisture",
    "moisture_evidence",
    "profile_sigma_vwc",
    "soil_model_sigma",
    "split_reading_error",
    "summarise_moisture",
    "time_of_depth",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
]
