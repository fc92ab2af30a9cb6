"""Moisture: its level, its variability, its map; velocity from it; and from time to depth with an error."""

from __future__ import annotations

from yewline.ground.calibration import (
    FEWEST_PAIRS,
    Calibration,
    calibration_findings,
    fit_calibration,
    reading_error_of,
)
from yewline.ground.depth import depth_error_m, depth_of_time, time_of_depth
from yewline.ground.line_fit import FittedLine, fit_line
from yewline.ground.moisture_map import FEWEST_FOR_FIT, FEWEST_FOR_MAP, map_moisture
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
    "FEWEST_FOR_OUTLIERS",
    "FEWEST_PAIRS",
    "GRAIN_G_PER_CM3",
    "LOW_FREQUENCY_MHZ",
    "PROFILE_SIGMA_VWC",
    "SALTY_MS_PER_M",
    "Calibration",
    "FittedLine",
    "MoistureSummary",
    "Outliers",
    "calibration_findings",
    "conductivity_at_25",
    "correct_salinity",
    "correct_temperature",
    "depth_error_m",
    "depth_of_time",
    "find_outliers",
    "fit_calibration",
    "fit_line",
    "map_moisture",
    "porosity_of_bulk",
    "profile_sigma_vwc",
    "reading_error_of",
    "reading_findings",
    "reading_time_findings",
    "repeat_sd",
    "sensor_findings",
    "soil_model_sigma",
    "split_reading_error",
    "summarise_moisture",
    "time_of_depth",
    "time_of_reading",
    "velocity_declared",
    "velocity_from_moisture",
    "velocity_slope",
]
