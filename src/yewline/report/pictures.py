"""A plotted figure as a picture that the page carries in itself."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure

from yewline.report.raster import data_uri, figure_png

__all__ = ["Picture", "make_picture"]


@dataclass(frozen=True, slots=True)
class Picture:
    """A plotted figure for the page."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


def make_picture(figure: Figure | None, alt: str, caption: str) -> Picture | None:
    """A figure with its words, or None where there is no figure."""
    if figure is None:
        return None
    png = figure_png(figure)
    width, height = (round(96 * inches) for inches in figure.get_size_inches())
    return Picture(data_uri(png), width, height, alt, caption)
