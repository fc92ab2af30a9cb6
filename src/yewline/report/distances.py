"""Plots of accuracy: distances beside chance, the null distributions with the observation, and visits compared."""

from __future__ import annotations

from textwrap import wrap
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yewline.report.palette import HOTSPOT, INK, MUTED, NO_DATA, NO_DATA_LINE, OTHER, PAPER, STYLE
from yewline.report.sentences import compared_words, room_words
from yewline.report.words import metres, p_value, short_name
from yewline.workspace.results import SiteResult, VisitComparison, VisitResult

__all__ = ["comparison_plot", "distance_limit", "distance_plot", "null_plot"]

WIDE_IN: Final = 5.0
# One colour, one mark and one row for each direction: it is told apart without colour.
LOOKS: Final = {"hotspot to burial": (HOTSPOT, "o"), "burial to hotspot": (OTHER, "D")}


def distance_limit(result: SiteResult) -> float:
    """The longest distance to be shown, m, shared by all visits."""
    longest = 1.0
    for visit in result.visits:
        for directed in _directions(visit):
            longest = max(longest, float(_known(directed).max(initial=0.0)))
            longest = max(
                longest, *(n.high_m or 0.0 for n in (directed.shift, directed.placement) if n is not None), 0.0
            )
    return 1.04 * longest


def _directions(visit: VisitResult) -> tuple[Any, ...]:
    return () if visit.score is None else (visit.score.hotspot_to_burial, visit.score.burial_to_hotspot)


def _known(item: Any) -> npt.NDArray[np.float64]:
    """The distances that were measured: with nothing to measure to they are NaN."""
    distance: npt.NDArray[np.float64] = item.distance_m[np.isfinite(item.distance_m)]
    return distance


def distance_plot(visit: VisitResult, *, limit_m: float) -> Figure | None:
    """Every distance of a visit, both directions, beside the range that chance gives; None without any distance."""
    directed = [d for d in _directions(visit) if len(_known(d))]
    if not directed:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDE_IN, 0.85 + 1.22 * len(directed)))
        axes = figure.add_axes((0.03, 0.50 / figure.get_figheight(), 0.94, 1 - 0.78 / figure.get_figheight()))
        for row, item in enumerate(reversed(directed)):
            _draw_direction(axes, item, row, limit_m)
        axes.set(
            xlim=(0, limit_m), ylim=(-0.42, len(directed) - 0.36), yticks=[], xlabel="distance between centroids (m)"
        )
        axes.spines["left"].set_visible(False)
        axes.set_title(f"{short_name(visit.name, 40)}")
        return figure


def _draw_direction(axes: Axes, item: Any, row: int, limit_m: float) -> None:
    colour, mark = LOOKS[item.direction]
    heading = f"{item.direction} (n = {len(_known(item))})"
    axes.text(0.0, row + 0.45, heading, fontsize=8.5, fontweight="bold", va="bottom")
    chance = item.shift
    if chance is not None and chance.low_m is not None and chance.high_m is not None:
        axes.barh(
            row + 0.05, chance.high_m - chance.low_m, left=chance.low_m, height=0.46, facecolor=NO_DATA,
            edgecolor=NO_DATA_LINE, hatch="....", linewidth=0.6, zorder=1,
        )  # fmt: skip
        if chance.expected_m is not None:
            axes.plot([chance.expected_m] * 2, [row - 0.18, row + 0.28], color=MUTED, linewidth=1.2, zorder=2)
            right = chance.expected_m < 0.8 * limit_m
            axes.annotate(
                f"chance {metres(chance.expected_m)}", (chance.expected_m, row + 0.28), xytext=(0, 2),
                textcoords="offset points", ha="left" if right else "right", fontsize=7.5, color=MUTED, va="bottom",
            )  # fmt: skip
    known = _known(item)
    axes.plot(
        known, row + 0.05 + _spread(known, limit_m / 60), linestyle="none", marker=mark, markersize=4,
        color=colour, alpha=0.75, markeredgecolor=PAPER, markeredgewidth=0.4, zorder=3,
    )  # fmt: skip
    if item.mean_m is not None:
        if item.low_m is not None and item.high_m is not None:
            axes.plot(
                [item.low_m, item.high_m], [row - 0.27] * 2, color=INK, linewidth=2.2, solid_capstyle="butt", zorder=4
            )
        axes.plot([item.mean_m], [row - 0.27], marker="|", color=INK, markersize=9, markeredgewidth=2, zorder=5)
        named = "mean" if item.n > 1 else "one distance"
        axes.annotate(
            f"{named} {metres(item.mean_m)}", (item.high_m or item.mean_m, row - 0.27), xytext=(5, 0),
            textcoords="offset points", fontsize=7.5, va="center",
        )  # fmt: skip


def _spread(distance_m: npt.NDArray[np.float64], near_m: float) -> npt.NDArray[np.float64]:
    """Heights that keep equal distances from hiding one another: each joins the first free lane."""
    lanes: list[float] = []
    out = np.zeros(len(distance_m))
    for i in np.argsort(distance_m, kind="stable"):
        lane = next((k for k, last in enumerate(lanes) if distance_m[i] - last >= near_m), len(lanes))
        if lane == len(lanes):
            lanes.append(0.0)
        lanes[lane] = float(distance_m[i])
        out[i] = lane
    step = min(0.09, 0.42 / max(1, len(lanes)))
    signs = np.where(out % 2 == 1, 1, -1)
    return signs * np.ceil(out / 2) * step


def null_plot(visit: VisitResult) -> Figure | None:
    """What chance gives, draw by draw, for both nulls of the headline direction, with the observed mean in it."""
    if visit.score is None or visit.score.hotspot_to_burial.mean_m is None:
        return None
    item, mean = visit.score.hotspot_to_burial, visit.score.hotspot_to_burial.mean_m
    nulls = [
        (n, t) for n, t in ((item.shift, "whole pattern moved"), (item.placement, "hotspots placed anywhere")) if n
    ]
    nulls = [(null, title) for null, title in nulls if len(null.sample_m) and null.p is not None]
    if not nulls:
        return None
    # A null leaves out what lies outside its window: each draw stands beside the mean of the same hotspots.
    seen = [mean if null.observed_m is None else null.observed_m for null, _ in nulls]
    lowest = min(*seen, *(float(null.sample_m.min()) for null, _ in nulls))
    highest = max(*seen, *(float(null.sample_m.max()) for null, _ in nulls))
    pad = 0.06 * max(highest - lowest, 0.1)
    with mpl.rc_context(STYLE):
        each = 1.72
        high = 0.62 + each * len(nulls)
        figure = Figure(figsize=(WIDE_IN, high))
        figure.text(0.09, 1 - 0.17 / high, short_name(visit.name, 40), fontsize=9.5, fontweight="bold")
        for row, ((null, title), observed) in enumerate(zip(nulls, seen, strict=True)):
            axes = figure.add_axes((0.09, (0.52 + each * (len(nulls) - 1 - row)) / high, 0.88, 0.95 / high))
            counts, edges = np.histogram(null.sample_m, bins=40, range=(lowest - pad, highest + pad))
            share = 100 * counts / len(null.sample_m)
            axes.stairs(share, edges, fill=True, facecolor=NO_DATA_LINE, edgecolor=MUTED, linewidth=0.6)
            axes.axvline(observed, color=HOTSPOT, linewidth=2)
            axes.plot([observed], [share.max() * 1.38], marker="v", color=HOTSPOT, markersize=6, clip_on=False)
            right = observed < 0.5 * (lowest + highest)
            some = compared_words(null)
            told = f"observed {metres(observed)}" + (f" ({some})" if some else "")
            axes.annotate(
                told, (observed, 1.22 * share.max()), xytext=(6 if right else -6, 0),
                textcoords="offset points", ha="left" if right else "right", va="center", fontsize=8, color=INK,
                bbox={"boxstyle": "square,pad=0.12", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.85},
            )  # fmt: skip
            axes.set(xlim=(lowest - pad, highest + pad), ylim=(0, share.max() * 1.42), ylabel="% of draws")
            told = "\n".join(wrap(room_words(null), 76))
            axes.annotate(
                told, (0, 1), xytext=(0, 7), xycoords="axes fraction", textcoords="offset points", fontsize=7.5,
                va="bottom",
            )  # fmt: skip
            axes.annotate(
                f"{title} · p = {p_value(null.p)} · {null.draws:,} draws", (0, 1), xytext=(0, 30),
                xycoords="axes fraction", textcoords="offset points", fontsize=8.5, fontweight="bold", va="bottom",
            )  # fmt: skip
            if row < len(nulls) - 1:
                axes.set_xticklabels([])
        axes.set_xlabel("mean distance, hotspot to burial (m)")
        return figure


def comparison_plot(comparison: VisitComparison) -> Figure | None:
    """Two visits burial by burial: one mark for burials alike, on the line of equality where nothing changed."""
    a, b = comparison.capped_a_m, comparison.capped_b_m
    if len(a) != len(b) or not (held := np.isfinite(a) & np.isfinite(b)).any():
        return None
    places, times = np.unique(np.round(np.column_stack([a[held], b[held]]), 3), axis=0, return_counts=True)
    top = max(float(places.max()), 0.05)
    first, second = (short_name(name, 18) for name in (comparison.visit_a, comparison.visit_b))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDE_IN, 4.5))
        axes = figure.add_axes((0.13, 0.12, 0.83, 0.77))
        low, high = -0.07 * top, 1.07 * top
        axes.fill_between(
            [low, high], low, [low, high], facecolor=NO_DATA, edgecolor=NO_DATA_LINE, hatch="....", linewidth=0
        )
        axes.plot([low, high], [low, high], color=MUTED, linewidth=0.9)
        axes.scatter(
            places[:, 0], places[:, 1], s=20 + 14 * (times - 1), color=OTHER, edgecolors=PAPER, linewidths=0.6, zorder=3
        )
        for (x, y), n in zip(places, times, strict=True):
            if n > 1:
                left = x < 0.5 * top
                shift = 4 + 1.9 * np.sqrt(n)
                axes.annotate(
                    f"{n} burials", (x, y), xytext=(shift if left else -shift, 0), textcoords="offset points",
                    ha="left" if left else "right", va="center", fontsize=7.5, zorder=4,
                    bbox={"boxstyle": "square,pad=0.12", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.8},
                )  # fmt: skip
        axes.set(xlim=(low, high), ylim=(low, high), xlabel=f"{first}: distance (m)", ylabel=f"{second}: distance (m)")
        heading = f"Burial to hotspot: {comparison.measure}"
        figure.text(0.13, 0.957, heading, fontsize=9, fontweight="bold")
        figure.text(0.13, 0.915, f"dotted side: closer in {second} · plain side: closer in {first}", fontsize=8)
        return figure
