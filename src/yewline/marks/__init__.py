"""The journal of what people decided: drawn hotspots, grades and notes, with their history."""

from __future__ import annotations

from yewline.marks.hotspots import DRAWN, draw_hotspot, drawn_geojson, remove_hotspot
from yewline.marks.journal import ACT_KINDS, Act, append_act, read_journal, replay, undo

__all__ = [
    "ACT_KINDS",
    "DRAWN",
    "Act",
    "append_act",
    "draw_hotspot",
    "drawn_geojson",
    "read_journal",
    "remove_hotspot",
    "replay",
    "undo",
]
