"""Known depths: where each visit answers most strongly below the burials whose depth was excavated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
import xarray as xr
from shapely import affinity

from yewline.accuracy import DepthErrors, VisitScore, depth_errors
from yewline.errors import InputError
from yewline.hotspots import rms_inside
from yewline.model import SiteSettings, VolumeGrid
from yewline.volume import ColumnCrests, column_crests
from yewline.workspace.velocity_burials import DEPTH_SIGMA_M, of_known_depth

__all__ = ["DepthChance", "DepthCheck", "check_depths"]

DRAWS: Final = 99
TRIES: Final = 2_000
FEWEST: Final = 3


@dataclass(frozen=True)
class DepthChance:
    """What the same outlines give when each is laid elsewhere on covered ground, off all known burials.

    `rms_m`, `top_share` and `body_share` are medians over `draws`; `p` is the chance of an error as small as observed.
    """

    rms_m: float
    top_share: float
    body_share: float
    p: float
    draws: int


@dataclass(frozen=True)
class DepthCheck:
    """One visit's depths against excavated ones.

    Attributes
    ----------
    table : a row a burial: `burial`, `kind`, `top_m`, `base_m`, `estimated_m`, `half_width_m` (90 %, of the estimate),
        `contrast`, `at_end`, `matched`, `difference_m`, `holds_top`, `meets_body`.
    between_m : depths between which crests were looked for: the site's target depths.
    every, matched : errors of all burials, and of those matched with a hotspot of the visit; None where there are none.
    chance : None where there is no room for it, or fewer than three burials have an estimate.
    rests_on_depths : the visit's velocity rests on depths of burials, so that these were seen before.
    why : why nothing can be given; empty where it can.
    """

    table: pd.DataFrame
    between_m: tuple[float, float]
    every: DepthErrors | None
    matched: DepthErrors | None
    chance: DepthChance | None
    rests_on_depths: bool
    why: str = ""


def check_depths(
    volume: xr.Dataset,
    burials: gpd.GeoDataFrame,
    *,
    score: VisitScore | None,
    covered: shapely.Geometry,
    settings: SiteSettings,
    rests_on_depths: bool = False,
) -> DepthCheck | None:
    """Hold a visit's depths to those of burials excavated or probed; None where no burial has a depth.

    Parameters
    ----------
    volume : of the visit.
    burials : all known burials.
    score : of the visit, which tells burials matched with a hotspot; None where it was not scored.
    covered : ground with data.
    settings : of the site: target depths, position error of traces, seed.
    rests_on_depths : see `DepthCheck`.

    Notes
    -----
    Hotspots lie on one slice and have no depth of their own, so the depth is that of the crest of strength in the
    column below the burial's outline, grown by one standard deviation of its position and that of the traces there.
    The place is the excavation's: a depth found so is no independent finding of the burial, and the strongest response
    within the target depths need not be the burial's. What chance gives is told beside it for that reason.
    """
    matched = np.isin(np.arange(len(burials)), [] if score is None else score.matches[:, 1])
    known = of_known_depth(burials.assign(matched=matched))
    if known.empty:
        return None
    grid = VolumeGrid.model_validate_json(str(volume.attrs["grid"]))
    between = settings.target.depth_m
    outlines = list(known.geometry)
    traces_m = np.array(rms_inside(outlines, volume["position_sigma"].values, grid))
    traces_m = np.where(np.isfinite(traces_m), traces_m, settings.position_sigma_m)
    grown = shapely.buffer(outlines, np.hypot(known["sigma_xy_m"].to_numpy(float), traces_m))
    columns = ["burial", "kind", "top_m", "base_m", "matched"]
    table = pd.DataFrame({name: known[name].to_numpy() for name in columns})
    try:
        found = column_crests(volume, list(grown), between_m=between)
    except InputError as error:
        return DepthCheck(table, between, None, None, None, rests_on_depths, why=error.problem)
    errors = _errors(found, table)
    table = table.assign(
        estimated_m=found.depth_m,
        half_width_m=found.half_width_m,
        contrast=found.contrast,
        at_end=found.at_end,
        difference_m=errors.difference_m,
        holds_top=errors.holds_top,
        meets_body=errors.meets_body,
    )
    some = table["matched"].to_numpy(bool)
    return DepthCheck(
        table=table,
        between_m=between,
        every=errors if errors.n else None,
        matched=_errors(found, table, some) if some.any() and np.isfinite(found.depth_m[some]).any() else None,
        chance=_chance(volume, list(grown), table, errors, between, covered, settings.primary.seed),
        rests_on_depths=rests_on_depths,
        why="" if errors.n else "no column has a crest within the target depths",
    )


def _errors(found: ColumnCrests, table: pd.DataFrame, some: npt.NDArray[np.bool_] | slice = slice(None)) -> DepthErrors:
    return depth_errors(
        found.depth_m[some],
        found.half_width_m[some],
        table["top_m"].to_numpy(float)[some],
        base_m=table["base_m"].to_numpy(float)[some],
        truth_sigma_m=DEPTH_SIGMA_M,
    )


def _chance(
    volume: xr.Dataset,
    grown: list[shapely.Geometry],
    table: pd.DataFrame,
    errors: DepthErrors,
    between: tuple[float, float],
    covered: shapely.Geometry,
    seed: int,
) -> DepthChance | None:
    """The same depths held to columns elsewhere: each burial at a place of its own in every draw."""
    if errors.n < FEWEST or errors.rms_m is None:
        return None
    rng = np.random.default_rng(seed)
    free = shapely.difference(covered, shapely.union_all(grown))
    elsewhere: list[shapely.Geometry] = []
    for outline in grown:
        places = _elsewhere(outline, free, rng)
        if places is None:
            return None
        elsewhere += places
    found = column_crests(volume, elsewhere, between_m=between)
    depth, half = (part.reshape(len(grown), DRAWS) for part in (found.depth_m, found.half_width_m))
    # Only burials that have an estimate: the draws answer for those.
    rows = np.flatnonzero(np.isfinite(errors.difference_m))
    top, base = (table[name].to_numpy(float)[rows] for name in ("top_m", "base_m"))
    drawn = [
        depth_errors(depth[rows, k], half[rows, k], top, base_m=base, truth_sigma_m=DEPTH_SIGMA_M) for k in range(DRAWS)
    ]
    usable = [each for each in drawn if each.rms_m is not None and each.n >= FEWEST]
    if not usable:
        return None
    rms = np.array([each.rms_m for each in usable], np.float64)
    return DepthChance(
        rms_m=float(np.median(rms)),
        top_share=float(np.median([each.top_share.value or 0.0 for each in usable])),
        body_share=float(np.median([each.body_share.value or 0.0 for each in usable])),
        p=float((1 + (rms <= errors.rms_m).sum()) / (1 + len(rms))),
        draws=len(rms),
    )


def _elsewhere(
    outline: shapely.Geometry, free: shapely.Geometry, rng: np.random.Generator
) -> list[shapely.Geometry] | None:
    """The outline at places where it lies wholly on free ground; None where such places are too hard to find."""
    if free.is_empty:
        return None
    x0, y0, x1, y1 = free.bounds
    shapely.prepare(free)
    middle = outline.centroid
    places: list[shapely.Geometry] = []
    for x, y in rng.uniform((x0, y0), (x1, y1), (TRIES, 2)):
        moved = affinity.translate(outline, x - middle.x, y - middle.y)
        if free.contains_properly(moved):
            places.append(moved)
            if len(places) == DRAWS:
                return places
    return None
