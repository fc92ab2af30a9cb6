"""Maps of the chosen slice: strength, hotspots, known burials, and the lines between their centroids."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from yewline.model import centroids
from yewline.report.basemap import (
    Bounds,
    draw_cells,
    draw_outlines,
    line_key,
    make_basemap,
    no_data_key,
)
from yewline.report.hotspots import longer_than_grave, other_rule
from yewline.report.names import draw_names
from yewline.report.palette import BURIAL, HOTSPOT, LINK, MUTED, OTHER, PAPER, STRENGTH, STYLE
from yewline.report.words import depth_label, own_name, short_name
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["links", "strength_limits", "visit_map"]

MOST_LABELS: Final = 60
"""Above this many names a map is unreadable; the tables hold them all."""
LONGEST_LINK_M: Final = 3.0
"""A line to the nearest burial, where there is no match, says little when it is longer, and hides much."""
LONG_DASH: Final = (0, (7, 1.6, 1.6, 1.6))


def strength_limits(result: SiteResult, *, every_slice: bool = False) -> tuple[float, float]:
    """One range of strength for all visits: lowest to 99.5th percentile of the chosen, or of all, slices."""
    parts = []
    for visit in result.visits:
        values = visit.slices["strength"].values
        values = values if every_slice else values[visit.chosen]
        parts.append(values[np.isfinite(values)])
    known = np.concatenate(parts) if parts else np.zeros(0)
    if not len(known):
        return 0.0, 1.0
    low, high = (float(q) for q in np.quantile(known, [0.0, 0.995]))
    return low, high if high > low else low + 1.0


def links(visit: VisitResult, burials: gpd.GeoDataFrame) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Lines from each hotspot's centroid to a burial's: its match, or else the nearest.

    Returns
    -------
    ends : (H, 2, 2) site metres, hotspot first.
    matched : (H,) bool.
    """
    if (
        visit.score is None
        or not len(visit.scored)
        or not len(burials)
        or visit.score.hotspot_to_burial.nearest.min() < 0
    ):
        return np.zeros((0, 2, 2)), np.zeros(0, np.bool_)
    spots, graves = centroids(visit.scored), centroids(burials)
    partner = np.array(visit.score.hotspot_to_burial.nearest, dtype=np.intp)
    matched = np.zeros(len(spots), np.bool_)
    for hotspot, burial in visit.score.matches:
        partner[hotspot], matched[hotspot] = burial, True
    return np.stack([spots, graves[partner]], axis=1), matched


def visit_map(result: SiteResult, visit: VisitResult, *, bounds: Bounds, limits: tuple[float, float]) -> Figure:
    """One visit's chosen slice with everything that is scored drawn on it."""
    ends, matched = links(visit, result.burials)
    shown = _shown(ends, matched)
    with mpl.rc_context(STYLE):
        title = f"{short_name(visit.name, 26)} · {depth_label(visit, visit.chosen)}"
        basemap = make_basemap(result, title, bounds, _keys(result, visit, matched[shown]))
        axes = basemap.axes
        cells = visit.slices["strength"].values[visit.chosen]
        draw_cells(
            basemap, cells, visit.slices["x"].values, visit.slices["y"].values, scale=STRENGTH, limits=limits,
            label="strength\n(relative)",
        )  # fmt: skip
        if result.settings.primary.rule == "noise" and not len(visit.drawn):
            level = visit.noise[0] + result.settings.primary.threshold * visit.noise[1]
            if limits[0] <= level <= limits[1]:
                basemap.bar.axhline(level, color=HOTSPOT, linewidth=1.6)
        draw_outlines(axes, result.opened.geometry.values, colour=MUTED, width=0.9, style=":", zorder=3)
        draw_outlines(axes, result.burials.geometry.values, colour=BURIAL, width=1.0, zorder=4)
        draw_outlines(axes, other_rule(result, visit)[0].geometry.values, colour=OTHER, width=0.8, style="--", zorder=5)
        _draw_links(axes, ends[shown], matched[shown])
        shapes, long = visit.scored.geometry.values, longer_than_grave(result, visit.scored)
        draw_outlines(axes, shapes[~long], colour=HOTSPOT, width=1.5, zorder=6)
        draw_outlines(axes, shapes[long], colour=HOTSPOT, width=1.5, style=LONG_DASH, zorder=6)
        _draw_marks(axes, result.burials, "+", BURIAL, 6.5)
        _draw_marks(axes, visit.scored, "o", HOTSPOT, 6.6)
        if 0 < len(visit.scored) <= MOST_LABELS:
            names = [short_name(own_name(str(name), visit.name), 8) for name in visit.scored["hotspot"]]
            draw_names(
                basemap, names, visit.scored.geometry.values, around=result.burials.geometry.values, colour=HOTSPOT
            )
        return basemap.figure


def _shown(ends: npt.NDArray[np.float64], matched: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which links are drawn: matches, and others that are short."""
    return np.asarray(matched | (np.hypot(*(ends[:, 1] - ends[:, 0]).T) <= LONGEST_LINK_M), dtype=np.bool_)


def _draw_links(axes: Axes, ends: npt.NDArray[np.float64], matched: npt.NDArray[np.bool_]) -> None:
    for which, style, width in ((matched, "-", 1.3), (~matched, (0, (2.5, 1.8)), 0.9)):
        lines: Any = list(ends[which])
        axes.add_collection(
            LineCollection(lines, colors=PAPER, linewidths=width + 0.8, alpha=0.8, zorder=6.3), autolim=False
        )
        axes.add_collection(
            LineCollection(lines, colors=LINK, linewidths=width, linestyles=[style], zorder=6.4), autolim=False
        )


def _draw_marks(axes: Axes, table: gpd.GeoDataFrame, mark: str, colour: str, zorder: float) -> None:
    if len(table):
        at = centroids(table)
        edge = {"markeredgecolor": PAPER, "markeredgewidth": 0.6} if mark == "o" else {"markeredgewidth": 1.1}
        axes.plot(
            at[:, 0], at[:, 1], linestyle="none", marker=mark, color=colour, markersize=3.6, zorder=zorder,
            scalex=False, scaley=False, **edge,
        )  # fmt: skip


def _keys(result: SiteResult, visit: VisitResult, matched: npt.NDArray[np.bool_]) -> list[Any]:
    keys: list[Any] = []
    if len(visit.scored):
        kind = "drawn by a person" if len(visit.drawn) else "outlined by rule"
        keys.append(line_key(f"hotspot, {kind}", color=HOTSPOT, marker="o", markersize=4, linewidth=1.6))
    other, rule = other_rule(result, visit)
    if longer_than_grave(result, visit.scored).any():
        keys.append(line_key("longer than an expected grave", color=HOTSPOT, linewidth=1.5, linestyle=LONG_DASH))
    if len(other):
        keys.append(line_key(f"by {rule} instead", color=OTHER, linewidth=0.8, linestyle="--"))
    if len(result.burials):
        keys.append(line_key("known burial", color=BURIAL, marker="+", markersize=5, linewidth=1.0))
    if matched.any():
        keys.append(line_key("hotspot to its match", color=LINK, linewidth=1.3))
    if (~matched).any():
        keys.append(
            line_key(
                f"nearest burial, up to {LONGEST_LINK_M:g} m", color=LINK, linewidth=0.9, linestyle=(0, (2.5, 1.8))
            )
        )
    if len(result.opened):
        keys.append(line_key("opened ground", color=MUTED, linewidth=0.9, linestyle=":"))
    keys.append(line_key("surveyed area", color=MUTED, linewidth=1.0))
    keys.append(no_data_key())
    return keys
