"""Hotspots: outlines of strong response, found by a rule or drawn, with their attributes."""

from __future__ import annotations

from yewline.hotspots.attributes import cells_inside, outline_attributes, rms_inside, touches_edge
from yewline.hotspots.find import Rule, describe, find_hotspots
from yewline.hotspots.noise import equal_area_level, noise_level, noise_rule_level
from yewline.hotspots.outline import coverage_area, default_minimum_area_m2, outline, outline_sigma_m

__all__ = [
    "Rule",
    "cells_inside",
    "coverage_area",
    "default_minimum_area_m2",
    "describe",
    "equal_area_level",
    "find_hotspots",
    "noise_level",
    "noise_rule_level",
    "outline",
    "outline_attributes",
    "outline_sigma_m",
    "rms_inside",
    "touches_edge",
]
