"""Pictures as bytes: arrays through a table of colours, and figures, both to PNG without clock or names in them."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from yewline._check import check_array
from yewline.errors import InputError
from yewline.report.palette import bytes_of

__all__ = ["BLANK", "data_uri", "figure_png", "palette_png", "shrink", "to_index"]

BLANK = 255
"""The index that stands for "no data" and is transparent."""


def to_index(values: npt.ArrayLike, low: float, high: float, *, levels: int = 255) -> npt.NDArray[np.uint8]:
    """Values (Y, X) to indices of a colour table: `low` to 0, `high` to 254, beyond clipped, NaN to `BLANK`.

    With fewer `levels` the indices are spread over the same table, which makes smaller files.

    Examples
    --------
    >>> to_index([[0.0, 1.0, float("nan"), 7.0]], 0.0, 2.0).tolist()
    [[0, 127, 255, 254]]
    """
    array = check_array(values, "values", ndim=2, dtype=np.float32, finite=False)
    if not high > low:
        high = low + 1.0
    if not 2 <= levels <= 255:
        raise InputError("levels must lie between 2 and 255", received=levels)
    unit = np.clip((array - low) / (high - low), 0.0, 1.0)
    known = np.isfinite(unit)
    step = np.rint(np.where(known, unit, 0.0) * (levels - 1)) * (254.0 / (levels - 1))
    return np.where(known, np.rint(step), BLANK).astype(np.uint8)


def palette_png(index: npt.NDArray[np.uint8], scale: str) -> bytes:
    """Indices (Y, X), first row on top, as a PNG with 256 colours; `BLANK` is transparent.

    Examples
    --------
    >>> palette_png(np.zeros((2, 3), np.uint8), "broc")[:4]
    b'\\x89PNG'
    """
    image = Image.fromarray(index)
    table = bytes_of(scale).copy()
    table[BLANK] = 255
    image.putpalette(table.tobytes())
    out = io.BytesIO()
    image.save(out, format="PNG", compress_level=6, transparency=BLANK)
    return out.getvalue()


def shrink(amplitude: npt.NDArray[np.float32], *, most_rows: int, most_columns: int) -> npt.NDArray[np.float32]:
    """Means over whole blocks, so that an array (N, M) has at most the given numbers of rows and columns.

    The last block is shorter where the division leaves a rest. Means keep narrow events, which picking would lose.

    Examples
    --------
    >>> shrink(np.arange(5, dtype=np.float32).reshape(1, 5), most_rows=1, most_columns=3).tolist()
    [[0.5, 2.5, 4.0]]
    """
    out: npt.NDArray[Any] = amplitude
    for axis, most in ((0, most_rows), (1, most_columns)):
        size = out.shape[axis]
        block = -(-size // most)
        if block > 1:
            starts = np.arange(0, size, block)
            counts = np.diff(np.append(starts, size)).astype(np.float32)
            total = np.add.reduceat(out, starts, axis=axis, dtype=np.float32)
            out = total / (counts[:, None] if axis == 0 else counts)
    return out


def figure_png(figure: Figure, *, dpi: int = 150) -> bytes:
    """A figure as PNG; the same figure gives the same bytes."""
    canvas = FigureCanvasAgg(figure)
    figure.set_dpi(dpi)
    canvas.draw()  # type: ignore[no-untyped-call]
    out = io.BytesIO()
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    Image.fromarray(np.ascontiguousarray(pixels[..., :3])).save(out, format="PNG", compress_level=6)
    return out.getvalue()


def data_uri(png: bytes) -> str:
    """A PNG as an address that carries the picture itself."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
