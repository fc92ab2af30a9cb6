"""Colours, marks and the drawing style of all figures: perceptually even scales, nothing told by colour alone.

The scales' values come from the data files of the `cmcrameri` package; the package itself is not imported, because
that would load the interactive half of Matplotlib with its global state.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.colors import Colormap, ListedColormap

__all__ = [
    "AMPLITUDE",
    "BURIAL",
    "DEPTH_ERROR",
    "HOTSPOT",
    "INK",
    "LINK",
    "MOISTURE",
    "MUTED",
    "NO_DATA",
    "NO_DATA_LINE",
    "OTHER",
    "PAPER",
    "STRENGTH",
    "STYLE",
    "TRUSTED",
    "bytes_of",
    "colour_map",
    "colour_table",
]

STRENGTH: Final = "devon_r"
"""Strength on slices: near white where weak, dark where strong."""
MOISTURE: Final = "imola_r"
"""Water content: yellow where dry, blue where wet."""
DEPTH_ERROR: Final = "acton_r"
"""Error of depth: pale where small, dark where large."""
TRUSTED: Final = "bamako_r"
"""Depth that can be trusted: pale where shallow, dark where deep."""
AMPLITUDE: Final = "broc"
"""Radargrams: diverging, white at zero."""

INK: Final = "#1d2429"
MUTED: Final = "#5a646b"
PAPER: Final = "#ffffff"
NO_DATA: Final = "#ececea"
NO_DATA_LINE: Final = "#bcbcb8"
# Blue, vermilion and black of Okabe & Ito's set for colour-blind readers; each also has a mark or line of its own.
HOTSPOT: Final = "#d55e00"
BURIAL: Final = "#000000"
LINK: Final = "#000000"
OTHER: Final = "#0072b2"

# Matplotlib's own type for such settings names every key there is.
STYLE: Final[Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 8.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "hatch.linewidth": 0.6,
    "hatch.color": NO_DATA_LINE,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "text.parse_math": False,
    "axes.unicode_minus": True,
}
"""Drawing settings, applied with `matplotlib.rc_context` only while a figure is made."""


@cache
def colour_table(name: str) -> npt.NDArray[np.float64]:
    """The 256 colours (256, 3), from 0 to 1, of a scale; a name ending in ``_r`` is the scale reversed.

    Examples
    --------
    >>> colour_table("broc").shape
    (256, 3)
    """
    spec = find_spec("cmcrameri")
    if spec is None or spec.submodule_search_locations is None:  # a broken installation
        raise ModuleNotFoundError("the package cmcrameri is not installed")
    folder = Path(next(iter(spec.submodule_search_locations))) / "cmaps"
    table = np.loadtxt(folder / f"{name.removesuffix('_r')}.txt", dtype=np.float64)
    return table[::-1].copy() if name.endswith("_r") else table


def colour_map(name: str) -> Colormap:
    """A scale as a colour map whose blank cells are transparent: the ground below shows that there is no data."""
    return ListedColormap(colour_table(name), name=name).with_extremes(bad=(0.0, 0.0, 0.0, 0.0))


def bytes_of(name: str) -> npt.NDArray[np.uint8]:
    """The colours (256, 3) of a scale as bytes."""
    return np.round(colour_table(name) * 255).astype(np.uint8)
