"""The strip of depth slices: each slice as a raster with outlines over it, all visits and depths on one range."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely

from yewline.report.basemap import Bounds, round_length
from yewline.report.palette import STRENGTH
from yewline.report.raster import data_uri, palette_png, to_index
from yewline.report.words import depth_label
from yewline.workspace.results import SiteResult, VisitResult

__all__ = ["SliceFrame", "SliceView", "apart", "level_views", "slice_views", "svg_outline"]

WIDE: Final = 240.0
"""Width of one slice in the picture's own units."""


@dataclass(frozen=True, slots=True)
class SliceView:
    """One slice for the page: raster, its place, and outlines as path data in the picture's units."""

    label: str
    uri: str
    alt: str
    chosen: bool
    size: tuple[float, float]
    place: tuple[float, float, float, float]
    area: str
    burials: str
    hotspots: str
    between: bool
    bar: tuple[float, str]
    north: float


@dataclass(frozen=True, slots=True)
class SliceFrame:
    """What all slices of a page share: outlines as path data, the raster's place, scale bar and north."""

    size: tuple[float, float]
    place: tuple[float, float, float, float]
    area: str
    burials: str
    bar: tuple[float, str]
    north: float
    unit: float
    bounds: Bounds

    @classmethod
    def of(cls, result: SiteResult, x: Any, y: Any, bounds: Bounds) -> SliceFrame:
        """For cells with middles at x and y."""
        x0, y0, x1, y1 = bounds
        unit = WIDE / (x1 - x0)
        half = 0.5 * (float(x[1] - x[0]) if len(x) > 1 else 1.0)
        length = round_length((x1 - x0) / 4)
        return cls(
            size=(WIDE, round(unit * (y1 - y0), 1)),
            place=(
                round((float(x[0]) - half - x0) * unit, 2),
                round((y1 - float(y[-1]) - half) * unit, 2),
                round((float(x[-1] - x[0]) + 2 * half) * unit, 2),
                round((float(y[-1] - y[0]) + 2 * half) * unit, 2),
            ),
            area=svg_outline(result.area, bounds, unit),
            burials=svg_outline(result.burials.geometry.values, bounds, unit),
            bar=(round(length * unit, 1), f"{length:g} m"),
            north=round(-result.settings.frame.bearing_of_y_deg(), 1),
            unit=unit,
            bounds=bounds,
        )

    def view(
        self,
        cells: Any,
        *,
        label: str,
        visit: str,
        limits: tuple[float, float],
        hotspots: Any = (),
        chosen: bool = False,
        between: bool = False,
        scale: str = STRENGTH,
        what: str = "Strength",
    ) -> SliceView:
        """One slice: its cells (Y, X) in a scale, and outlines over it."""
        blank = 100 * float(np.mean(~np.isfinite(cells)))
        return SliceView(
            label=label,
            uri=data_uri(palette_png(to_index(cells[::-1], *limits), scale)),
            alt=f"{what} at {label}, visit {visit}; {blank:.0f} % of the picture has no data.",
            chosen=chosen,
            size=self.size,
            place=self.place,
            area=self.area,
            burials=self.burials,
            hotspots=svg_outline(hotspots, self.bounds, self.unit) if len(hotspots) else "",
            between=between,
            bar=self.bar,
            north=self.north,
        )


def slice_views(
    result: SiteResult, visit: VisitResult, *, bounds: Bounds, limits: tuple[float, float]
) -> list[SliceView]:
    """All slices of a visit from the top down; the chosen one carries the hotspots."""
    frame = SliceFrame.of(result, visit.slices["x"].values, visit.slices["y"].values, bounds)
    shown = apart(visit)
    return [
        frame.view(
            cells,
            label=depth_label(visit, k),
            visit=visit.name,
            limits=limits,
            hotspots=visit.scored.geometry.values if k == visit.chosen else (),
            chosen=k == visit.chosen,
            between=not shown[k],
        )
        for k, cells in enumerate(visit.slices["strength"].values)
    ]


def level_views(
    result: SiteResult, visit: VisitResult, *, bounds: Bounds, limits: tuple[float, float]
) -> list[SliceView]:
    """Level cuts of a visit from the top down; none where the ground is level, or its heights are not known."""
    levels = visit.levels
    if levels is None:
        return []
    frame = SliceFrame.of(result, levels["x"].values, levels["y"].values, bounds)
    views = []
    for k, cells in enumerate(levels["strength"].values):
        top, base = (float(levels[f"{face}_height"].values[k]) for face in ("top", "base"))
        label = f"{base:.2f}–{top:.2f} m"
        view = frame.view(cells, label=label, visit=visit.name, limits=limits)
        views.append(replace(view, alt=f"Strength between heights {label}, visit {visit.name}."))
    return views


def apart(visit: VisitResult) -> list[bool]:
    """Which slices to show first: from the top down each that begins where the last one ended, and the chosen one."""
    tops, bases = visit.slices["top"].values, visit.slices["base"].values
    # The chosen slice may have a thickness of its own; then it takes no part in the sequence.
    usual = 1.01 * float(np.median(bases - tops))
    out, reached = [], -np.inf
    for k, (top, base) in enumerate(zip(tops, bases, strict=True)):
        follows = float(base - top) <= usual and float(top) >= reached - 1e-6
        out.append(follows or k == visit.chosen)
        reached = float(base) if follows else reached
    return out


def svg_outline(geometry: Any, bounds: Bounds, unit: float) -> str:
    """Outlines as path data: site metres to picture units, y turned downward.

    Examples
    --------
    >>> svg_outline(shapely.box(0, 0, 1, 1), (0, 0, 2, 2), 10.0)
    'M10 20L10 10L0 10L0 20Z'
    """
    x0, _, _, y1 = bounds
    parts = []
    for shape in shapely.get_parts(np.atleast_1d(np.asarray(geometry, dtype=object))):
        if shape.geom_type != "Polygon" or shape.is_empty:
            continue
        for ring in (shape.exterior, *shape.interiors):
            points = np.asarray(ring.coords)[:-1, :2]
            parts.append("M" + "L".join(f"{(px - x0) * unit:.4g} {(y1 - py) * unit:.4g}" for px, py in points) + "Z")
    return "".join(parts)
