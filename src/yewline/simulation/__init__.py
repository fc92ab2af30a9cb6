"""First-order forward model of radargrams over a scene in the ground, and field faults to plant in them."""

from __future__ import annotations

from yewline.simulation.bodies import scatter_scene
from yewline.simulation.faults import (
    FAULT_KINDS,
    Fault,
    FaultKind,
    drift_time_zero,
    kill_traces,
    reverse_line,
    spike_traces,
)
from yewline.simulation.record import Electronics, Instrument, record_line, record_traces
from yewline.simulation.scatterers import FACET, GRAIN, WALL, Scatterers, clutter, facets, grains, join, no_scatterers
from yewline.simulation.scene import Burrow, Coffin, Drain, Fill, Grave, Layer, Root, Scene, Stone, grave_outline
from yewline.simulation.soil import Moisture, SoilColumns, SoilKind, sample_columns, soil_columns, surface_vwc
from yewline.simulation.spikes import PackedScatterers, pack

__all__ = [
    "FACET",
    "FAULT_KINDS",
    "GRAIN",
    "WALL",
    "Burrow",
    "Coffin",
    "Drain",
    "Electronics",
    "Fault",
    "FaultKind",
    "Fill",
    "Grave",
    "Instrument",
    "Layer",
    "Moisture",
    "PackedScatterers",
    "Root",
    "Scatterers",
    "Scene",
    "SoilColumns",
    "SoilKind",
    "Stone",
    "clutter",
    "drift_time_zero",
    "facets",
    "grains",
    "grave_outline",
    "join",
    "kill_traces",
    "no_scatterers",
    "pack",
    "record_line",
    "record_traces",
    "reverse_line",
    "sample_columns",
    "scatter_scene",
    "soil_columns",
    "spike_traces",
    "surface_vwc",
]
