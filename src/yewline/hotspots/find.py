"""Hotspots of a slice: found by a rule, or drawn by a person, in one table with the same attributes."""

from __future__ import annotations

import math
from typing import Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_choice, check_in_range, check_positive
from yewline.errors import InputError
from yewline.hotspots.attributes import cells_inside, outline_attributes
from yewline.hotspots.noise import equal_area_level, noise_level, noise_rule_level
from yewline.hotspots.outline import default_minimum_area_m2, outline
from yewline.model import HOTSPOT_COLUMNS, VolumeGrid, empty_outlines, make_outlines

__all__ = ["Rule", "describe", "find_hotspots"]

Rule = Literal["noise", "equal-area"]


def find_hotspots(
    strength: npt.ArrayLike,
    grid: VolumeGrid,
    *,
    visit: str,
    top_m: float = math.nan,
    base_m: float = math.nan,
    rule: Rule = "noise",
    threshold: float = 3.0,
    area_share: float = 0.08,
    minimum_area_m2: float | None = None,
    area: shapely.Geometry | None = None,
    merge_gap_m: float = 0.0,
) -> gpd.GeoDataFrame:
    """Outline the strong response of a slice and measure each outline.

    Parameters
    ----------
    strength : (Y, X) strength of a slice; NaN where there is no data.
    grid : where the cells lie.
    visit : name of the visit; hotspots are numbered after it.
    top_m, base_m : of the slice.
    rule : "noise": above the median by `threshold` units of the noise; "equal-area": the strongest `area_share` of the
        covered ground, before small outlines are left out.
    threshold, area_share : see `rule`.
    minimum_area_m2 : smaller outlines are left out; half the cut of a child's grave if not given.
    area : outlines end at its edge, and noise and shares are those of the cells inside it.
    merge_gap_m : outlines nearer to each other than this are joined.

    Returns
    -------
    Table with the columns of hotspots, strongest peak first; without rows where nothing is found. Its `attrs` hold the
    `level` (None where the slice has no spread or no data), `noise_median` and `noise_sd` that were used.

    Raises
    ------
    InputError : an unknown rule, a threshold or share out of range, or a map that does not fit the grid.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=0.5, nx=40, ny=40, depth_step_m=0.1, nz=1)
    >>> strength = np.random.default_rng(1).normal(1.0, 0.1, (40, 40))
    >>> strength[10:14, 20:22] += 2.0
    >>> table = find_hotspots(strength, grid, visit="dry", threshold=5.0)
    >>> table["hotspot"].tolist(), table["azimuth_deg"].round(-1).tolist()
    (['dry-01'], [0.0])
    """
    check_choice(rule, "rule", ("noise", "equal-area"))
    check_positive(threshold, "threshold")
    if not 0.0 < check_in_range(area_share, "area_share", 0.0, 1.0) < 1.0:
        raise InputError("area_share must be between 0 and 1, both excluded", received=area_share)
    inside = None if area is None else cells_inside(area, grid)
    _check_fit(strength, grid)
    median, sd = noise_level(strength, inside=inside)
    level = (
        noise_rule_level(median, sd, threshold)
        if rule == "noise"
        else equal_area_level(strength, area_share, inside=inside)
    )
    smallest = default_minimum_area_m2() if minimum_area_m2 is None else minimum_area_m2
    polygons = outline(strength, grid, level=level, minimum_area_m2=smallest, area=area, merge_gap_m=merge_gap_m)
    table = _table(polygons, strength, grid, visit=visit, top_m=top_m, base_m=base_m, rule=rule)
    table.attrs = {"level": level if math.isfinite(level) else None, "noise_median": median, "noise_sd": sd}
    return table


def _check_fit(strength: npt.ArrayLike, grid: VolumeGrid) -> None:
    if np.shape(strength) != (grid.ny, grid.nx):
        raise InputError("strength does not fit the grid", received=f"{np.shape(strength)} for {(grid.ny, grid.nx)}")


def _table(
    polygons: list[shapely.Polygon],
    strength: npt.ArrayLike,
    grid: VolumeGrid,
    *,
    visit: str,
    top_m: float,
    base_m: float,
    rule: str,
) -> gpd.GeoDataFrame:
    measured = outline_attributes(polygons, strength, grid)
    # Polygons come sorted by place, and sorting is stable: equal peaks keep that order.
    order = sorted(range(len(polygons)), key=lambda h: -_or_lowest(measured[h]["peak_strength"]))
    rows = [
        {"hotspot": f"{visit}-{number:02d}", "visit": visit, "rule": rule, "top_m": top_m, "base_m": base_m}
        | measured[h]
        for number, h in enumerate(order, start=1)
    ]
    return make_outlines(HOTSPOT_COLUMNS, rows, [polygons[h] for h in order])


def _or_lowest(value: float) -> float:
    return value if math.isfinite(value) else -math.inf


def describe(
    drawn: gpd.GeoDataFrame,
    strength: npt.ArrayLike,
    grid: VolumeGrid,
    *,
    visit: str | None = None,
    top_m: float | None = None,
    base_m: float | None = None,
) -> gpd.GeoDataFrame:
    """Fill in the attributes of outlines that a person drew, so that they count as found ones do.

    Parameters
    ----------
    drawn : outlines; columns of hotspots that are missing are added, others are left out.
    strength, grid : the slice that they are measured on.
    visit, top_m, base_m : written into every row where given, else kept.

    Returns
    -------
    A new table in the order drawn; `source` is "drawn". An outline without an id is numbered after its visit.

    Raises
    ------
    InputError : an outline is empty or not an area, or two have the same id.

    Examples
    --------
    >>> grid = VolumeGrid(x0=0, y0=0, cell_m=1, nx=4, ny=4, depth_step_m=0.1, nz=1)
    >>> drawn = gpd.GeoDataFrame({"hotspot": ["A"]}, geometry=[shapely.box(0.5, 0.5, 2.5, 1.5)])
    >>> table = describe(drawn, np.ones((4, 4)), grid, visit="dry")
    >>> table["source"].tolist(), table["area_m2"].tolist(), table["mean_strength"].tolist()
    (['drawn'], [2.0], [1.0])
    """
    _check_fit(strength, grid)
    if len(drawn) == 0:
        return empty_outlines(HOTSPOT_COLUMNS)
    polygons = list(drawn.geometry)
    given = {"visit": visit, "top_m": top_m, "base_m": base_m}
    rows = []
    for index, measured in enumerate(outline_attributes(polygons, strength, grid)):
        kept = {name: drawn[name].iloc[index] for name in HOTSPOT_COLUMNS if name in drawn.columns}
        rows.append(kept | {"source": "drawn"} | {k: v for k, v in given.items() if v is not None} | measured)
    _number(rows)
    return make_outlines(HOTSPOT_COLUMNS, rows, polygons)


def _number(rows: list[dict[str, object]]) -> None:
    """Give ids to rows without one, past the ids in use; refuse ids used twice."""
    used = [str(row["hotspot"]) for row in rows if _named(row)]
    twice = sorted({name for name in used if used.count(name) > 1})
    if twice:
        raise InputError("two drawn outlines have the same id", received=", ".join(twice), do="rename one of them")
    taken, number = set(used), 0
    for row in rows:
        visit = row.get("visit")
        prefix = f"{visit}-" if isinstance(visit, str) and visit else ""
        while not _named(row):
            number += 1
            name = f"{prefix}drawn-{number:02d}"
            if name not in taken:
                row["hotspot"] = name


def _named(row: dict[str, object]) -> bool:
    name = row.get("hotspot", "")
    return isinstance(name, str) and name != ""
