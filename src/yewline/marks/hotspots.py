"""Hotspots that a person drew: put into the journal, and given back as GeoJSON in site metres."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_array
from yewline.errors import InputError
from yewline.marks.journal import Act, State, append_act, read_journal, replay

__all__ = ["DRAWN", "draw_hotspot", "drawn_geojson", "remove_hotspot"]

DRAWN = "hotspots"


def draw_hotspot(
    path: Path, hotspot: str, ring: npt.ArrayLike, *, visit: str = "", who: str = "", when: str = ""
) -> Act:
    """Put a drawn hotspot into the journal, or change the one of that name.

    Parameters
    ----------
    path : the journal.
    hotspot : its name.
    ring : (n, 2) corners in site metres, shut or not.
    visit : the visit it was seen in; empty for all visits.
    who, when : kept as given.

    Raises
    ------
    InputError : fewer than three corners, or an outline that crosses itself or has no area.
    """
    corners = check_array(ring, "ring", ndim=2)
    if corners.shape[1] != 2 or len(corners) < 3:
        raise InputError("an outline needs three corners of x and y", received=f"shape {corners.shape}")
    outline = shapely.Polygon(corners)
    if not outline.is_valid or not outline.area > 0:
        raise InputError(
            "the outline crosses itself or has no area",
            where=hotspot,
            received=shapely.is_valid_reason(outline),
            do="draw it anew",
        )
    if (corners[0] == corners[-1]).all():
        corners = corners[:-1]
    payload = {"visit": visit, "ring": np.round(corners, 4).tolist()}
    return append_act(path, Act("put", DRAWN, hotspot, payload, who=who, when=when))


def remove_hotspot(path: Path, hotspot: str, *, who: str = "", when: str = "") -> Act:
    """Take a drawn hotspot back.

    Raises
    ------
    InputError : there is no drawn hotspot of that name.
    """
    state = replay(read_journal(path)[0])
    if hotspot not in state.get(DRAWN, {}):
        known = ", ".join(state.get(DRAWN, {})) or "none"
        raise InputError(f"there is no drawn hotspot '{hotspot}'", where=str(path), received=known)
    return append_act(path, Act("remove", DRAWN, hotspot, who=who, when=when))


def drawn_geojson(state: State) -> dict[str, Any]:
    """The drawn hotspots of a state as a GeoJSON document that says it is in site metres.

    Examples
    --------
    >>> state = {"hotspots": {"H1": {"visit": "spring", "ring": [[0, 0], [0, 1], [1, 0]]}}}
    >>> document = drawn_geojson(state)
    >>> document["frame"], document["features"][0]["geometry"]["coordinates"]
    ('site', [[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]])
    """
    features = [
        {
            "type": "Feature",
            "properties": {"hotspot": hotspot, "visit": str(payload.get("visit", ""))},
            "geometry": {"type": "Polygon", "coordinates": [_shut(payload["ring"])]},
        }
        for hotspot, payload in state.get(DRAWN, {}).items()
    ]
    return {"type": "FeatureCollection", "frame": "site", "features": features}


def _shut(ring: Sequence[Sequence[float]]) -> list[list[float]]:
    """Anticlockwise and with the first corner repeated, as RFC 7946 section 3.1.6 has it."""
    outline = shapely.geometry.polygon.orient(shapely.Polygon(ring))
    return [[float(x), float(y)] for x, y in outline.exterior.coords]
