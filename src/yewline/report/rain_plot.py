"""Rain before each visit: bars of its days, the antecedent index as a line, all visits in the same scales."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from yewline.report.palette import INK, NO_DATA, NO_DATA_LINE, OTHER, PAPER, STYLE
from yewline.report.words import date_words
from yewline.workspace.stage_day import VisitDay

__all__ = ["rain_plot"]

WIDE_IN: Final = 7.4
PANEL_IN: Final = 1.25
LEAST_MM: Final = 10.0
"""The axis shows at least so much, so that drizzle does not look like a storm."""


def rain_plot(held: Sequence[tuple[str, VisitDay]]) -> Figure | None:
    """One panel a visit, one below the other, by days before the survey; None without rain on record."""
    if not held:
        return None
    high = 0.55 + (PANEL_IN + 0.3) * len(held)
    most = 1.1 * max(LEAST_MM, *(_highest(day) for _, day in held))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDE_IN, high))
        for i, (name, day) in enumerate(held):
            base = high - (i + 1) * (PANEL_IN + 0.3)
            axes = figure.add_axes((0.6 / WIDE_IN, base / high, (WIDE_IN - 0.75) / WIDE_IN, PANEL_IN / high))
            _draw(axes, day)
            axes.set(xlim=(-len(day.history) + 0.4, 0.6), ylim=(0, most), ylabel="mm")
            axes.set_title(f"{name}, {date_words(day.record.date)}")
            if i < len(held) - 1:
                axes.set_xticklabels([])
            else:
                axes.set_xlabel("days before the survey")
                axes.xaxis.set_major_formatter(lambda at, _: f"{abs(at):.0f}")
        return figure


def _highest(day: VisitDay) -> float:
    """Highest bar and lower end of the index: upper ends may be far above all that was measured."""
    return max(max(each.rain_mm.low, each.index_mm.low) for each in day.history)


def _draw(axes: Any, day: VisitDay) -> None:
    before = np.arange(-len(day.history) + 1, 1)
    # Half a day to the right: the index stands for the end of its day.
    ends = before + 0.5
    for at, each in zip(before, day.history, strict=True):
        if not math.isfinite(each.rain_mm.high):
            axes.axvspan(
                at - 0.5, at + 0.5, facecolor=PAPER, edgecolor=NO_DATA_LINE, hatch="////", linewidth=0, zorder=1
            )
    axes.bar(before, [each.rain_mm.low for each in day.history], width=0.8, color=OTHER, linewidth=0, zorder=2)
    index = [each.index_mm for each in day.history]
    low = np.array([each.low if math.isfinite(each.high) else math.nan for each in index])
    axes.fill_between(ends, low, [each.high for each in index], color=NO_DATA, linewidth=0, zorder=0)
    axes.plot(ends, low, color=INK, linewidth=1.4, zorder=3)
    axes.axvline(0, color=INK, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
    axes.annotate(
        "survey", (0, 1), xycoords=("data", "axes fraction"), xytext=(-3, -2), textcoords="offset points",
        ha="right", va="top", fontsize=8,
    )  # fmt: skip
