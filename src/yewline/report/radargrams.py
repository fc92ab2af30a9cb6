"""Radargrams as rasters with axes and hotspot spans laid over them as vector marks: quick to make, sharp to read."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
import xarray as xr

from yewline.report.palette import AMPLITUDE
from yewline.report.raster import data_uri, palette_png, shrink, to_index
from yewline.report.words import count, listed, own_name, short_name
from yewline.workspace.results import SiteResult, VisitResult

__all__ = [
    "RadargramView",
    "Span",
    "amplitude_clip",
    "crossings",
    "natural_key",
    "pixels_for_each",
    "radargram_views",
    "select_lines",
    "ticks",
]

# Plot area inside the picture's own units; the page scales the whole.
WIDE, LEFT, RIGHT, TOP, HIGH, FOOT = 760.0, 44.0, 44.0, 34.0, 190.0, 30.0
MOST_COLUMNS, MOST_ROWS = 640, 300
PIXEL_BUDGET: Final = 11_000_000
"""Pixels for all radargrams together; about 0.6 bytes each once compressed and encoded keep the page under 12 MB."""
LEVELS: Final = 48
"""Amplitude steps in a picture: enough for the eye, and a third smaller than 255."""
SAMPLES_FOR_CLIP: Final = 400_000

Mark = tuple[float, float, float, str]


@dataclass(frozen=True, slots=True)
class Span:
    """Where a line runs through a hotspot: from `start_m` to `end_m` along the line."""

    hotspot: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True)
class RadargramView:
    """One radargram for the page; coordinates are in the picture's units."""

    line: str
    visit: str
    uri: str
    alt: str
    caption: str
    distance_ticks: tuple[tuple[float, str], ...]
    time_ticks: tuple[tuple[float, str], ...]
    depth_ticks: tuple[tuple[float, str], ...]
    marks: tuple[Mark, ...]
    band: tuple[float, float] | None
    curves: tuple[tuple[str, str], ...] = ()
    """Paths laid over the picture, each with its dashes."""
    box: tuple[float, float, float, float] = (LEFT, TOP, WIDE - LEFT - RIGHT, HIGH)
    size: tuple[float, float] = (WIDE, TOP + HIGH + FOOT)


def amplitude_clip(result: SiteResult) -> float:
    """One clip for the radargrams of all visits: the 98th percentile of |amplitude|, over an even sample of them."""
    lines = sum(len(visit.radargrams) for visit in result.visits)
    if not lines:
        return 1.0
    each = max(1, SAMPLES_FOR_CLIP // lines)
    parts = []
    # One line in hand at a time.
    for line in (line for visit in result.visits for line in visit.radargrams.values()):
        flat = line.values.reshape(-1)
        parts.append(np.abs(flat[:: max(1, len(flat) // each)]))
    pooled = np.concatenate(parts)
    pooled = pooled[np.isfinite(pooled)]
    clip = float(np.quantile(pooled, 0.98)) if len(pooled) else 0.0
    return clip if clip > 0 else 1.0


def crossings(visit: VisitResult) -> dict[str, tuple[Span, ...]]:
    """For each line of a visit, the stretches of it that lie inside scored hotspots, by distance along the line.

    Hotspots go by their names inside the visit.
    """
    outlines = np.asarray(visit.scored.geometry.values, dtype=object)
    names = [own_name(str(name), visit.name) for name in visit.scored["hotspot"]]
    out: dict[str, tuple[Span, ...]] = {}
    tree = shapely.STRtree(outlines)
    for line, radargram in visit.radargrams.items():
        points = shapely.points(radargram["x"].values, radargram["y"].values)
        traces, spots = tree.query(points, predicate="within")
        at = radargram["distance"].values
        spans = []
        for spot in np.unique(spots):
            inside = np.sort(traces[spots == spot])
            for run in np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1):
                spans.append(Span(names[spot], float(at[run[0]]), float(at[run[-1]])))
        out[line] = tuple(sorted(spans, key=lambda span: (span.start_m, span.hotspot)))
    return out


def natural_key(name: str) -> tuple[tuple[int, str], ...]:
    """Sorts line 2 before line 10."""
    return tuple((int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", name))


def select_lines(spans: dict[str, dict[str, tuple[Span, ...]]], *, most: int = 4) -> list[str]:
    """Line names that cross the most hotspots over all visits together; ties go to the earlier name.

    Parameters
    ----------
    spans : visit name to `crossings` of that visit.

    Examples
    --------
    >>> one = (Span("H1", 0.0, 1.0),)
    >>> select_lines({"dry": {"L2": one, "L10": one, "L3": ()}}, most=2)
    ['L2', 'L10']
    """
    totals: dict[str, int] = {}
    for lines in spans.values():
        for line, found in lines.items():
            totals[line] = totals.get(line, 0) + len({span.hotspot for span in found})
    ranked = sorted(totals, key=lambda line: (-totals[line], natural_key(line)))
    crossing = [line for line in ranked if totals[line]]
    return sorted((crossing or ranked)[:most], key=natural_key)


def radargram_views(
    visit: VisitResult, spans: dict[str, tuple[Span, ...]], *, clip: float, pixels_each: int
) -> list[RadargramView]:
    """All radargrams of a visit, ready for the page, in natural order of their names."""
    lines = sorted(visit.radargrams, key=natural_key)
    return [_view(visit, line, spans.get(line, ()), clip, pixels_each) for line in lines]


def _view(visit: VisitResult, line: str, spans: tuple[Span, ...], clip: float, pixels_each: int) -> RadargramView:
    radargram = visit.radargrams[line]
    distance, time = radargram["distance"].values, radargram["time"].values
    length = max(float(distance[-1] - distance[0]), 1e-6) if len(distance) else 1e-6
    start, window = float(time[0]), max(float(time[-1] - time[0]), 1e-6)
    across = (WIDE - LEFT - RIGHT) / length

    def at_x(metres_along: float) -> float:
        return round(LEFT + (metres_along - float(distance[0])) * across, 1)

    def at_y(time_ns: float) -> float:
        return round(TOP + HIGH * (time_ns - start) / window, 1)

    velocity = visit.velocity.mean_m_per_ns
    separation = float(radargram.attrs.get("separation_m", visit.settings.antenna.separation_m))
    deepest = _depth(float(time[-1]), velocity, separation)
    top, base = (float(visit.slices[side].values[visit.chosen]) for side in ("top", "base"))
    names = list(dict.fromkeys(span.hotspot for span in spans))
    crossed = f"crosses hotspot{'s'[: len(names) > 1]} {listed(names)}" if names else "crosses no hotspot"
    return RadargramView(
        line=line,
        visit=visit.name,
        uri=_picture(radargram, clip, pixels_each),
        alt=f"Radargram of line {line}, visit {visit.name}: {length:.1f} m long, {window:.0f} ns deep; {crossed}.",
        caption=f"{length:.1f} m, {count(len(distance), 'trace')}; {crossed}",
        distance_ticks=tuple((at_x(d), f"{d:g}") for d in ticks(float(distance[0]), float(distance[-1]), 8)),
        time_ticks=tuple((at_y(t), f"{t:g}") for t in ticks(start, float(time[-1]), 5)),
        depth_ticks=tuple(
            (at_y(t), f"{d:g}")
            for d in ticks(0.0, deepest, 5)
            if start <= (t := _time(d, velocity, separation)) <= time[-1]
        ),
        marks=_place_marks(spans, at_x),
        band=_band(at_y, _time(top, velocity, separation), _time(base, velocity, separation)),
    )


def _picture(radargram: xr.DataArray, clip: float, pixels_each: int) -> str:
    amplitude = radargram.transpose("trace", "time").values
    columns, rows = min(len(amplitude), MOST_COLUMNS), min(amplitude.shape[1], MOST_ROWS)
    if columns * rows > pixels_each:
        columns = max(60, pixels_each // rows)
    small = shrink(np.ascontiguousarray(amplitude, np.float32), most_rows=columns, most_columns=rows)
    index = to_index(np.ascontiguousarray(small.T), -clip, clip, levels=LEVELS)
    return data_uri(palette_png(index, AMPLITUDE))


def _place_marks(spans: tuple[Span, ...], at_x: Callable[[float], float]) -> tuple[Mark, ...]:
    """Brackets (x0, x1, height of the name, name); names that would touch go one row up, or are left out."""
    out: list[Mark] = []
    free = [-math.inf, -math.inf]
    for span in spans:
        x0, x1 = at_x(span.start_m), at_x(span.end_m)
        if x1 - x0 < 4:
            x0, x1 = round((x0 + x1) / 2 - 2, 1), round((x0 + x1) / 2 + 2, 1)
        name = short_name(span.hotspot, 8)
        half = 3.6 * len(name) + 2
        middle = (x0 + x1) / 2
        row = next((k for k in (0, 1) if middle - half >= free[k]), None)
        if row is None:
            name, row = "", 0
        else:
            free[row] = middle + half
        out.append((x0, x1, TOP - 9.0 - 12.0 * row, name))
    return tuple(out)


def _band(at_y: Callable[[float], float], top_ns: float, base_ns: float) -> tuple[float, float] | None:
    y0, y1 = max(at_y(top_ns), TOP), min(at_y(base_ns), TOP + HIGH)
    return (y0, round(y1 - y0, 1)) if y1 > y0 else None


def _depth(time_ns: float, velocity: float, separation: float) -> float:
    return 0.5 * math.sqrt(max((velocity * time_ns) ** 2 - separation**2, 0.0))


def _time(depth_m: float, velocity: float, separation: float) -> float:
    return math.sqrt((2 * depth_m) ** 2 + separation**2) / velocity


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round values from `low` to `high`, some `about` of them.

    Examples
    --------
    >>> ticks(0.0, 28.0, 8), ticks(0.0, 0.0, 5)
    ([0.0, 5.0, 10.0, 15.0, 20.0, 25.0], [0.0])
    """
    if not high > low:
        return [float(low)]
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 9) + 0.0 for k in range(first, last + 1)]


def pixels_for_each(result: SiteResult) -> int:
    """How many pixels each radargram may take, so that all of them fit the page."""
    lines = sum(len(visit.radargrams) for visit in result.visits)
    return PIXEL_BUDGET // max(lines, 1)
