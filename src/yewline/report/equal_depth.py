"""Visits at equal depth beside equal time, the error of depth as a map, and depths against excavated ones."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from yewline.report.basemap import Bounds
from yewline.report.known_depths import known_depths
from yewline.report.palette import AMPLITUDE, DEPTH_ERROR, TRUSTED
from yewline.report.slices import SliceFrame
from yewline.report.words import depth_label, metres, number
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.stage_equal_depth import PairAtDepth

__all__ = ["equal_depth_section"]

_LEAST_CHANGE: Final = 0.02
"""Overlaps nearer than this are told as alike."""
_LITTLE_SHIFT_M: Final = 0.10
_ALIKE_M: Final = 0.05


def equal_depth_section(result: SiteResult, *, bounds: Bounds, limits: tuple[float, float]) -> dict[str, Any]:
    """What the page says of equal depth.

    Parameters
    ----------
    bounds : of all maps.
    limits : of strength, those of all slices.
    """
    low, high = _error_limits(result)
    ratio, deepest = _ratio_limit(result), _deepest(result)
    # All visits are on one grid.
    cells = result.visits[0].slices
    frame = SliceFrame.of(result, cells["x"].values, cells["y"].values, bounds)
    return {
        "equal_words": _words(result),
        "equal_strips": _strips(result, frame, limits),
        "equal_errors": [_error_view(visit, frame, (low, high)) for visit in result.visits],
        "equal_error_bar": ("± (90 %), m", DEPTH_ERROR, number(low), number(high)),
        "equal_ratios": _ratio_views(result, frame, ratio),
        "equal_ratio_bar": ("Strength, later over earlier (dB)", AMPLITUDE, number(-ratio, 0), f"+{number(ratio, 0)}"),
        "trust_words": _trust_words(result),
        "trust_views": _trust_views(result, frame, deepest),
        "trust_bar": ("Depth, m", TRUSTED, "0", number(deepest, 1)),
        **known_depths(result),
    }


def _strips(result: SiteResult, frame: SliceFrame, limits: tuple[float, float]) -> list[dict[str, Any]]:
    """For each visit the slice at equal time and the one at equal depth, with outlines of equal area."""
    found = result.equal_depth
    if found is None or not found.at_time:
        return []
    strips = []
    for visit in result.visits:
        part = found.at_time[visit.name]
        views = [
            frame.view(
                part.cells["strength"].values,
                label=f"at equal time: truly {part.top_m:.2f}–{part.base_m:.2f} m",
                visit=visit.name,
                limits=limits,
                hotspots=part.outlines.geometry.values,
            ),
            frame.view(
                visit.slices["strength"].values[visit.chosen],
                label=f"at equal depth: {depth_label(visit, visit.chosen)}",
                visit=visit.name,
                limits=limits,
                hotspots=visit.equal_area.geometry.values,
            ),
        ]
        strips.append({"name": visit.name, "views": views})
    return strips


def _words(result: SiteResult) -> list[str]:
    found = result.equal_depth
    if found is None or not found.at_time:
        return []
    begin, end = found.window_ns
    told = [
        f"With the velocity of {found.reference} the slice is the window from {begin:.1f} to {end:.1f} ns. "
        + " ".join(
            f"On {name} that same window lies {part.top_m:.2f} to {part.base_m:.2f} m down."
            for name, part in found.at_time.items()
            if name != found.reference
        )
    ]
    told += [_pair_sentence(pair) for pair in found.pairs]
    return told


def _pair_sentence(pair: PairAtDepth) -> str:
    time, depth = pair.overlap_time, pair.overlap_depth
    names = f"{pair.first} and {pair.second}"
    if not (math.isfinite(time) and math.isfinite(depth)):
        text = f"{names}: there are no outlines of equal area to lay on each other."
    else:
        change = "rises" if depth > time else "falls"
        told = f"of the ground that hotspots of equal area cover on either, both share {100 * time:.0f} % at equal time"
        text = f"{names}: {told} and {100 * depth:.0f} % at equal depth"
        text += "." if abs(depth - time) < _LEAST_CHANGE else f": agreement {change} when depth is kept."
        text += " What is left differs for other reasons: moisture, noise, how lines were laid."
    shift = math.hypot(*pair.shift_m)
    if not math.isfinite(shift):
        return f"{text} Whether the visits are displaced against each other cannot be told from their strengths."
    verdict = (
        "no more than their lines can be placed" if shift <= _LITTLE_SHIFT_M else "look at how lines were laid out"
    )
    return (
        f"{text} Laid on each other the later one is displaced by {shift:.2f} m (blocks of ground agree to "
        f"{metres(pair.shift_sigma_m)}): {verdict}. Nothing was moved."
    )


def _error_limits(result: SiteResult) -> tuple[float, float]:
    """One range for all visits, from nothing to the largest usual error on the chosen slices."""
    known = np.concatenate([_errors(visit)[np.isfinite(_errors(visit))] for visit in result.visits])
    high = float(np.quantile(known, 0.995)) if len(known) else 0.0
    return 0.0, max(math.ceil(20 * high) / 20, 0.05)


def _errors(visit: VisitResult) -> Any:
    return visit.slices["depth_error"].values[visit.chosen]


def _error_view(visit: VisitResult, frame: SliceFrame, limits: tuple[float, float]) -> Any:
    label = f"{visit.name}: {depth_label(visit, visit.chosen)}"
    what = "Error of depth"
    return frame.view(_errors(visit), label=label, visit=visit.name, limits=limits, scale=DEPTH_ERROR, what=what)


def _trust_words(result: SiteResult) -> list[str]:
    told = []
    for visit in result.visits:
        trust = visit.trust
        if trust is None:
            told.append(f"{visit.name}: not told, because a gain of its recipe cannot be taken back.")
            continue
        least = "at least " if trust.at_least else ""
        text = f"{visit.name}: {least}{metres(trust.median_m)} "
        alike = trust.high_m - trust.low_m < _ALIKE_M
        text += (
            "nearly everywhere."
            if alike
            else f"on half of the ground, {metres(trust.low_m)} to {metres(trust.high_m)} on most of it."
        )
        if trust.chosen_below:
            text += " The chosen slice mostly lies below that: strong answers show there, but silence counts for less."
        told.append(text)
    return told


def _deepest(result: SiteResult) -> float:
    return max((float(visit.slices["base"].values.max()) for visit in result.visits), default=1.0)


def _trust_views(result: SiteResult, frame: SliceFrame, deepest: float) -> list[Any]:
    views = []
    for visit in result.visits:
        depth = visit.trusted_depth
        if depth is None:
            continue
        views.append(
            frame.view(
                depth.values,
                label=visit.name,
                visit=visit.name,
                limits=(0.0, deepest),
                scale=TRUSTED,
                what="Depth at which silence counts",
            )
        )
    return views


def _ratio_limit(result: SiteResult) -> float:
    pairs = () if result.equal_depth is None else result.equal_depth.pairs
    known = [np.abs(pair.ratio_db[np.isfinite(pair.ratio_db)]) for pair in pairs]
    joined = np.concatenate(known) if known else np.zeros(0)
    return max(3.0, math.ceil(float(np.quantile(joined, 0.98)))) if len(joined) else 3.0


def _ratio_views(result: SiteResult, frame: SliceFrame, limit: float) -> list[Any]:
    views = []
    for pair in () if result.equal_depth is None else result.equal_depth.pairs:
        label = f"{pair.second} over {pair.first}"
        views.append(
            frame.view(
                pair.ratio_db, label=label, visit=pair.second, limits=(-limit, limit), scale=AMPLITUDE, what="Ratio"
            )
        )
    return views
