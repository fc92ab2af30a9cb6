"""The ground in three dimensions on a day: soil, water, and what a wave meets in them."""

from __future__ import annotations

from yewline.simulation.earth.columns import SoilAtFrequency, columns_of
from yewline.simulation.earth.day import (
    PROFILES,
    DayWater,
    Drained,
    Even,
    FrozenCrust,
    Patches,
    Profile,
    WaterTable,
    WettingFront,
)
from yewline.simulation.earth.ground import CONDUCTION_MODELS, PERMITTIVITY_MODELS, Ground, Soil, Texture
from yewline.simulation.earth.materials import ICE_OVER_WATER, Relaxation, materials, relaxation_of, soil_on_day
from yewline.simulation.earth.water import (
    MoistureStatistics,
    frozen_share,
    mean_profile,
    moisture_statistics,
    surface_readings,
    water_on_section,
)

__all__ = [
    "CONDUCTION_MODELS",
    "ICE_OVER_WATER",
    "PERMITTIVITY_MODELS",
    "PROFILES",
    "DayWater",
    "Drained",
    "Even",
    "FrozenCrust",
    "Ground",
    "MoistureStatistics",
    "Patches",
    "Profile",
    "Relaxation",
    "Soil",
    "SoilAtFrequency",
    "Texture",
    "WaterTable",
    "WettingFront",
    "columns_of",
    "frozen_share",
    "materials",
    "mean_profile",
    "moisture_statistics",
    "relaxation_of",
    "soil_on_day",
    "surface_readings",
    "water_on_section",
]
