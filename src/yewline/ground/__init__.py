"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.confounders import Confounder, VisitConditions, compare_conditions
from yewline.ground.day_record import Between, DayRecord, RainOptions, Trend, day_record, day_sentences
from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.evidence import Biases, VelocityEvidence
from yewline.ground.fusion import CONTRADICTION, FusedVelocity, GroundPrior, SourceCheck, fuse_velocity
from yewline.ground.moisture_evidence import PROFILE_SIGMA_VWC, ground_prior, moisture_evidence
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture
from yewline.ground.moisture_states import (
    STATES_CAUTION,
    Quarter,
    StatesCovered,
    VisitState,
    covered_states,
    states_sentence,
)
from yewline.ground.reading_error import COMMON_SHARE, split_reading_error
from yewline.ground.soil_loss import SoilLoss, soil_loss
from yewline.ground.soil_model import (
    OtherRelation,
    PermittivitySpread,
    SoilModel,
    choose_soil_model,
    permittivity_spread,
)
from yewline.ground.soil_properties import SoilProperties, describe_soil
from yewline.ground.soil_relations import RELATIONS, SoilRelation
from yewline.ground.summary import MoistureSummary, summarise_moisture
from yewline.ground.velocity import (
    DECLARED_RELATIVE_SIGMA,
    profile_sigma_vwc,
    soil_model_sigma,
    velocity_declared,
    velocity_from_moisture,
    velocity_slope,
)
from yewline.ground.velocity_field import field_of_velocity
from yewline.ground.velocity_relation import TOPP, VelocityRelation, relation_of_soil
from yewline.ground.wave_figures import (
    MoistureLevels,
    WaveFigure,
    WaveFigures,
    WaveOptions,
    scattering_class,
    wave_figures,
)

__all__ = [
    "COMMON_SHARE",
    "CONTRADICTION",
    "DECLARED_RELATIVE_SIGMA",
    "FEWEST_FOR_FIT",
    "FEWEST_FOR_MAP",
    "PROFILE_SIGMA_VWC",
    "RELATIONS",
    "STATES_CAUTION",
    "TOPP",
    "Between",
    "Biases",
    "Confounder",
    "DayRecord",
    "FusedVelocity",
    "GroundPrior",
    "MoistureLevels",
    "MoistureSummary",
    "OtherRelation",
    "PermittivitySpread",
    "Quarter",
    "RainOptions",
    "SoilLoss",
    "SoilModel",
    "SoilProperties",
    "SoilRelation",
    "SourceCheck",
    "StatesCovered",
    "Trend",
    "VelocityEvidence",
    "VelocityRelation",
    "VisitConditions",
    "VisitState",
    "WaveFigure",
    "WaveFigures",
    "WaveOptions",
    "choose_soil_model",
    "compare_conditions",
    "covered_states",
    "day_record",
    "day_sentences",
    "depth_error_m",
    "depth_of_time",
    "describe_soil",
    "field_of_velocity",
    "fuse_velocity",
    "ground_prior",
    "map_moisture",
    "moisture_evidence",
    "permittivity_spread",
    "profile_sigma_vwc",
    "relation_of_soil",
    "scattering_class",
    "soil_loss",
    "soil_model_sigma",
    "split_reading_error",
    "states_sentence",
    "summarise_moisture",
    "time_of_depth",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
    "wave_figures",
]
