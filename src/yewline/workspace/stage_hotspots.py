"""Hotspots: the chosen slice of a visit's volume, outlined by rule and as a person drew."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
import xarray as xr

from yewline.hotspots import (
    Rule,
    cells_inside,
    coverage_area,
    default_minimum_area_m2,
    describe,
    find_hotspots,
    noise_level,
    rms_inside,
)
from yewline.model import Finding, SiteSettings, VolumeGrid
from yewline.volume import choose_slice, cut_slices, slice_exactly
from yewline.workspace.site import Site
from yewline.workspace.truth import load_drawn

__all__ = ["Outlined", "cut_visit", "hotspots_by", "outline_visit"]


@dataclass(frozen=True)
class Outlined:
    """What was outlined on the chosen slice of one visit."""

    found: gpd.GeoDataFrame
    equal_area: gpd.GeoDataFrame
    drawn: gpd.GeoDataFrame
    scored: gpd.GeoDataFrame
    noise: tuple[float, float]
    covered: shapely.Geometry
    findings: tuple[Finding, ...]


def cut_visit(volume: xr.Dataset, settings: SiteSettings, *, thickness_m: float) -> tuple[xr.Dataset, int]:
    """The slices of a visit and the index of the primary one.

    The primary slice is the one that `site.toml` fixes, cut exactly, or else the one
    nearest the middle of the target depths.
    """
    slices = cut_slices(volume, thickness_m=thickness_m)
    fixed = settings.primary.slice_m
    if fixed is None:
        return slices, choose_slice(slices, settings.target.depth_m)
    exact = slice_exactly(volume, *fixed)
    after = int((slices["top"].values < fixed[0]).sum())
    parts = [slices.isel(slice=slice(0, after)), exact, slices.isel(slice=slice(after, None))]
    return xr.concat(parts, dim="slice", data_vars="minimal", coords="minimal", compat="override", join="exact"), after


def hotspots_by(
    rule: Rule,
    *,
    strength: npt.NDArray[np.float32],
    depth_m: tuple[float, float],
    visit: str,
    settings: SiteSettings,
    grid: VolumeGrid,
    area: shapely.Geometry,
) -> gpd.GeoDataFrame:
    """Outline a slice's strong response by a rule, with what the site's primary choice says of it."""
    primary = settings.primary
    return find_hotspots(
        strength,
        grid,
        visit=visit,
        top_m=depth_m[0],
        base_m=depth_m[1],
        rule=rule,
        threshold=primary.threshold,
        area_share=primary.area_share,
        minimum_area_m2=primary.minimum_area_m2 or default_minimum_area_m2(settings.target),
        area=area,
    )


def outline_visit(site: Site, visit: str, chosen: xr.Dataset, grid: VolumeGrid, area: shapely.Geometry) -> Outlined:
    """Outline the strong response of one slice; drawn outlines take precedence over found ones where there are any."""
    primary = site.settings.primary
    strength = chosen["strength"].values
    top_m, base_m = float(chosen["top"]), float(chosen["base"])
    find = partial(
        hotspots_by,
        strength=strength,
        depth_m=(top_m, base_m),
        visit=visit,
        settings=site.settings,
        grid=grid,
        area=area,
    )
    drawn, findings = load_drawn(site, visit)
    if len(drawn):
        drawn = describe(drawn, strength, grid, visit=visit, top_m=top_m, base_m=base_m)
    found, equal_area = find("noise"), find("equal-area")
    for table in (drawn, found, equal_area):
        if len(table):
            table["position_sigma_m"] = rms_inside(list(table.geometry), chosen["position_sigma"].values, grid)
    by_rule = found if primary.rule == "noise" else equal_area
    return Outlined(
        found=found,
        equal_area=equal_area,
        drawn=drawn,
        scored=drawn if len(drawn) else by_rule,
        noise=noise_level(strength, inside=cells_inside(area, grid)),
        covered=shapely.intersection(coverage_area(strength, grid), area),
        findings=tuple(findings),
    )
