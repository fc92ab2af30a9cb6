"""The wave of one trace on its way through a section, as an animation in 256 colours.

Everything that stands still is drawn once; a frame is the field, as indices of one palette, laid into it. Colours of
the field and of the ground multiply, so that the ground shows through where the wave is weak.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import ListedColormap, Normalize
from matplotlib.figure import Figure
from PIL import Image, ImageDraw, ImageFont

from yewline.report.palette import AMPLITUDE, INK, MUTED, STYLE, colour_table
from yewline.report.sections import AIR, draw_things, soil_range
from yewline.workspace import LineView

__all__ = ["film_gif"]

Bytes = npt.NDArray[np.uint8]
Box = tuple[int, int, int, int]

_DECADES: Final = 2.0
_GROUNDS, _FIELDS, _GREYS = 5, 41, 32
"""Shades of the ground, colours of the field, and greys of lines and letters: together less than 256."""
_PALEST, _DARKEST = 0.97, 0.76
_DPI: Final = 100
_WIDE, _LEFT, _MODEL_WIDE, _TRACE_LEFT, _TRACE_WIDE, _BAR_LEFT, _BAR_WIDE = 10.0, 0.62, 6.3, 7.5, 0.95, 8.9, 0.13
_TOP, _FOOT, _MODEL_LOWEST, _MODEL_HIGHEST = 0.78, 0.52, 2.2, 5.4
"""Inches."""
_FRAME_MS, _LAST_MS = 80, 1_500
_TRACE_SHARE: Final = 0.2


def film_gif(view: LineView) -> bytes:
    """An animated GIF of a shot: the field over the ground, and beside it what the receiver hears.

    Parameters
    ----------
    view : from `yewline.workspace.view_line`.

    Returns
    -------
    The bytes of the file; the same view gives the same bytes.

    Notes
    -----
    The field is drawn on a logarithmic scale of two decades to either side, up to the direct wave at the receiver:
    waves grow a hundred times weaker on their way, and all of them are to be seen. What is weaker still is not drawn.
    """
    with rc_context(STYLE):
        figure, model, trace = _still_figure(view)
        still = _pixels_of(figure)
        lines = _pixels_of(_figure_of_lines(view, figure, model))
    box, beside = (_box_of(axes, still.shape) for axes in (model, trace))
    palette = _palette()
    page = _nearest(still, palette)
    top, bottom, left, right = box
    ground = _resized(_shades(view), box)
    ink = _ink_of(lines[top:bottom, left:right])
    letters = ImageFont.truetype(str(Path(mpl.get_data_path(), "fonts", "ttf", "DejaVuSans-Bold.ttf")), 15)
    frames = []
    for time_ns, field in zip(view.shot.time_ns, view.shot.field, strict=True):
        index = page.copy()
        shown = np.clip(np.rint(ground), 0, _GROUNDS - 1).astype(np.int64) * _FIELDS + _field_index(field, box)
        index[top:bottom, left:right] = np.where(ink == _CLEAR, shown, ink)
        picture = Image.fromarray(index)
        picture.putpalette(palette.tobytes())
        pen = ImageDraw.Draw(picture)
        pen.text((left, top - round(0.3 * _DPI)), f"{time_ns:.1f} ns", font=letters, fill=_INK)
        _draw_clock(pen, view, beside, float(time_ns))
        frames.append(picture)
    out = io.BytesIO()
    shown_ms = [_FRAME_MS] * (len(frames) - 1) + [_LAST_MS]
    frames[0].save(
        out, format="GIF", save_all=True, append_images=frames[1:], duration=shown_ms, loop=0, optimize=False
    )
    return out.getvalue()


_CLEAR: Final = 255
"""Where no line and no letter lies over the field."""
_KEY: Final = (1.0, 0.0, 1.0)
"""A colour that nothing is drawn in, under the lines: what has it is clear."""
_WHITE: Final = _GROUNDS * _FIELDS + _GREYS - 1
_INK: Final = _GROUNDS * _FIELDS


def _palette() -> Bytes:
    """(256, 3): for each shade of the ground all colours of the field, then the greys from black to white."""
    at = np.linspace(0, 255, _FIELDS).round().astype(np.int64)
    field = colour_table(AMPLITUDE)[at]
    # The scale's middle is not quite white; the ground shows there as it is.
    field = field / field[_FIELDS // 2]
    shades = np.linspace(_PALEST, _DARKEST, _GROUNDS)
    colours = np.clip(shades[:, None, None] * field[None], 0.0, 1.0).reshape(-1, 3)
    greys = np.repeat(np.linspace(0.0, 1.0, _GREYS)[:, None], 3, axis=1)
    whole = np.zeros((256, 3))
    whole[: len(colours)] = colours
    whole[len(colours) : len(colours) + _GREYS] = greys
    return np.round(255 * whole).astype(np.uint8)


def _field_colours() -> ListedColormap:
    """The colours of the field over the palest ground, for the scale beside it."""
    return ListedColormap(_palette()[:_FIELDS] / 255.0)


def _still_figure(view: LineView) -> tuple[Figure, Axes, Axes]:
    """All that does not move: axes, words, the scale, and the trace that the receiver hears."""
    shot = view.shot
    high = _model_high(view)
    total = _TOP + high + _FOOT
    figure = Figure(figsize=(_WIDE, total))
    rows = _FOOT / total, high / total
    model = figure.add_axes((_LEFT / _WIDE, rows[0], _MODEL_WIDE / _WIDE, rows[1]))
    trace = figure.add_axes((_TRACE_LEFT / _WIDE, rows[0], _TRACE_WIDE / _WIDE, rows[1]))
    bar = figure.add_axes((_BAR_LEFT / _WIDE, rows[0], _BAR_WIDE / _WIDE, rows[1]))
    _frame(model, view)
    model.set_xlabel("distance along the line, m")
    model.set_ylabel("depth, m")
    figure.text(
        _LEFT / _WIDE,
        1.0 - 0.2 / total,
        f"{view.scene}, {view.day}, line {view.line}: a wave of the {view.centre_mhz:g} MHz antennas (simulated)",
        fontsize=10.5,
        fontweight="bold",
        va="center",
    )
    figure.text(
        (_LEFT + _MODEL_WIDE) / _WIDE, rows[0] + rows[1] + 0.16 / total, "▼ transmitter   ▲ receiver", ha="right"
    )
    trace.plot(100 * shot.heard, shot.heard_ns, color=INK, linewidth=0.9)
    trace.set_ylim(float(shot.time_ns[-1]), float(shot.time_ns[0]))
    trace.set_xlim(-100 * _TRACE_SHARE, 100 * _TRACE_SHARE)
    trace.set_xticks([0])
    trace.axvline(0.0, color=MUTED, linewidth=0.5)
    trace.set_ylabel("time, ns", labelpad=2)
    trace.set_xlabel(f"±{100 * _TRACE_SHARE:.0f} %")
    trace.set_title("received", fontsize=8.5, fontweight="normal")
    scale = mpl.cm.ScalarMappable(Normalize(-_DECADES, _DECADES), _field_colours())
    drawn = figure.colorbar(scale, cax=bar, label="electric field, share of the direct wave received")
    drawn.set_ticks([-2, -1, 0, 1, 2])
    drawn.set_ticklabels(["−1", "−0.1", "±0.01", "0.1", "1"])
    return figure, model, trace


def _figure_of_lines(view: LineView, page: Figure, model: Axes) -> Figure:
    """Outlines and antennas alone, where the model lies on the page, over the clear colour."""
    shot = view.shot
    figure = Figure(figsize=(_WIDE, float(page.get_size_inches()[1])), facecolor=_KEY)
    axes = figure.add_axes(model.get_position().bounds, facecolor=_KEY)
    _frame(axes, view)
    draw_things(axes, view.things, (float(shot.distance_m[0]), float(shot.distance_m[-1])))
    for marker, (along, depth) in (("v", shot.source_m), ("^", shot.receiver_m)):
        axes.plot(along, depth, marker=marker, markersize=6, color=INK, linestyle="none", clip_on=False)
    return figure


def _frame(axes: Axes, view: LineView) -> None:
    shot = view.shot
    axes.set_xlim(float(shot.distance_m[0]), float(shot.distance_m[-1]))
    axes.set_ylim(float(shot.depth_m[-1]), float(shot.depth_m[0]))


def _model_high(view: LineView) -> float:
    along, down = (float(np.ptp(nodes)) for nodes in (view.shot.distance_m, view.shot.depth_m))
    return min(max(_MODEL_WIDE * down / max(along, 1e-6), _MODEL_LOWEST), _MODEL_HIGHEST)


def _pixels_of(figure: Figure) -> Bytes:
    canvas = FigureCanvasAgg(figure)
    figure.set_dpi(_DPI)
    canvas.draw()  # type: ignore[no-untyped-call]
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    return np.ascontiguousarray(pixels[..., :3])


def _box_of(axes: Axes, shape: tuple[int, ...]) -> Box:
    """Rows and columns (top, bottom, left, right) of the pixels inside axes."""
    place = axes.get_position()
    rows, columns = shape[:2]
    top, bottom = round(rows * (1.0 - place.y1)), round(rows * (1.0 - place.y0))
    return top, bottom, round(columns * place.x0) + 1, round(columns * place.x1)


def _nearest(pixels: Bytes, palette: Bytes) -> Bytes:
    """Indices of the nearest colours, looked up once for each colour that there is."""
    packed = pixels.reshape(-1, 3).astype(np.int64) @ np.array([65536, 256, 1])
    colours, which = np.unique(packed, return_inverse=True)
    parts = np.stack([colours >> 16, (colours >> 8) & 255, colours & 255], axis=1)
    used = palette[: _WHITE + 1].astype(np.int64)
    nearest = ((parts[:, None, :] - used[None]) ** 2).sum(axis=2).argmin(axis=1)
    # White paper is to be the grey that is white, however pale the ground gets.
    nearest[(parts == 255).all(axis=1)] = _WHITE
    return nearest[which].reshape(pixels.shape[:2]).astype(np.uint8)


def _ink_of(pixels: Bytes) -> Bytes:
    """Greys of lines and letters, with the pale rim that lets letters be read on any ground; clear elsewhere."""
    red, green = (pixels[..., channel].astype(np.float64) / 255.0 for channel in (0, 1))
    clear = red - green
    grey = np.clip(green / np.maximum(1.0 - clear, 1e-6), 0.0, 1.0)
    index = _INK + np.rint(grey * (_GREYS - 1))
    return np.where(clear > 0.5, _CLEAR, index).astype(np.uint8)


def _shades(view: LineView) -> npt.NDArray[np.float32]:
    """(X, Z) place of each node among the shades of the ground; air is the palest."""
    low, high = soil_range(view)
    share = np.clip((view.shot.permittivity - low) / (high - low), 0.0, 1.0)
    shade = 1.0 + share * (_GROUNDS - 2)
    return np.where(view.shot.permittivity < AIR, 0.0, shade).astype(np.float32)


def _field_index(field: npt.NDArray[np.float32], box: Box) -> npt.NDArray[np.int64]:
    shown = _resized(field, box)
    grown = np.clip(1.0 + np.log10(np.maximum(np.abs(shown), 1e-12)) / _DECADES, 0.0, 1.0)
    middle = _FIELDS // 2
    return np.asarray(middle + np.rint(middle * np.sign(shown) * grown), np.int64)


def _resized(values: npt.NDArray[np.float32], box: Box) -> npt.NDArray[np.float32]:
    """Nodes (X, Z) as pixels (rows, columns) of a box."""
    top, bottom, left, right = box
    picture = Image.fromarray(np.ascontiguousarray(values.T, np.float32))
    return np.asarray(picture.resize((right - left, bottom - top), Image.Resampling.BILINEAR))


def _draw_clock(pen: ImageDraw.ImageDraw, view: LineView, box: Box, time_ns: float) -> None:
    """A line across the received trace at the frame's time."""
    top, bottom, left, right = box
    first, last = float(view.shot.time_ns[0]), float(view.shot.time_ns[-1])
    at = round(top + (bottom - top) * (time_ns - first) / max(last - first, 1e-9))
    pen.line((left, at, right, at), fill=_GROUNDS * _FIELDS + _GREYS // 2)
