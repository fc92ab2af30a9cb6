"""Names on a map, each beside its outline and, as far as there is room, over nothing else that is drawn."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.patheffects import withStroke

from yewline.report.basemap import Basemap
from yewline.report.palette import PAPER

__all__ = ["draw_names", "place_names"]

SIZE_PT: Final = 6.5
STEPS: Final = (1.5, 5.0, 11.0, 19.0, 29.0)
"""Gaps between an outline and its name to be tried, in points; beyond the second a thin line joins them."""
DIRECTIONS: Final = tuple((math.cos(math.radians(a)), math.sin(math.radians(a))) for a in range(0, 360, 30))


def place_names(
    sizes: npt.NDArray[np.float64], outlines: Any, around: Any, page: tuple[float, float, float, float]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Middles for names, one after another, each where it covers least.

    Parameters
    ----------
    sizes : (H, 2) width and height of each name.
    outlines : (H,) what is named.
    around : (B,) other outlines that are better left free.
    page : x0, y0, x1, y1 that names stay inside. All in one unit, points say.

    Returns
    -------
    middles : (H, 2).
    apart : (H,) bool, names so far from their outline that a line should join them.

    Examples
    --------
    >>> two = shapely.box([0, 4], [0, 0], [3, 7], [9, 9])
    >>> middles, _ = place_names(np.full((2, 2), 5.0), two, [], (-50, -50, 50, 50))
    >>> bool(np.abs(middles[0] - middles[1]).max() >= 5.0)
    True
    """
    shapes, others = np.asarray(outlines, dtype=object), np.asarray(around, dtype=object)
    middles, apart = np.zeros((len(shapes), 2)), np.zeros(len(shapes), np.bool_)
    taken: list[shapely.Geometry] = []
    sheet = shapely.box(*page)
    held = [(shapely.STRtree(shapes), shapes, 2.0), (shapely.STRtree(others), others, 0.6)]
    for i, (shape, (wide, high)) in enumerate(zip(shapes, sizes, strict=True)):
        spots = _candidates(shape, wide, high)
        half = np.array([wide, high]) / 2
        boxes = shapely.box(*(spots - half).T, *(spots + half).T)
        size = wide * high
        cost = 0.05 * np.arange(len(spots)) / len(DIRECTIONS)
        cost += 20 * (1 - shapely.area(shapely.intersection(boxes, sheet)) / size)
        for tree, drawn, weight in held:
            box, hit = tree.query(boxes)
            np.add.at(cost, box, weight * shapely.area(shapely.intersection(boxes[box], drawn[hit])) / size)
        for other in taken:
            cost += 10 * shapely.area(shapely.intersection(boxes, other)) / size
        best = int(np.argmin(cost))
        middles[i], apart[i] = spots[best], best >= 2 * len(DIRECTIONS)
        taken.append(shapely.buffer(boxes[best], 0.6, join_style="mitre"))
    return middles, apart


def _candidates(shape: shapely.Geometry, wide: float, high: float) -> npt.NDArray[np.float64]:
    """Middles of a name around an outline's box, near ones first: at its sides and corners."""
    x0, y0, x1, y1 = shape.bounds
    middle, half = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), np.array([(x1 - x0 + wide) / 2, (y1 - y0 + high) / 2])
    out = []
    for gap in STEPS:
        for direction in np.array(DIRECTIONS):
            along = np.abs(direction)
            stretch = ((half + gap)[along > 1e-9] / along[along > 1e-9]).min()
            out.append(middle + stretch * direction)
    return np.array(out)


def draw_names(basemap: Basemap, names: list[str], outlines: Any, *, around: Any, colour: str) -> None:
    """Write a name beside each outline (site metres), once the map has its place and limits."""
    axes, to_points = basemap.axes, 72 / basemap.figure.dpi

    def on_paper(geometry: Any) -> Any:
        shapes = np.asarray(geometry, dtype=object)
        return shapely.transform(shapes, lambda xy: axes.transData.transform(xy) * to_points)

    # A bold digit is about 0.7 of the size wide and 0.75 high.
    sizes = np.array([[0.72 * SIZE_PT * max(len(name), 1), 0.85 * SIZE_PT] for name in names])
    box = axes.get_window_extent()
    page = (box.x0 * to_points, box.y0 * to_points, box.x1 * to_points, box.y1 * to_points)
    shapes = on_paper(outlines)
    middles, apart = place_names(sizes, shapes, on_paper(around), page)
    back = axes.transData.inverted()
    halo = [withStroke(linewidth=1.6, foreground=PAPER)]
    for name, middle, far, shape in zip(names, middles, apart, shapes, strict=True):
        if far:
            end = shapely.get_coordinates(shapely.shortest_line(shapely.Point(middle), shape))[1]
            ends = back.transform(np.array([middle, end]) / to_points)
            axes.plot(*ends.T, color=colour, linewidth=0.5, zorder=5.9, scalex=False, scaley=False)
        x, y = back.transform(middle / to_points)
        axes.text(
            x, y, name, fontsize=SIZE_PT, fontweight="bold", color=colour, ha="center", va="center_baseline",
            zorder=8, path_effects=halo, clip_on=True,
        )  # fmt: skip
