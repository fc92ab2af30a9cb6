"""Velocity by several ways: intervals side by side, a table and a sentence a visit; one line with its hyperbolas."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from yewline.report.cells import Cell, Table
from yewline.report.palette import INK, MUTED, NO_DATA, OTHER, PAPER, STYLE
from yewline.report.pictures import Picture, make_picture
from yewline.report.radargrams import RadargramView, natural_key, radargram_views
from yewline.report.words import count, date_words, number, p_value, short_name
from yewline.units import Z90
from yewline.workspace.results import SiteResult, SourceVelocity, VisitResult, VisitVelocities

__all__ = ["VisitVelocity", "hyperbola_example", "source_name", "velocities", "velocity_plot", "velocity_sentence"]

NAMES: Final = {
    "joined": "All in use, joined",
    "moisture": "Moisture readings",
    "moisture at depth": "Moisture at depth",
    "declared": "Declared in visit.toml",
    "hyperbolas": "Hyperbolas",
    "focus": "Focus of migrated lines",
    "gather": "Gather",
    "ground wave": "Ground wave of gather",
    "known depths": "Burials of known depth",
    "people": "Hyperbolas laid by hand",
}
CAUTIONS: Final = {
    "few-hyperbolas": "fewer than five hyperbolas: none can be told to be an outlier",
    "one-hyperbola": "all from one line or object",
    "few-windows": "short lines",
    "short-spread": "offsets shorter than half the depth",
    "errors-too-small": "the burials scatter more than their errors",
    "outliers": "some burials lie far off",
}
SLOWEST, FASTEST = 0.03, 0.30
"""The plot ends there, whatever an interval says."""
WIDE_IN: Final = 5.0
LABEL_PT: Final = 122
"""Room for the names of sources, left of the axes, in points."""
POINTS: Final = 25
DASHES: Final = {"used": "", "outlier": "6 3", "air": "1.5 3", "unusable": "6 3"}


@dataclass(frozen=True, slots=True)
class VisitVelocity:
    """One visit's part of the section."""

    name: str
    text: str
    picture: Picture | None
    table: Table


def velocities(result: SiteResult) -> list[VisitVelocity]:
    """The visits that have a comparison of velocities, ready for the page."""
    held = [(visit, visit.velocities) for visit in result.visits if visit.velocities is not None]
    limits = velocity_limits([each for _, each in held])
    return [
        VisitVelocity(
            visit.name,
            velocity_sentence(each),
            make_picture(
                velocity_plot(visit, each, limits=limits),
                f"Wave velocity on visit {visit.name} by several ways, with intervals. {velocity_sentence(each)}",
                f"{visit.name}, {date_words(visit.settings.date)}: velocities with their 95 % intervals.",
            ),
            _table(visit, each),
        )
        for visit, each in held
        if each.sources
    ]


def source_name(source: SourceVelocity) -> str:
    """What a source is called on the page."""
    return f"{NAMES.get(source.kind, source.kind)} {source.estimate.label}".rstrip()


def velocity_sentence(held: VisitVelocities) -> str:
    """What depths rest on, and whether the other sources agree with it."""
    if held.used is None:
        first = "The error of the velocity that depths rest on is not known."
    else:
        used = held.sources[held.used]
        low, high = used.interval
        deep = used.estimate.depth_to_m
        first = f"Depths rest on {used.estimate.v_m_per_ns:.3f} m/ns ({low:.3f} to {high:.3f}) down to {deep:.2f} m, "
        first += f"{used.note}.{_joined_words(held)}"
    found = comparison_words(held)
    return f"{first} {found}"


def _joined_words(held: VisitVelocities) -> str:
    """How far sources in use lie off one another, and what the recordings say of moisture."""
    join = held.join
    if join is None:
        return ""
    text = ""
    if len(join.checks) > 1:
        worst = max(join.checks, key=lambda check: abs(check.score))
        way = "faster" if worst.shift > 0 else "slower"
        name = NAMES.get(worst.source, worst.source).lower()
        text = f" Furthest off: {name}, {100 * abs(worst.shift):.0f} % {way} than the others say "
        text += f"(± {100 * Z90 * worst.shift_sigma:.0f} %, 90 %)."
    if join.widened > 1.0:
        text += f" Sources contradict each other: the errors that each shares were multiplied by {join.widened:.1f}."
    if math.isfinite(join.left_out_rms):
        text += f" Hyperbolas left out one by one are predicted to {100 * join.left_out_rms:.0f} % (rms), "
        text += f"{100 * join.left_out_inside:.0f} in 100 within their 90 % interval."
    if join.radar_vwc is not None:
        vwc, sd = join.radar_vwc
        text += f" The recordings alone would mean {vwc:.2f} ± {Z90 * sd:.2f} m³/m³ of water (90 %, {join.relation}): "
        text += "no check of the depths, which rest on the same recordings."
    return text


def comparison_words(held: VisitVelocities) -> str:
    """Whether the sources agree."""
    comparison = held.comparison
    if comparison is None:
        return "Nothing else tells the velocity, so nothing checks it."
    n = len(comparison.estimates)
    mean = comparison.mean
    half = 1.96 * mean.sigma_m_per_ns
    told = f"their mean is {mean.v_m_per_ns:.3f} m/ns ({mean.v_m_per_ns - half:.3f} to {mean.v_m_per_ns + half:.3f})"
    if not held.disagree:
        return f"The {n} sources agree within their errors (p = {p_value(comparison.p)}); {told}."
    worst = min(comparison.pairs, key=lambda pair: pair.p)
    return (
        f"The {n} sources differ by more than their errors explain (p = {p_value(comparison.p)}), most of all "
        f"{worst.first} and {worst.second}, by {abs(worst.difference_m_per_ns):.3f} m/ns; {told}. "
        "Do not trust depths further than that."
    )


def velocity_limits(held: list[VisitVelocities]) -> tuple[float, float]:
    """One range of velocity for all visits, m/ns."""
    ends = [end for each in held for source in each.sources for end in source.interval]
    if not ends:
        return SLOWEST, FASTEST
    low, high = max(min(ends), SLOWEST), min(max(ends), FASTEST)
    pad = 0.04 * max(high - low, 0.01)
    return math.floor((low - pad) * 100) / 100, math.ceil((high + pad) * 100) / 100


def velocity_plot(visit: VisitResult, held: VisitVelocities, *, limits: tuple[float, float]) -> Figure | None:
    """Intervals side by side, one row a source, the used value marked through all of them; None without sources."""
    if not held.sources:
        return None
    n = len(held.sources)
    high_in = 0.95 + 0.42 * n
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDE_IN, high_in))
        axes = figure.add_axes((0.36, 0.50 / high_in, 0.50, (0.42 * n + 0.05) / high_in))
        if held.used is not None:
            used = held.sources[held.used]
            axes.axvspan(*used.interval, color=NO_DATA, linewidth=0, zorder=0)
            axes.axvline(used.estimate.v_m_per_ns, color=MUTED, linewidth=1.0, linestyle=(0, (4, 2)), zorder=1)
        for row, source in enumerate(reversed(held.sources)):
            _draw_source(axes, source, row, used=held.used == n - 1 - row, limits=limits)
        axes.set(xlim=limits, ylim=(-0.6, n - 0.4), yticks=[], xlabel="velocity (m/ns)")
        axes.spines["left"].set_visible(False)
        figure.text(0.02, 1 - 0.19 / high_in, short_name(visit.name, 40), fontsize=9.5, fontweight="bold", va="center")
        return figure


def _draw_source(axes: Any, source: SourceVelocity, row: int, *, used: bool, limits: tuple[float, float]) -> None:
    low, high = source.interval
    colour = INK if used else OTHER if source.compared else MUTED
    axes.plot(
        [max(low, limits[0]), min(high, limits[1])], [row, row], color=colour, linewidth=2.4, solid_capstyle="butt",
        linestyle="-" if source.compared else (0, (1.5, 1.2)), zorder=3,
    )  # fmt: skip
    v = source.estimate.v_m_per_ns
    axes.plot(
        [v], [row], marker="D" if used else "o", markersize=5.0 if used else 5.5, color=colour,
        markerfacecolor=colour if source.compared else PAPER, markeredgecolor=PAPER if source.compared else colour,
        markeredgewidth=0.8, zorder=4,
    )  # fmt: skip
    name = short_name(source_name(source), 26)
    second = "used for depths" if used else "" if source.compared else "shown only"
    axes.annotate(
        name, (0, row), xytext=(-LABEL_PT, 4 if second else 0), xycoords=("axes fraction", "data"),
        textcoords="offset points", va="center", fontsize=8.5, fontweight="bold" if used else "normal",
        annotation_clip=False,
    )  # fmt: skip
    if second:
        axes.annotate(
            second, (0, row), xytext=(-LABEL_PT, -7), xycoords=("axes fraction", "data"), textcoords="offset points",
            va="center", fontsize=7.5, color=MUTED, annotation_clip=False,
        )  # fmt: skip
    axes.annotate(
        f"{v:.3f}", (1, row), xytext=(8, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
        va="center", fontsize=8.5, fontweight="bold" if used else "normal", annotation_clip=False,
    )  # fmt: skip


def _table(visit: VisitResult, held: VisitVelocities) -> Table:
    heads = (
        "Source",
        "Velocity (m/ns)",
        "95 % interval",
        "Stands for",
        "1 m here would be",
        "Against the others",
        "Rests on",
    )
    table = Table(f"{visit.name}: wave velocity by several ways", heads)
    base = None if held.used is None else held.sources[held.used].estimate.v_m_per_ns
    for i, source in enumerate(held.sources):
        about, (low, high) = source.estimate, source.interval
        deep = "all depths" if not math.isfinite(about.depth_to_m) else f"0–{about.depth_to_m:.1f} m"
        moved = "–" if base is None else f"{about.v_m_per_ns / base:.2f} m"
        mind = "; ".join(CAUTIONS.get(code, code) for code in about.cautions)
        role = "used for depths" if held.used == i else "" if source.compared else "not compared"
        table.rows.append(
            [
                Cell(source_name(source), role),
                Cell(number(about.v_m_per_ns, 3), f"sd {about.sigma_m_per_ns:.3f}"),
                Cell(f"{number(low, 3)} to {number(high, 3)}"),
                Cell(deep),
                Cell(moved),
                _against(held, source),
                Cell(source.note or "–", mind),
            ]
        )
    return table


def _against(held: VisitVelocities, source: SourceVelocity) -> Cell:
    """How far a source in use lies off what the others say."""
    check = None if held.join is None else held.join.check(source)
    if check is None or not math.isfinite(check.shift):
        return Cell("–")
    taken = f"taken as {check.v_m_per_ns:.3f}" if abs(check.v_m_per_ns - source.estimate.v_m_per_ns) > 5e-4 else ""
    return Cell(f"{100 * check.shift:+.0f} % ± {100 * Z90 * check.shift_sigma:.0f}", taken)


def hyperbola_example(result: SiteResult, *, clip: float, pixels_each: int) -> RadargramView | None:
    """The line on which most hyperbolas were used, with each of them drawn; None where there are none."""
    counts: Counter[tuple[int, str]] = Counter()
    for i, visit in enumerate(result.visits):
        for seen in visit.velocities.hyperbolas if visit.velocities is not None else ():
            if seen.fate == "used" and seen.fit.line in visit.radargrams:
                counts[i, seen.fit.line] += 1
    if not counts:
        return None
    which, line = min(counts, key=lambda key: (-counts[key], key[0], natural_key(key[1])))
    visit = result.visits[which]
    radargram = visit.radargrams[line]
    (view,) = radargram_views(replace(visit, radargrams={line: radargram}), {}, clip=clip, pixels_each=pixels_each)
    left, top, wide, high = view.box
    distance, time = radargram["distance"].values, radargram["time"].values
    across = wide / max(float(distance[-1] - distance[0]), 1e-6)
    down = high / max(float(time[-1] - time[0]), 1e-6)
    curves = []
    fates: Counter[str] = Counter()
    for seen in visit.velocities.hyperbolas if visit.velocities is not None else ():
        fit = seen.fit
        if fit.line != line or not fit.picks_x_m:
            continue
        x = np.linspace(min(fit.picks_x_m), max(fit.picks_x_m), POINTS)
        t = fit.times(x)
        inside = (t >= time[0]) & (t <= time[-1]) & (x >= distance[0]) & (x <= distance[-1])
        if inside.sum() < 2:
            continue
        points = [
            f"{left + (a - float(distance[0])) * across:.1f} {top + (b - float(time[0])) * down:.1f}"
            for a, b in zip(x[inside], t[inside], strict=True)
        ]
        curves.append(("M" + "L".join(points), DASHES[seen.fate]))
        fates[seen.fate] += 1
    told = f"{count(fates['used'], 'hyperbola')} used (full lines)"
    if fates["outlier"]:
        told += f", {count(fates['outlier'], 'outlier')} (dashed)"
    if fates["air"]:
        told += f", {count(fates['air'], 'wave')} through the air (dotted)"
    return replace(
        view, curves=tuple(curves), caption=told, alt=f"Hyperbolas on line {line}, visit {visit.name}: {told}."
    )
