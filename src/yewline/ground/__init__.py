"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.calibration import (
    FEWEST_PAIRS,
    Calibration,
    calibration_findings,
    fit_calibration,
    reading_error_of,
)
from yewline.ground.confounders import CONDITION_WORDS, Confounder, VisitConditions, compare_conditions
from yewline.ground.day_record import Between, DayRecord, RainOptions, Trend, day_record, day_sentences
from yewline.ground.declustering import declustering_weights
from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.effective_size import effective_size
from yewline.ground.evidence import DECLARED_RELATIVE_SIGMA, Biases, VelocityEvidence
from yewline.ground.fusion import CONTRADICTION, FusedVelocity, GroundPrior, SourceCheck, fuse_velocity
from yewline.ground.given_level import VariabilityGivenLevel, variability_given_level
from yewline.ground.level import MoistureLevel, moisture_level
from yewline.ground.likely_models import likely_models
from yewline.ground.line_fit import FittedLine, fit_line
from yewline.ground.local_contrast import local_moisture
from yewline.ground.moisture_evidence import PROFILE_SIGMA_VWC, ground_prior, moisture_evidence, profile_sigma_vwc
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture, range_words
from yewline.ground.moisture_posterior import MoisturePosterior, moisture_posterior
from yewline.ground.moisture_sample import FEWEST_FOR_INFERENCE, Estimate, MoistureSample, sample_moisture
from yewline.ground.moisture_states import (
    STATES_CAUTION,
    Quarter,
    StatesCovered,
    VisitState,
    covered_states,
    states_sentence,
)
from yewline.ground.outliers import FEWEST_FOR_OUTLIERS, Outliers, find_outliers
from yewline.ground.reading_checks import GRAIN_G_PER_CM3, porosity_of_bulk, reading_findings, repeat_sd
from yewline.ground.reading_corrections import (
    LOW_FREQUENCY_MHZ,
    SALTY_MS_PER_M,
    conductivity_at_25,
    correct_salinity,
    correct_temperature,
    sensor_findings,
)
from yewline.ground.reading_error import COMMON_SHARE, split_reading_error
from yewline.ground.reading_times import reading_time_findings, time_of_reading
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
from yewline.ground.stability import TemporalStability, common_places, temporal_stability
from yewline.ground.summary import MoistureSummary, summarise_moisture
from yewline.ground.two_scales import MACRO_M, MICRO_M, ScaleVariance, TwoScales, pairs_needed, two_scales
from yewline.ground.two_visits import ComparisonChoices, MoistureComparison, compare_moisture, match_places
from yewline.ground.variability import MoistureVariability, moisture_variability
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
    "CONDITION_WORDS",
    "CONTRADICTION",
    "DECLARED_RELATIVE_SIGMA",
    "FEWEST_FOR_FIT",
    "FEWEST_FOR_INFERENCE",
    "FEWEST_FOR_MAP",
    "FEWEST_FOR_OUTLIERS",
    "FEWEST_PAIRS",
    "GRAIN_G_PER_CM3",
    "LOW_FREQUENCY_MHZ",
    "MACRO_M",
    "MICRO_M",
    "PROFILE_SIGMA_VWC",
    "RELATIONS",
    "SALTY_MS_PER_M",
    "STATES_CAUTION",
    "TOPP",
    "Between",
    "Biases",
    "Calibration",
    "ComparisonChoices",
    "Confounder",
    "DayRecord",
    "Estimate",
    "FittedLine",
    "FusedVelocity",
    "GroundPrior",
    "MoistureComparison",
    "MoistureLevel",
    "MoistureLevels",
    "MoisturePosterior",
    "MoistureSample",
    "MoistureSummary",
    "MoistureVariability",
    "OtherRelation",
    "Outliers",
    "PermittivitySpread",
    "Quarter",
    "RainOptions",
    "ScaleVariance",
    "SoilLoss",
    "SoilModel",
    "SoilProperties",
    "SoilRelation",
    "SourceCheck",
    "StatesCovered",
    "TemporalStability",
    "Trend",
    "TwoScales",
    "VariabilityGivenLevel",
    "VelocityEvidence",
    "VelocityRelation",
    "VisitConditions",
    "VisitState",
    "WaveFigure",
    "WaveFigures",
    "WaveOptions",
    "calibration_findings",
    "choose_soil_model",
    "common_places",
    "compare_conditions",
    "compare_moisture",
    "conductivity_at_25",
    "correct_salinity",
    "correct_temperature",
    "covered_states",
    "day_record",
    "day_sentences",
    "declustering_weights",
    "depth_error_m",
    "depth_of_time",
    "describe_soil",
    "effective_size",
    "field_of_velocity",
    "find_outliers",
    "fit_calibration",
    "fit_line",
    "fuse_velocity",
    "ground_prior",
    "likely_models",
    "local_moisture",
    "map_moisture",
    "match_places",
    "moisture_evidence",
    "moisture_level",
    "moisture_posterior",
    "moisture_variability",
    "pairs_needed",
    "permittivity_spread",
    "porosity_of_bulk",
    "profile_sigma_vwc",
    "range_words",
    "reading_error_of",
    "reading_findings",
    "reading_time_findings",
    "relation_of_soil",
    "repeat_sd",
    "sample_moisture",
    "scattering_class",
    "sensor_findings",
    "soil_loss",
    "split_reading_error",
    "states_sentence",
    "summarise_moisture",
    "temporal_stability",
    "time_of_depth",
    "time_of_reading",
    "two_scales",
    "variability_given_level",
    "wave_figures",
]
