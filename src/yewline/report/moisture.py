"""Moisture maps: all visits on one colour range, with each reading drawn, blank where nothing supports a value."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from yewline.report.basemap import NARROW_IN, Bounds, draw_cells, draw_outlines, line_key, make_basemap, no_data_key
from yewline.report.palette import BURIAL, INK, MOISTURE, MUTED, PAPER, STYLE, colour_map
from yewline.report.words import short_name
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["moisture_limits", "moisture_map"]


def moisture_limits(result: SiteResult) -> tuple[float, float] | None:
    """One range of water content for all visits, rounded outwards to 0.01 m³/m³; None where nobody took readings."""
    parts = [visit.readings["vwc"].to_numpy(float) for visit in result.visits if visit.readings is not None]
    parts += [visit.moisture_map["vwc"].values.ravel() for visit in result.visits if visit.moisture_map is not None]
    known = np.concatenate(parts) if parts else np.zeros(0)
    known = known[np.isfinite(known)]
    if not len(known):
        return None
    low, high = np.floor(known.min() * 100) / 100, np.ceil(known.max() * 100) / 100
    return float(low), float(high if high > low else low + 0.01)


def moisture_map(
    result: SiteResult, visit: VisitResult, *, bounds: Bounds, limits: tuple[float, float]
) -> Figure | None:
    """One visit's water content with its readings as circles in the same colours; None without readings."""
    if visit.readings is None:
        return None
    depth = "" if visit.moisture is None else f" · 0–{visit.moisture.support_depth_m:.2f} m"
    keys: list[Any] = [
        line_key("reading", color="none", marker="o", markeredgecolor=INK, markersize=5, markeredgewidth=0.8)
    ]
    if len(result.burials):
        keys.append(line_key("known burial", color=BURIAL, linewidth=0.8))
    keys += [line_key("surveyed area", color=MUTED, linewidth=1.0), no_data_key()]
    with mpl.rc_context(STYLE):
        title = f"{short_name(visit.name, 22)}{depth} · soil moisture"
        basemap = make_basemap(result, title, bounds, keys, width_in=NARROW_IN)
        label = "water\n(m³/m³)"
        colours = ScalarMappable(Normalize(*limits), colour_map(MOISTURE))
        if visit.moisture_map is not None:
            cells = visit.moisture_map
            draw_cells(
                basemap, cells["vwc"].values, cells["x"].values, cells["y"].values, scale=MOISTURE, limits=limits,
                label=label,
            )  # fmt: skip
        else:
            basemap.figure.colorbar(colours, cax=basemap.bar)
            basemap.bar.set_title(label, fontsize=7.5, fontweight="normal", loc="left", pad=5)
        draw_outlines(basemap.axes, result.burials.geometry.values, colour=BURIAL, width=0.8)
        x, y, vwc = (visit.readings[name].to_numpy(float) for name in ("x", "y", "vwc"))
        basemap.axes.scatter(x, y, s=34, c=PAPER, linewidths=0, zorder=5.9)
        basemap.axes.scatter(x, y, s=22, c=colours.to_rgba(vwc), edgecolors=INK, linewidths=0.8, zorder=6)
        return basemap.figure
