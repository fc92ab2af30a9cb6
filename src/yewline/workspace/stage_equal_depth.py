"""Visits at equal depth beside equal time, registered and compared."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
import xarray as xr

from yewline.errors import InputError
from yewline.ground import time_of_depth
from yewline.model import SiteSettings, VelocityField, VolumeGrid
from yewline.volume import compare_volumes, register_volumes, slab_between, window_depths_m
from yewline.workspace.stage_hotspots import hotspots_by

__all__ = [
    "EqualDepth",
    "EqualTimeSlice",
    "PairAtDepth",
    "VisitVolume",
    "equal_depth",
]

_MOST_SHIFT_M: Final = 1.0


@dataclass(frozen=True)
class VisitVolume:
    """What is compared of a visit: its volume, velocity, chosen slice and separation of the antennas."""

    name: str
    volume: xr.Dataset
    velocity: VelocityField
    chosen: xr.Dataset
    separation_m: float


@dataclass(frozen=True)
class EqualTimeSlice:
    """A visit cut by the window of time that the slice has on the first visit.

    Attributes
    ----------
    cells : Dataset (y, x): `strength`, `coverage`, and the faces `top` and `base` [m].
    top_m, base_m : where it truly lies, median over covered ground by the visit's own velocity.
    outlines : hotspots of equal area on it.
    """

    cells: xr.Dataset
    top_m: float
    base_m: float
    outlines: gpd.GeoDataFrame


@dataclass(frozen=True)
class PairAtDepth:
    """Two visits against each other.

    Attributes
    ----------
    overlap_time, overlap_depth : of their equal-area outlines, intersection over union; NaN without outlines.
    shift_m, shift_sigma_m, known_share : median shift (x, y) of the second against the first, the standard deviation of
        blocks about the map of shifts, and the share of blocks whose shift is known; NaN where none is.
    ratio_db : (Y, X) strength of the second over the first on the slice at equal depth.
    """

    first: str
    second: str
    overlap_time: float
    overlap_depth: float
    shift_m: tuple[float, float]
    shift_sigma_m: float
    known_share: float
    ratio_db: npt.NDArray[np.float32]

    @property
    def ratio_median_db(self) -> float:
        """Median over cells that have a ratio; NaN where none has."""
        known = self.ratio_db[np.isfinite(self.ratio_db)]
        return float(np.median(known)) if len(known) else math.nan


@dataclass(frozen=True)
class EqualDepth:
    """All visits at equal depth and at equal time; no slices and pairs where there is one visit only.

    Attributes
    ----------
    reference : the visit whose velocity the window of time is of.
    window_ns : that window.
    at_time : by visit.
    pairs : in the order of the visits.
    """

    reference: str
    window_ns: tuple[float, float]
    at_time: dict[str, EqualTimeSlice]
    pairs: tuple[PairAtDepth, ...]


def equal_depth(
    visits: Sequence[VisitVolume],
    outlines: Mapping[str, gpd.GeoDataFrame],
    settings: SiteSettings,
    grid: VolumeGrid,
    area: shapely.Geometry,
) -> EqualDepth:
    """Cut all visits by the first one's window of time as well, and compare each pair.

    Parameters
    ----------
    visits : in the order of their days, on one grid.
    outlines : of equal area, on each visit's chosen slice.
    settings, grid, area : of the site.
    """
    first = visits[0]
    faces = [float(first.chosen[side]) for side in ("top", "base")]
    mean = first.velocity.mean_m_per_ns
    begin, end = (float(time_of_depth(face, mean, separation_m=first.separation_m)) for face in faces)
    if len(visits) < 2:
        return EqualDepth(first.name, (begin, end), {}, ())
    at_time = {visit.name: _at_time(visit, (begin, end), settings, grid, area) for visit in visits}
    pairs = []
    for one, two in combinations(visits, 2):
        shift, sigma, known = _registered(one.volume, two.volume)
        pairs.append(
            PairAtDepth(
                one.name,
                two.name,
                _overlap(at_time[one.name].outlines, at_time[two.name].outlines),
                _overlap(outlines[one.name], outlines[two.name]),
                shift,
                sigma,
                known,
                _ratio(one.chosen, two.chosen, grid),
            )
        )
    return EqualDepth(first.name, (begin, end), at_time, tuple(pairs))


def _at_time(
    visit: VisitVolume,
    window_ns: tuple[float, float],
    settings: SiteSettings,
    grid: VolumeGrid,
    area: shapely.Geometry,
) -> EqualTimeSlice:
    top, base = window_depths_m(window_ns, visit.velocity, grid, separation_m=visit.separation_m)
    cells = slab_between(visit.volume, top, base)
    there = visit.volume["coverage"].values.any(axis=0)
    top_m, base_m = (float(np.median(face[there])) if there.any() else math.nan for face in (top, base))
    found = hotspots_by(
        "equal-area",
        strength=cells["strength"].values,
        depth_m=(top_m, base_m),
        visit=visit.name,
        settings=settings,
        grid=grid,
        area=area,
    )
    return EqualTimeSlice(cells, top_m, base_m, found)


def _overlap(one: gpd.GeoDataFrame, two: gpd.GeoDataFrame) -> float:
    """Intersection over union of two sets of outlines."""
    a, b = (shapely.union_all(list(table.geometry)) for table in (one, two))
    union = shapely.union(a, b).area
    return float(shapely.intersection(a, b).area / union) if union > 0 else math.nan


def _registered(one: xr.Dataset, two: xr.Dataset) -> tuple[tuple[float, float], float, float]:
    try:
        found = register_volumes(one, two, most_m=_MOST_SHIFT_M)
    except InputError:  # smaller than a block
        return (math.nan, math.nan), math.nan, 0.0
    known = found["known"].values
    if not known.any():
        return (math.nan, math.nan), math.nan, 0.0
    shift = tuple(float(np.median(found[f"shift_{axis}"].values[known])) for axis in "xy")
    return (shift[0], shift[1]), float(found.attrs["sigma_m"]), float(known.mean())


def _ratio(one: xr.Dataset, two: xr.Dataset, grid: VolumeGrid) -> npt.NDArray[np.float32]:
    """Of two slices at equal depth, as volumes of one bin."""
    single = [
        xr.Dataset(
            {"strength": (("depth", "y", "x"), part["strength"].values[None])},
            coords={"depth": [0.5], "y": part["y"], "x": part["x"]},
            attrs={"grid": grid.model_dump_json()},
        )
        for part in (one, two)
    ]
    return np.asarray(compare_volumes(*single)["ratio_db"].values[0], np.float32)
