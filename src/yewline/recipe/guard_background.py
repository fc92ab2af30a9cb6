"""The guard's part on background removal: what it takes of a grave along this line."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import xarray as xr

from yewline.recipe.recipe import Recipe, StepCall
from yewline.signal import background_risk

__all__ = ["BACKGROUNDS", "LINE_GRAVES", "background_findings", "lengths_of"]

BACKGROUNDS: Final = ("background_removal", "background_fk", "eigen_background")
WINDOW_GRAVES: Final = 1.5
"""A background window has to be longer than a grave by this factor at least, or it takes the grave with it."""
LINE_GRAVES: Final = 4.0
"""A line this many graves long holds enough ground without a grave to tell background by."""
MOST_RISK: Final = 1.0 / LINE_GRAVES
"""Share of a response that background removal may take unsaid: that of a line just long enough."""


def background_findings(
    recipe: Recipe, radargram: xr.DataArray, grave_m: tuple[float, float], azimuth_deg: float | None
) -> Iterator[dict[str, Any]]:
    """What the guard says of each background removal; `grave_m` is length and width."""
    for call in (*recipe.before, *recipe.after):
        if call.step not in BACKGROUNDS:
            continue
        if azimuth_deg is None:
            yield from _along_the_grave(call, radargram, grave_m[0])
        else:
            yield from _at_an_angle(call, radargram, grave_m, azimuth_deg)


def _along_the_grave(call: StepCall, radargram: xr.DataArray, grave_m: float) -> Iterator[dict[str, Any]]:
    """The worst case: nobody said how the graves lie."""
    window = call.parameters["window_m"]
    if window is not None and window < WINDOW_GRAVES * grave_m:
        yield {
            "code": "background-window-short",
            "text": "the background window is so short that it removes the response of a grave along the line",
            "received": f"{window:g} m, a grave is up to {grave_m:g} m long",
            "do": f"use at least {WINDOW_GRAVES * grave_m:.1f} m, better 5 to 10 m, or the whole line",
        }
    short = [length for length in lengths_of(radargram) if length < LINE_GRAVES * grave_m]
    if short:
        yield {
            "code": "background-line-short",
            "text": "background removal over a piece of line so short may remove much of a grave's response",
            "received": ", ".join(f"{length:.1f} m" for length in short),
            "do": f"compare with neighbouring lines; pieces above {LINE_GRAVES * grave_m:.1f} m are safe",
        }


def _at_an_angle(
    call: StepCall, radargram: xr.DataArray, grave_m: tuple[float, float], azimuth_deg: float
) -> Iterator[dict[str, Any]]:
    """How the graves lie is known: what is lost follows from how the line crosses them."""
    pieces = [length for length in lengths_of(radargram) if length > 0]
    bearing = _bearing_deg(radargram)
    if not pieces or bearing is None:
        return
    angle = abs((bearing - azimuth_deg + 90.0) % 180.0 - 90.0)
    window = call.parameters["window_m"]
    lost = background_risk(
        grave_length_m=grave_m[0],
        grave_width_m=grave_m[1],
        angle_deg=angle,
        line_length_m=min(pieces),
        window_m=window,
        statistic=call.parameters.get("statistic", "mean"),
    )
    # Wavenumbers below one over a window take twice what its sliding mean takes.
    lost = min(1.0, 2.0 * lost) if call.step == "background_fk" and window is not None else lost
    if lost > MOST_RISK:
        over = min(pieces) if window is None else min(window, *pieces)
        yield {
            "code": "background-takes-graves",
            "text": "background removal takes much of a grave's response on lines that cross the graves so",
            "received": f"about {100 * lost:.0f} %, at {angle:.0f}° to the graves, over {over:.1f} m",
            "do": "use a longer window or the whole line, and lines across the graves",
        }


def lengths_of(radargram: xr.DataArray) -> list[float]:
    """Length of each segment, m."""
    distance, segment = radargram["distance"].values, radargram["segment"].values
    return [float(np.ptp(distance[segment == number])) for number in np.unique(segment)]


def _bearing_deg(radargram: xr.DataArray) -> float | None:
    """Bearing of the line, clockwise from +y; None where it begins and ends at one place."""
    x, y = radargram["x"].values, radargram["y"].values
    dx, dy = float(x[-1] - x[0]), float(y[-1] - y[0])
    return None if math.hypot(dx, dy) == 0.0 else math.degrees(math.atan2(dx, dy)) % 180.0
