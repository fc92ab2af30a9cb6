"""Scenes in three dimensions: files that describe them, and the vertical sections that survey lines cut from them."""

from __future__ import annotations

from yewline.simulation.scenes.ageing import aged
from yewline.simulation.scenes.coverage import coverage
from yewline.simulation.scenes.cutting import Cut, cut_scene, layer_depth, section_truth
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.lines import ExtraLine, LinePlan, SceneLine, planned_lines
from yewline.simulation.scenes.manual import key_meanings, scene_key_tables
from yewline.simulation.scenes.parts import Disturbance, Opened, Readings, SceneDay, SolverGrid
from yewline.simulation.scenes.read import list_scenes, read_scene, scene_from_toml
from yewline.simulation.scenes.recording import (
    LineJob,
    LineRun,
    RecordedLine,
    compute_line,
    finish_line,
    prepare_line,
    simulate_line,
)
from yewline.simulation.scenes.responses import (
    GraveResponse,
    ResponseJob,
    grave_on_line,
    grave_responses,
    prepare_responses,
)
from yewline.simulation.scenes.rows import GraveRow
from yewline.simulation.scenes.sections import build_section
from yewline.simulation.scenes.write import scene_to_toml

__all__ = [
    "Cut",
    "Disturbance",
    "ExtraLine",
    "GraveResponse",
    "GraveRow",
    "LineJob",
    "LinePlan",
    "LineRun",
    "Opened",
    "Readings",
    "RecordedLine",
    "ResponseJob",
    "SceneDay",
    "SceneFile",
    "SceneLine",
    "SolverGrid",
    "aged",
    "build_section",
    "compute_line",
    "coverage",
    "cut_scene",
    "finish_line",
    "grave_on_line",
    "grave_responses",
    "key_meanings",
    "layer_depth",
    "list_scenes",
    "planned_lines",
    "prepare_line",
    "prepare_responses",
    "read_scene",
    "scene_from_toml",
    "scene_key_tables",
    "scene_to_toml",
    "section_truth",
    "simulate_line",
]
