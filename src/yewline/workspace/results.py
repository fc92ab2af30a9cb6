"""What a run of the main job gives, for report and export to show."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
import xarray as xr

from yewline.accuracy.result import VisitComparison, VisitScore
from yewline.ground.summary import MoistureSummary
from yewline.model import Finding, SiteSettings, VelocityField, VisitSettings

__all__ = ["SiteResult", "VisitResult"]


@dataclass(frozen=True)
class VisitResult:
    """One visit's products.

    Attributes
    ----------
    name, settings : the visit's folder name and `visit.toml`.
    radargrams : line name to processed radargram (display branch of the recipe; for pictures, not for numbers).
    velocity : the velocity field used, its `source` says from what.
    readings, moisture, moisture_map : None where the visit has no readings. The map is a Dataset over (y, x) with
        `vwc` and `vwc_sd` [m³/m³], NaN where unsupported.
    slices : Dataset over (slice, y, x): `strength` (NaN without data), `coverage`, `depth_error` [m, 90 % half-width];
        coordinates `top` and `base` [m] on slice.
    chosen : index of the primary slice in `slices`.
    noise : median and robust sd of the chosen slice's strength.
    found : hotspots outlined by the primary rule; `equal_area`: by equal area; `drawn`: by a person for this visit.
    scored : those that are scored (drawn ones where there are any for this visit, else found).
    score : against the known burials, or None where there are none.
    """

    name: str
    settings: VisitSettings
    radargrams: dict[str, xr.DataArray]
    velocity: VelocityField
    readings: pd.DataFrame | None
    moisture: MoistureSummary | None
    moisture_map: xr.Dataset | None
    slices: xr.Dataset
    chosen: int
    noise: tuple[float, float]
    found: gpd.GeoDataFrame
    equal_area: gpd.GeoDataFrame
    drawn: gpd.GeoDataFrame
    scored: gpd.GeoDataFrame
    score: VisitScore | None


@dataclass(frozen=True)
class SiteResult:
    """All visits of a site, and what is common to them.

    Attributes
    ----------
    root : the site folder.  settings : `site.toml`.
    area : surveyed outline with obstacles taken out, site metres; `area_assumed` where it is the hull of the lines.
    burials, opened : known burials and opened ground (may be empty tables).
    recipe : the recipe as TOML text; `recipe_name`, `recipe_digest`.
    findings : all that was found, assumed, warned of or left out.
    inputs : path relative to the site folder to SHA-256, of every file read.
    choices : the choices made, in plain words, (what, value, why) each.
    version : of yewline.
    """

    root: Path
    settings: SiteSettings
    area: shapely.Polygon | shapely.MultiPolygon
    area_assumed: bool
    burials: gpd.GeoDataFrame
    opened: gpd.GeoDataFrame
    visits: tuple[VisitResult, ...]
    comparisons: tuple[VisitComparison, ...]
    recipe: str
    recipe_name: str
    recipe_digest: str
    findings: tuple[Finding, ...]
    inputs: dict[str, str]
    choices: tuple[tuple[str, str, str], ...]
    version: str

    def summary(self) -> dict[str, Any]:
        """The figures of ``yewline run --json`` except `report` and `seconds`; see `docs/run.schema.json`."""
        raise NotImplementedError
