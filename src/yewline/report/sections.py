"""A simulated line as a picture: what lies under it, what was recorded, and what is left without the direct wave."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.colors import AsinhNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from yewline.report.palette import AMPLITUDE, INK, MOISTURE, MUTED, PAPER, STYLE, colour_map
from yewline.report.radargrams import ticks
from yewline.report.raster import figure_png
from yewline.workspace import LineView, ThingView

__all__ = ["AIR", "draw_section", "draw_things", "section_png", "soil_range"]

AIR: Final = 1.3
"""Nodes below this permittivity are drawn as air."""

Rectangle = tuple[float, float, float, float]

_WIDE, _LEFT, _RIGHT, _TOP, _FOOT, _GAP = 10.6, 0.62, 1.3, 0.66, 0.5, 0.62
_RADARGRAM_HIGH, _MODEL_LOWEST, _MODEL_HIGHEST = 2.7, 1.2, 4.0
"""Inches."""
_LINEAR_PERCENT: Final = 1.0
"""Share of the direct wave up to which the recorded amplitude is drawn in proportion; above, nearly its logarithm."""
_CLIP_ECHOES: Final = 2.5
_BEFORE_NS: Final = 3.0
_SKY_M: Final = 0.15
_LETTER_WIDE, _LETTER_HIGH = 0.075, 0.15
"""Room for a letter of a label, inches."""
_STEPS: Final = 200
"""Places along a line at which room for a layer's name is looked for."""


def section_png(view: LineView, *, dpi: int = 150) -> bytes:
    """The picture of `draw_section` as PNG; the same line gives the same bytes."""
    with rc_context(STYLE):
        return figure_png(draw_section(view), dpi=dpi)


def draw_section(view: LineView) -> Figure:
    """Three panels over one distance axis: permittivity with outlines, the radargram as stored, and its echoes.

    Parameters
    ----------
    view : from `yewline.workspace.view_line`.

    Notes
    -----
    The depth beside the radargrams is half the way that a wave goes in the time at the velocity of the mean ground
    down to there: an estimate, as on real ground, though a better one. The recorded amplitude a, in percent of the
    direct wave, is drawn as arsinh(a): the direct waves keep their shape, and echoes of one percent still show.
    """
    along = float(view.trace_m.min()), float(view.trace_m.max())
    wide = _WIDE - _LEFT - _RIGHT
    top = max(float(view.depth_m[0]), -_highest(view) - _SKY_M)
    tall = (float(view.depth_m[-1]) - top) / max(along[1] - along[0], 1e-6) * wide
    high = min(max(tall, _MODEL_LOWEST), _MODEL_HIGHEST)
    heights = (high, _RADARGRAM_HIGH, _RADARGRAM_HIGH)
    total = _TOP + sum(heights) + 2 * _GAP + _FOOT
    figure = Figure(figsize=(_WIDE, total))
    panels, bars = [], []
    upper = _TOP
    for each in heights:
        below = 1.0 - (upper + each) / total
        panels.append(figure.add_axes((_LEFT / _WIDE, below, wide / _WIDE, each / total)))
        bars.append((1.0 - 0.8 / _WIDE, below, 0.13 / _WIDE, each / total))
        upper += each + _GAP
    figure.text(_LEFT / _WIDE, 1.0 - 0.2 / total, _title(view), fontsize=11, fontweight="bold", va="center", ha="left")
    model, stored, echoes = panels
    _draw_model(figure, model, bars[0], view, top)
    _draw_stored(figure, stored, bars[1], view)
    _draw_echoes(echoes, view)
    for panel in panels:
        panel.set_xlim(*along)
    echoes.set_xlabel("distance along the line, m")
    return figure


def _title(view: LineView) -> str:
    return (
        f"{view.scene}, {view.day}, line {view.line}: {view.centre_mhz:g} MHz antennas, "
        f"{view.separation_m:.2f} m apart (simulated)"
    )


def _draw_model(figure: Figure, axes: Axes, bar: Any, view: LineView, top: float) -> None:
    scale = Normalize(*soil_range(view))
    soil = np.where(view.permittivity < AIR, np.nan, view.permittivity)
    picture = axes.imshow(
        soil.T, extent=_extent(view.distance_m, view.depth_m), cmap=colour_map(MOISTURE), norm=scale, aspect="auto"
    )
    axes.set_ylim(float(view.depth_m[-1]), top)
    draw_things(axes, view.things, (float(view.trace_m.min()), float(view.trace_m.max())))
    axes.set_ylabel("depth, m")
    beside = "; dotted: beside the line" if any(thing.beside for thing in view.things) else ""
    metal = "; hatched: metal" if any(thing.metal for thing in view.things) else ""
    axes.set_title(f"What lies under the line (air is white{metal}{beside})")
    figure.colorbar(picture, cax=figure.add_axes(bar), label="relative permittivity")


def _draw_stored(figure: Figure, axes: Axes, bar: Any, view: LineView) -> None:
    direct = float(np.median(np.abs(view.radargram).max(axis=1))) or 1.0
    scale = AsinhNorm(_LINEAR_PERCENT, vmin=-100.0, vmax=100.0)
    picture = _draw_radargram(axes, view, 100 * view.radargram / direct, scale)
    axes.set_title(
        f"Radargram as recorded; direct waves through the air (▲ {view.air_ns:.1f} ns) and along the ground "
        f"(▼ {view.ground_ns:.1f} ns)"
    )
    drawn = figure.colorbar(picture, cax=figure.add_axes(bar), label="share of the direct wave, %")
    at = [-100, -10, -1, 0, 1, 10, 100]
    drawn.set_ticks(at, labels=[f"{value:g}".replace("-", "−") for value in at])
    drawn.minorticks_off()
    # Side by side, since the two waves follow closely on one another.
    for marker, arrival, place in (("^", view.air_ns, 0.01), ("v", view.ground_ns, 0.024)):
        along = float(view.trace_m.min()) + place * float(np.ptp(view.trace_m))
        axes.plot(along, arrival, marker=marker, markersize=6, color=PAPER, markeredgecolor=INK, markeredgewidth=0.8)


def _draw_echoes(axes: Axes, view: LineView) -> None:
    _draw_radargram(axes, view, view.echoes, Normalize(-_CLIP_ECHOES, _CLIP_ECHOES))
    axes.set_title("Its echoes: without the mean trace and slow swings, evened out over time")


def _draw_radargram(axes: Axes, view: LineView, amplitude: npt.NDArray[Any], scale: Normalize) -> Any:
    # A line walked from its far end has its first trace at the larger distance.
    order = np.argsort(view.trace_m, kind="stable")
    picture = axes.imshow(
        amplitude[order].T,
        extent=_extent(view.trace_m[order], view.time_ns),
        cmap=colour_map(AMPLITUDE),
        norm=scale,
        aspect="auto",
    )
    axes.set_ylim(float(view.time_ns[-1]), max(float(view.time_ns[0]), -_BEFORE_NS))
    axes.set_ylabel("time, ns")
    after = view.time_ns > 0
    time = np.concatenate([[0.0], view.time_ns[after]])
    depth = 0.5 * np.concatenate([[0.0], view.v_m_per_ns[after]]) * time
    wanted = np.array(ticks(0.0, float(depth[-1]), 5))
    beside = axes.secondary_yaxis("right")
    beside.set_yticks(np.interp(wanted, depth, time))
    beside.set_yticklabels([f"{value:g}" for value in wanted])
    beside.set_ylabel("depth, m")
    beside.spines["right"].set_visible(True)
    return picture


def draw_things(axes: Axes, things: tuple[ThingView, ...], along: tuple[float, float]) -> None:
    """Outlines of what lies in a section, each thing named once where there is room: in it, or else under it.

    Parameters
    ----------
    axes : with its limits of depth.
    things : in the order of painting.
    along : between which distances it shows.
    """
    for thing in things:
        for ring in thing.rings:
            wide = 0.7 if thing.kind == "layer" else 0.9
            axes.plot(*ring.T, color=INK, linewidth=wide, linestyle=":" if thing.beside else "-")
        if thing.metal:
            axes.fill(*thing.rings[0].T, facecolor=MUTED, edgecolor=INK, hatch="////")
    for label, place in _names(axes, things, along).items():
        halo = [withStroke(linewidth=2.5, foreground=PAPER)]
        axes.text(*place, label, ha="center", va="top", path_effects=halo, clip_on=True)
    axes.axhline(0.0, color=MUTED, linewidth=0.6)


def _names(axes: Axes, things: tuple[ThingView, ...], along: tuple[float, float]) -> dict[str, tuple[float, float]]:
    """Where the middle of each name's upper edge goes, (distance, depth); names without room are left out."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    wide, high = np.asarray(figure.get_size_inches()) * axes.get_position().size
    deepest, top = axes.get_ylim()
    letter, line = _LETTER_WIDE / wide * (along[1] - along[0]), _LETTER_HIGH / high * (deepest - top)
    found: dict[str, tuple[float, float]] = {}
    taken: list[Rectangle] = []
    # Layers last: they have room all along the line.
    for thing in sorted(things, key=lambda thing: thing.kind == "layer"):
        half = 0.5 * letter * len(thing.label)
        if thing.label in found or not thing.label:
            continue
        bodies: list[Rectangle] = []
        left, upper, right, base = _bounds(thing)
        if thing.kind == "layer":
            bodies = [_bounds(other) for other in things if other.kind != "layer"]
            middles = np.linspace(along[0] + half + letter, along[1] - half - letter, _STEPS)
            under = np.interp(middles, *_upper_edge(thing)) + 0.25 * line
            places = list(zip(middles.tolist(), under.tolist(), strict=True))
        else:
            inside, under_it = max(upper, 0.0) + 0.25 * line, base + 0.25 * line
            fits = base - inside >= 1.5 * line and right - left >= 1.6 * half
            places = [(0.5 * (left + right), at) for at in ((inside, under_it) if fits else (under_it,))]
        for middle, at in places:
            box = middle - half, at, middle + half, at + line
            inside_panel = along[0] <= box[0] and box[2] <= along[1] and box[3] <= deepest
            if inside_panel and not any(_overlap(box, other) for other in (*taken, *bodies)):
                found[thing.label] = middle, at
                taken.append(box)
                break
    return found


def _bounds(thing: ThingView) -> Rectangle:
    """Left, upper, right and lower end of an outline."""
    left, upper = thing.rings[0].min(axis=0)
    right, base = thing.rings[0].max(axis=0)
    return float(left), float(upper), float(right), float(base)


def _upper_edge(layer: ThingView) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Distances and depths of a layer's upper face, from its near end to its far one."""
    ring = layer.rings[0]
    face = ring[ring[:, 1] < ring[:, 1].max() - 1e-9]
    face = face if len(face) else ring
    order = np.argsort(face[:, 0], kind="stable")
    return face[order, 0], face[order, 1]


def _overlap(one: Rectangle, other: Rectangle) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def soil_range(view: LineView) -> tuple[float, float]:
    """Permittivities between which the ground lies, a hundredth at either end left out."""
    below = view.permittivity[:, view.depth_m > 0.02]
    soil = below[below >= AIR]
    if not soil.size:
        return 1.0, 10.0
    low, high = (float(value) for value in np.quantile(soil, (0.01, 0.995)))
    return low, max(high, low + 0.5)


def _highest(view: LineView) -> float:
    """How far the highest thing stands above the ground, m."""
    return max(0.0, *(-float(ring[:, 1].min()) for thing in view.things for ring in thing.rings), 0.0)


def _extent(along: npt.NDArray[Any], down: npt.NDArray[Any]) -> tuple[float, float, float, float]:
    """Outer edges of cells around nodes, for a picture with its first row on top."""
    half_along, half_down = (0.5 * float(values[1] - values[0]) if len(values) > 1 else 0.5 for values in (along, down))
    return (
        float(along[0]) - half_along,
        float(along[-1]) + half_along,
        float(down[-1]) + half_down,
        float(down[0]) - half_down,
    )
