"""Uneven ground that a recipe takes for level."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import xarray as xr

from yewline.recipe.recipe import Recipe
from yewline.signal import ground_relief, tilt_offset_m

__all__ = ["relief_findings"]

STEEP_DEG: Final = 8.0
"""Slope above which tilt has to be allowed for (common practice says 6 to 10 degrees, no source)."""
RELIEF_SHARE: Final = 0.5
"""Relief along a line that is comparable with the target's depth (the same)."""
SMOOTH_M: Final = 0.75
"""About an antenna's housing to both sides: what is rougher does not tilt it, and errors of levelling average out."""


def relief_findings(recipe: Recipe, radargram: xr.DataArray, target_depth_m: float | None) -> Iterator[dict[str, Any]]:
    """A warning where the ground slopes or rises so much that responses are moved, and no step allows for it.

    Parameters
    ----------
    recipe : says nothing where it migrates from the surface.
    radargram : one line; heights that are all zero are those of a site that gave none.
    target_depth_m : of the deepest target; None says nothing.
    """
    heights = radargram["z"].values
    if target_depth_m is None or not np.any(heights) or any(_from_surface(call.parameters) for call in recipe.after):
        return
    distance, segment = radargram["distance"].values, radargram["segment"].values
    parts = [np.flatnonzero(segment == number) for number in np.unique(segment)]
    parts = [part for part in parts if len(part) > 2 and (np.diff(distance[part]) > 0).all()]
    if not parts:
        return
    reliefs = [ground_relief(distance[part], heights[part], smooth_m=SMOOTH_M) for part in parts]
    steepest, highest = max(each.steepest_deg for each in reliefs), max(each.range_m for each in reliefs)
    if steepest <= STEEP_DEG and highest <= RELIEF_SHARE * target_depth_m:
        return
    moved = float(tilt_offset_m(target_depth_m, min(steepest, 89.0)))
    yield {
        "code": "relief-ignored",
        "text": "the ground is taken for level, and is not: responses are moved sideways, and bent",
        "received": f"up to {steepest:.0f}°, {highest:.1f} m from the lowest to the highest point; a target "
        f"{target_depth_m:g} m deep is moved by up to {moved:.2f} m",
        "do": 'migrate with step = "migrate_kirchhoff" and from_surface = true; for pictures add the step topography',
    }


def _from_surface(parameters: dict[str, Any]) -> bool:
    return bool(parameters.get("from_surface"))
