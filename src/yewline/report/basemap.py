"""What every map shares: axes of equal scale, "no data" ground, area outline, scale bar, north, footer, colour bar."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.ticker import ScalarFormatter

from yewline.report.palette import INK, MUTED, NO_DATA, NO_DATA_LINE, PAPER, colour_map
from yewline.report.words import FOOTER, RESTRICTED
from yewline.workspace.results import SiteResult

__all__ = [
    "NARROW_IN",
    "WIDE_IN",
    "Basemap",
    "Bounds",
    "draw_cells",
    "draw_outlines",
    "make_basemap",
    "no_data_key",
    "outline_path",
    "round_length",
    "world_bounds",
]

NARROW_IN, WIDE_IN = 4.7, 6.9
"""Widths of a figure: two beside each other on a page, or one alone with small writing on it."""
LEFT_IN, RIGHT_IN, TOP_IN, FOOT_IN = 0.55, 0.86, 0.34, 0.80

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Basemap:
    """A figure, its map axes, the axes of its colour bar, and paper axes in inches for everything around the map."""

    figure: Figure
    axes: Axes
    bar: Axes
    paper: Axes


def world_bounds(result: SiteResult) -> Bounds:
    """Bounds (x0, y0, x1, y1) that all maps share: the area and the slices of all visits, with a margin, m."""
    boxes = [] if result.area.is_empty else [result.area.bounds]
    for visit in result.visits:
        x, y = visit.slices["x"].values, visit.slices["y"].values
        boxes.append((float(x.min()), float(y.min()), float(x.max()), float(y.max())))
    x0, y0 = min(box[0] for box in boxes), min(box[1] for box in boxes)
    x1, y1 = max(box[2] for box in boxes), max(box[3] for box in boxes)
    pad = 0.03 * max(x1 - x0, y1 - y0, 1.0)
    return x0 - pad, y0 - pad, x1 + pad, y1 + pad


def outline_path(geometry: Any) -> Outline | None:
    """All rings of the polygons in `geometry` (one, or an array of them) as one path; None where there are none."""
    shapes = shapely.get_parts(np.atleast_1d(np.asarray(geometry, dtype=object)))
    polygons = [shape for shape in shapes if shape.geom_type == "Polygon" and not shape.is_empty]
    rings = [np.asarray(ring.coords)[:, :2] for s in polygons for ring in (s.exterior, *s.interiors)]
    if not rings:
        return None
    codes = [[Outline.MOVETO, *[Outline.LINETO] * (len(ring) - 2), Outline.CLOSEPOLY] for ring in rings]
    return Outline(np.concatenate(rings), np.concatenate(codes).astype(np.uint8))


def make_basemap(
    result: SiteResult, title: str, bounds: Bounds, keys: list[Any], *, width_in: float = WIDE_IN
) -> Basemap:
    """Start a map; to be called inside the drawing style's context.

    The ground is drawn as "no data", so that only what is measured and drawn later takes a colour. `keys` are the
    legend's handles, as many in a row as the width has room for.
    """
    x0, y0, x1, y1 = bounds
    columns = 2 if width_in < WIDE_IN else 3
    rows = -(-len(keys) // columns)
    foot = FOOT_IN + 0.165 * rows
    wide = width_in - LEFT_IN - RIGHT_IN
    tall = min(max(wide * (y1 - y0) / (x1 - x0), 1.7), 1.45 * wide)
    high = tall + TOP_IN + foot
    figure = Figure(figsize=(width_in, high))

    def place(left: float, bottom: float, width: float, height: float) -> tuple[float, float, float, float]:
        return left / width_in, bottom / high, width / width_in, height / high

    paper = figure.add_axes((0, 0, 1, 1), zorder=5)
    paper.set(xlim=(0, width_in), ylim=(0, high))
    paper.set_axis_off()
    axes = figure.add_axes(place(LEFT_IN, foot, wide, tall))
    bar = figure.add_axes(place(width_in - RIGHT_IN + 0.12, foot + 0.62, 0.13, max(tall - 0.62, 0.6)))
    # A very long or very narrow site keeps its scale and shows more ground around it.
    metres_per_inch = max((x1 - x0) / wide, (y1 - y0) / tall)
    around_x, around_y = metres_per_inch * wide / 2, metres_per_inch * tall / 2
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    axes.set(xlim=(x - around_x, x + around_x), ylim=(y - around_y, y + around_y))
    axes.set_ylabel(_axis_name(axes.yaxis, "y", y0))
    # The limits fit the box already: "box" changes nothing, and has nothing to say of limits that others have set.
    axes.set_aspect("equal", adjustable="box")
    axes.set_facecolor(NO_DATA)
    axes.patch.set(hatch="////", edgecolor=NO_DATA_LINE, linewidth=0.0)
    paper.text(LEFT_IN, high - 0.22, title, fontsize=9.5, fontweight="bold")
    area = outline_path(result.area)
    if area is not None:
        axes.add_artist(PathPatch(area, facecolor="none", edgecolor=MUTED, linewidth=1.0, zorder=2))
    _scale_bar(paper, width_in - RIGHT_IN, foot - 0.40, metres_per_inch, wide)
    _north(paper, width_in - RIGHT_IN + 0.32, foot + 0.19, result.settings.frame.bearing_of_y_deg())
    paper.text(LEFT_IN, foot - 0.40, _axis_name(axes.xaxis, "x", x0), fontsize=8.5)
    if keys:
        figure.legend(
            handles=keys, loc="lower left", bbox_to_anchor=place(LEFT_IN - 0.1, 0.30, 1, 1)[:2], ncols=columns,
            columnspacing=1.2, handlelength=1.9, handletextpad=0.6, borderaxespad=0.0, borderpad=0.1, labelspacing=0.35,
        )  # fmt: skip
    left = LEFT_IN if width_in >= WIDE_IN else 0.2
    paper.plot([left, width_in - 0.12], [0.25, 0.25], color=NO_DATA_LINE, linewidth=0.6)
    paper.text(left, 0.10, f"{RESTRICTED}. {FOOTER}", fontsize=7, color=MUTED)
    return Basemap(figure, axes, bar, paper)


def _axis_name(axis: Axis, name: str, low: float) -> str:
    """The axis' name; large coordinates, such as eastings, are counted from a round number that the name gives."""
    origin = 0.0 if abs(low) < 10_000 else math.floor(low / 1000) * 1000.0
    ticks = ScalarFormatter(useOffset=origin)
    axis.set_major_formatter(ticks)
    axis.get_offset_text().set_visible(False)
    return f"{name} (m)" if origin == 0 else f"{name} − {origin:,.0f} (m)"


def _scale_bar(paper: Axes, right: float, base: float, metres_per_inch: float, wide: float) -> None:
    length = round_length(0.28 * wide * metres_per_inch)
    inches = length / metres_per_inch
    for part, colour in enumerate((INK, PAPER)):
        left = right - inches + part * inches / 2
        paper.add_patch(Rectangle((left, base), inches / 2, 0.055, facecolor=colour, edgecolor=INK, linewidth=0.7))
    paper.text(right - inches - 0.07, base - 0.015, f"{length:g} m", ha="right", fontsize=8)


def round_length(about: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above `about`."""
    power = 10.0 ** math.floor(math.log10(about))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= about * (1 + 1e-9))


def _north(paper: Axes, x: float, y: float, bearing_of_y_deg: float) -> None:
    """An arrow to north: turned anticlockwise from the page's up by the bearing of the site's +y axis."""
    turn = math.radians(bearing_of_y_deg)
    dx, dy = -math.sin(turn), math.cos(turn)
    paper.annotate(
        "",
        xy=(x + 0.19 * dx, y + 0.19 * dy),
        xytext=(x - 0.19 * dx, y - 0.19 * dy),
        arrowprops={
            "arrowstyle": "-|>,head_length=0.55,head_width=0.22",
            "color": INK,
            "linewidth": 1.0,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )
    paper.text(x + 0.29 * dx, y + 0.29 * dy, "N", ha="center", va="center", fontsize=8, fontweight="bold")


def draw_cells(
    basemap: Basemap,
    values: npt.NDArray[np.floating[Any]],
    x: npt.NDArray[np.float64],
    y: npt.NDArray[np.float64],
    *,
    scale: str,
    limits: tuple[float, float],
    label: str,
) -> AxesImage:
    """Draw cells (Y, X) by their centres, blank where NaN, with a colour bar that says what was clipped."""
    dx = float(x[1] - x[0]) if len(x) > 1 else 1.0
    dy = float(y[1] - y[0]) if len(y) > 1 else dx
    view = basemap.axes.get_xlim(), basemap.axes.get_ylim()
    image = basemap.axes.imshow(
        np.ma.masked_invalid(values),
        origin="lower",
        extent=(float(x[0]) - dx / 2, float(x[-1]) + dx / 2, float(y[0]) - dy / 2, float(y[-1]) + dy / 2),
        cmap=colour_map(scale),
        vmin=limits[0],
        vmax=limits[1],
        interpolation="nearest",
        aspect="equal",
        zorder=1,
    )
    basemap.axes.set(xlim=view[0], ylim=view[1])
    known = values[np.isfinite(values)]
    clipped = bool(len(known)) and float(known.max()) > limits[1] * (1 + 1e-6)
    basemap.figure.colorbar(image, cax=basemap.bar, extend="max" if clipped else "neither", extendfrac=0.04)
    basemap.bar.set_title(label, fontsize=7.5, fontweight="normal", loc="left", pad=7 if clipped else 5)
    return image


def draw_outlines(axes: Axes, geometry: Any, *, colour: str, width: float, style: Any = "-", zorder: float = 4) -> None:
    """Outlines with a white edge beneath, so that they show on light and on dark ground."""
    path = outline_path(geometry)
    if path is None:
        return
    # As artists, not patches: the map's limits stand, and to look for new ones in every vertex is slow.
    axes.add_artist(
        PathPatch(path, facecolor="none", edgecolor=PAPER, linewidth=width + 1.0, alpha=0.85, zorder=zorder)
    )
    axes.add_artist(
        PathPatch(path, facecolor="none", edgecolor=colour, linewidth=width, linestyle=style, zorder=zorder + 0.1)
    )


def no_data_key() -> Patch:
    """The legend's handle for ground without data."""
    return Patch(facecolor=NO_DATA, edgecolor=NO_DATA_LINE, hatch="////", label="no data")


def line_key(label: str, **look: Any) -> Line2D:
    """A legend's handle drawn as a line or mark."""
    return Line2D([], [], label=label, **look)
