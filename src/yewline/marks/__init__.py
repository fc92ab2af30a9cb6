"""The journal of what people decided: drawn hotspots, hyperbolas, grades and notes, with their history."""

from __future__ import annotations

from yewline.marks.hotspots import DRAWN, draw_hotspot, drawn_geojson, remove_hotspot
from yewline.marks.journal import ACT_KINDS, Act, append_act, read_journal, replay, undo
from yewline.marks.velocities import VELOCITIES, DrawnVelocity, draw_velocity, drawn_velocities, remove_velocity

__all__ = [
    "ACT_KINDS",
    "DRAWN",
    "VELOCITIES",
    "Act",
    "DrawnVelocity",
    "append_act",
    "draw_hotspot",
    "draw_velocity",
    "drawn_geojson",
    "drawn_velocities",
    "read_journal",
    "remove_hotspot",
    "remove_velocity",
    "replay",
    "undo",
]
