"""Panels of the pictures in docs/processing.md: radargrams, spectra and curves in the report's colours."""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import Normalize, to_rgb
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from picture_lines import View
from PIL import Image

from yewline.report.palette import AMPLITUDE, HOTSPOT, INK, MUTED, OTHER, STRENGTH, STYLE, colour_map, colour_table

__all__ = [
    "AFTER",
    "BEFORE",
    "CHOICES",
    "SEQUENTIAL",
    "Panel",
    "Plate",
    "clip_of",
    "curve",
    "draw",
    "level_by_time",
    "one_trace",
    "save",
    "spectrum",
    "styled",
]

DPI = 100
WIDE_IN = 10.0
LEVELS = 28
"""Steps of a colour scale in a file: enough for the eye, and a third of the size."""
BEFORE, AFTER = MUTED, HOTSPOT
"""Grey and dashed before, vermilion and full after: told apart without colour, too."""

Floats = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Panel:
    """One radargram: what is shown, its title, and how its colours run.

    Attributes
    ----------
    view : samples with their axes.
    title : a few words.
    low, high : ends of the colour scale; left out, those of the plate.
    scale : name of the colour scale.
    velocity : for a second axis in metres of depth, m/ns.
    """

    view: View
    title: str
    low: float | None = None
    high: float | None = None
    scale: str = AMPLITUDE
    velocity: float | None = None


class Plate:
    """One picture: panels from left to right, in one or more rows, saved in the house's look."""

    def __init__(
        self, widths: Sequence[float], *, high_in: float = 3.3, rows: int = 1, heights: Sequence[float] | None = None
    ) -> None:
        self.figure = Figure(figsize=(WIDE_IN, high_in), dpi=DPI, layout="constrained")
        FigureCanvasAgg(self.figure)
        self.figure.get_layout_engine().set(w_pad=0.06, h_pad=0.06)
        grid = self.figure.add_gridspec(rows, len(widths), width_ratios=widths, height_ratios=heights)
        self.axes = [[self.figure.add_subplot(grid[row, at]) for at in range(len(widths))] for row in range(rows)]

    def row(self, number: int = 0) -> list[Axes]:
        """The axes of one row."""
        return self.axes[number]

    def bar(self, image: AxesImage, axes: Sequence[Axes], label: str) -> None:
        """A slim scale beside the panels that share it."""
        bar = self.figure.colorbar(image, ax=list(axes), shrink=0.86, aspect=32, pad=0.012)
        bar.set_label(label, fontsize=7.5)
        bar.ax.tick_params(labelsize=7, width=0.5, length=2)
        bar.outline.set_linewidth(0.5)


def clip_of(*views: View, share: float = 0.985) -> float:
    """One end of the colour scale for all of them: the quantile of the first view's samples."""
    values = np.abs(views[0].values)
    found = float(np.quantile(values[np.isfinite(values)], share))
    return found if found > 0 else 1.0


def draw(ax: Axes, panel: Panel, clip: float, *, first: bool, unit: str = "time, ns") -> AxesImage:
    """A radargram with time downward and distance along."""
    view = panel.view
    low, high = (-clip if panel.low is None else panel.low), (clip if panel.high is None else panel.high)
    half = 0.5 * (view.distance_m[1] - view.distance_m[0])
    extent = (view.distance_m[0] - half, view.distance_m[-1] + half, view.time_ns[-1], view.time_ns[0])
    image = ax.imshow(
        view.values.T,
        extent=extent,
        aspect="auto",
        cmap=colour_map(panel.scale),
        norm=Normalize(low, high),
        interpolation="nearest",
    )
    ax.set_title(panel.title)
    ax.set_xlabel("distance, m")
    if first:
        ax.set_ylabel(unit)
    else:
        ax.tick_params(labelleft=False)
    if panel.velocity is not None:
        half_speed = 0.5 * panel.velocity
        deep = ax.secondary_yaxis("right", functions=(lambda t: t * half_speed, lambda d: d / half_speed))
        deep.set_ylabel("depth, m")
        deep.tick_params(labelsize=8, width=0.7)
        deep.spines["right"].set_visible(True)
    return image


def spectrum(ax: Axes, before: View, after: View, *, top_mhz: float = 900.0) -> None:
    """Mean amplitude spectra of before and after, dB of the highest of before."""
    reference = None
    for view, colour, style, name in ((before, BEFORE, "--", "before"), (after, AFTER, "-", "after")):
        level = np.abs(np.fft.rfft(view.values, 4 * view.values.shape[1], axis=1)).mean(axis=0)
        reference = float(level.max()) if reference is None else reference
        db = 20 * np.log10(np.maximum(level, 1e-9 * reference) / reference)
        step = float(view.time_ns[1] - view.time_ns[0])
        frequency = 1e3 * np.fft.rfftfreq(4 * view.values.shape[1], step)
        ax.plot(frequency, db, color=colour, linestyle=style, linewidth=1.3, label=name)
    ax.set(xlim=(0, top_mhz), ylim=(-60, 12), xlabel="frequency, MHz", ylabel="level, dB", title="Spectrum")
    ax.legend(loc="upper right")


def one_trace(ax: Axes, before: View, after: View, at_m: float) -> None:
    """The trace nearest to a place, before and after, over time running down."""
    size = float(np.abs(before.values).max())
    for view, is_after in ((before, False), (after, True)):
        trace = view.values[int(np.abs(view.distance_m - at_m).argmin())]
        curve(ax, trace / size, view.time_ns, name="after" if is_after else "before", after=is_after)
    ax.set(
        ylim=(after.time_ns[-1], after.time_ns[0]), xlabel="amplitude", ylabel="time, ns", title=f"Trace at {at_m:g} m"
    )
    ax.legend(loc="lower right")


def level_by_time(ax: Axes, before: View, after: View) -> None:
    """Root mean square over traces by time, dB below its highest."""
    for view, is_after in ((before, False), (after, True)):
        level = 10 * np.log10(np.maximum((view.values.astype(np.float64) ** 2).mean(axis=0), 1e-12))
        curve(ax, level - level.max(), view.time_ns, name="after" if is_after else "before", after=is_after)
    ax.set(xlim=(-62, 3), ylim=(before.time_ns[-1], 0.0))
    ax.set(xlabel="level, dB below its highest", ylabel="time, ns", title="Level by time")
    ax.legend(loc="upper left")


def curve(ax: Axes, x: Floats, y: Floats, *, name: str, after: bool) -> None:
    """A curve of before (grey, dashed) or after (vermilion)."""
    ax.plot(x, y, color=AFTER if after else BEFORE, linestyle="-" if after else "--", linewidth=1.3, label=name)


def save(plate: Plate, path: Path) -> int:
    """Write the picture with few colours; its size in bytes."""
    raw = io.BytesIO()
    plate.figure.savefig(raw, format="png", dpi=DPI, metadata={"Software": None})
    raw.seek(0)
    few = Image.open(raw).convert("RGB").quantize(palette=_palette(plate), dither=Image.Dither.NONE)
    few.save(path, format="PNG", optimize=True)
    return path.stat().st_size


def _palette(plate: Plate) -> Image.Image:
    """The colours of the scales that are shown, and those of lines and letters with their soft edges."""
    scales = {image.get_cmap().name for row in plate.axes for ax in row for image in ax.get_images()}
    colours = [np.array([[1.0, 1.0, 1.0]])]
    colours += [colour_table(name)[np.linspace(0, 255, LEVELS).astype(int)] for name in sorted(scales)]
    for name, shades in ((INK, 6), (MUTED, 4), (HOTSPOT, 6), (OTHER, 4)):
        share = np.linspace(0, 1, shades + 1)[1:, None]
        colours.append(1 - share + share * np.array(to_rgb(name)))
    flat = np.round(255 * np.concatenate(colours)).astype(np.uint8)
    held = Image.new("P", (1, 1))
    held.putpalette(flat.reshape(-1).tolist())
    return held


def styled() -> AbstractContextManager[None]:
    """The drawing settings of the report's figures."""
    return rc_context(STYLE)


CHOICES = (INK, HOTSPOT, OTHER)
SEQUENTIAL = STRENGTH
