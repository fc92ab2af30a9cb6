"""What each step of a recipe does to one line: before, after and removed, migrated beside unmigrated."""

from __future__ import annotations

from typing import Any, Final

import matplotlib as mpl
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.ndimage import uniform_filter1d

from yewline.report.palette import AMPLITUDE, STYLE, colour_map
from yewline.report.raster import figure_png
from yewline.workspace.trial import Trial, TriedStep

__all__ = ["tried_png"]

_CLIP_PERCENT: Final = 99.0
_ROW_IN: Final = 1.75
_TIMES_RMS: Final = 2.5
_WORDS: Final = ("before", "after", "removed")


def tried_png(trial: Trial) -> bytes:
    """A picture with a row for each step: before, after, and what it removed, where it removes anything.

    Where a step removes something, all three share their colours, in units of the level that the line has at that time
    before it: what is as strong as the line itself shows as strongly, late as well as early. A step that changes the
    scale of the line, such as a gain, has colours of its own.
    """
    with mpl.rc_context(STYLE):
        rows = max(len(trial.steps), 1)
        figure = Figure(figsize=(9.6, 0.6 + _ROW_IN * rows), layout="constrained")
        axes = figure.subplots(rows, 3, squeeze=False)
        figure.suptitle(f"{trial.visit}, line {trial.line}, recipe '{trial.recipe}'", fontsize=10, x=0.01, ha="left")
        for row, step in zip(axes, trial.steps, strict=False):
            _row(row, step, trial.velocity_m_per_ns)
        for place in axes[-1]:
            place.set_xlabel("distance along the line (m)", fontsize=7)
        return figure_png(figure, dpi=110)


def _row(row: np.ndarray, step: TriedStep, velocity_m_per_ns: float | None) -> None:
    view = step.view
    lines = (view.before, view.after, view.removed)
    level = None if view.removed is None else _level(view.before)
    for place, line, word in zip(row, lines, _WORDS, strict=True):
        if line is None:
            place.set_axis_off()
            continue
        _draw(place, line, _limit(line) if level is None else level)
        head = f"{view.title}\n" if word == "before" else "\n"
        if word == "removed" and step.removed_share is not None:
            word = f"removed, {100 * min(step.removed_share, 9.99):.2g} % of the energy"
        place.set_title(head + word, fontsize=8, loc="left")
    row[0].set_ylabel("time (ns)", fontsize=7)
    if step.part == "after" and velocity_m_per_ns is not None:
        _depth_axis(row[1], view.after, velocity_m_per_ns)


def _limit(line: xr.DataArray) -> float:
    return max(float(np.percentile(np.abs(line.values), _CLIP_PERCENT)), 1e-30)


def _level(line: xr.DataArray) -> np.ndarray:
    """(S,) what counts as strong at each time: a few times the root mean square there, smoothed, never nothing."""
    square = np.mean(np.square(line.values, dtype=np.float64), axis=0)
    square = uniform_filter1d(square, max(3, len(square) // 12))
    return np.maximum(_TIMES_RMS * np.sqrt(np.maximum(square, 1e-4 * square.max())), 1e-30)


def _draw(place: Axes, line: xr.DataArray, limit: float | np.ndarray) -> None:
    distance, time = line["distance"].values, line["time"].values
    place.imshow(
        (line.values / limit).T,
        extent=(distance[0], max(distance[-1], distance[0] + 1e-6), time[-1], time[0]),
        aspect="auto",
        cmap=colour_map(AMPLITUDE),
        vmin=-1.0,
        vmax=1.0,
        interpolation="nearest",
    )
    place.tick_params(labelsize=6.5)


def _depth_axis(place: Axes, line: xr.DataArray, velocity_m_per_ns: float) -> None:
    """Estimated depth on the right: that of antennas right above, by the visit's mean velocity."""
    separation = float(line.attrs.get("separation_m", 0.0))

    def depth(time_ns: Any) -> Any:
        return 0.5 * np.sqrt(np.maximum((velocity_m_per_ns * np.asarray(time_ns)) ** 2 - separation**2, 0.0))

    def time(depth_m: Any) -> Any:
        return np.sqrt((2 * np.asarray(depth_m)) ** 2 + separation**2) / velocity_m_per_ns

    axis = place.secondary_yaxis("right", functions=(depth, time))
    axis.set_ylabel("estimated depth (m)", fontsize=7)
    axis.tick_params(labelsize=6.5)
