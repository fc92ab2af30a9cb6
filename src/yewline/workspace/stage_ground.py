"""Ground: readings to level, variability, a map and a velocity; or the velocity that the visit declares."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd
import shapely
import xarray as xr

from yewline.errors import SiteError, YewlineError
from yewline.ground import (
    map_moisture,
    reading_error_of,
    summarise_moisture,
    velocity_declared,
    velocity_from_moisture,
)
from yewline.ground.summary import MoistureSummary
from yewline.model import Finding, VelocityField, VolumeGrid
from yewline.workspace.site import Site, Visit
from yewline.workspace.visit_readings import at_one_depth, read_visit_readings

__all__ = ["Ground", "load_readings", "make_ground", "no_velocity", "velocity_of"]


@dataclass(frozen=True)
class Ground:
    """What the ground of one visit is taken to be."""

    readings: pd.DataFrame | None
    moisture: MoistureSummary | None
    moisture_map: xr.Dataset | None
    velocity: VelocityField
    findings: tuple[Finding, ...]


def load_readings(site: Site, visit: Visit, area: shapely.Geometry | None) -> tuple[pd.DataFrame | None, list[Finding]]:
    """A visit's readings; a file that cannot be used becomes a fault and counts as absent."""
    try:
        path = visit.readings_path
        readings, findings = read_visit_readings(site, visit)
        if path is None or readings is None:
            return None, [Finding("assumed", "no-readings", "no moisture readings", visit=visit.name)]
        readings, said = at_one_depth(readings, visit.settings.readings.depth_m, where=str(path))
        findings += said
    except YewlineError as error:
        return None, [Finding.of_error(error, "readings-left-out", visit=visit.name)]
    findings = [replace(finding, visit=visit.name) for finding in findings]
    if area is not None:
        outside = ~shapely.intersects_xy(shapely.buffer(area, 1.0), readings["x"], readings["y"])
        if outside.any():
            rows = ", ".join(str(row) for row in readings["row"][outside].head(8))
            rows += " …" if outside.sum() > 8 else ""
            findings.append(
                Finding(
                    "warning",
                    "readings-outside",
                    f"{int(outside.sum())} of {len(readings)} readings lie more than 1 m outside the surveyed area",
                    where=f"{site.relative(path)}, rows {rows}",
                    do="check the order of x and y, the units and the grid; they are not used",
                    visit=visit.name,
                )
            )
            readings = readings[~outside].reset_index(drop=True)
    if readings.empty:
        return None, findings
    findings.append(Finding("found", "readings", f"{len(readings)} moisture readings", visit=visit.name))
    return readings, findings


def no_velocity(visit: Visit) -> SiteError:
    """The error for a visit that nothing gives a velocity for."""
    return SiteError(
        "no velocity: there are no usable moisture readings and none is declared",
        where=f"visits/{visit.name}",
        do="add readings.csv, or velocity_m_per_ns under [soil] in visit.toml",
    )


def make_ground(site: Site, visit: Visit, grid: VolumeGrid, area: shapely.Geometry) -> Ground:
    """Level, variability, map and velocity of one visit.

    Raises
    ------
    SiteError : there are no readings, and the visit declares no velocity.
    """
    readings, findings = load_readings(site, visit, area)
    summary = mapped = None
    how = visit.settings.readings
    sigma_vwc = how.sigma_vwc
    if readings is not None:
        sigma_vwc = math.hypot(*reading_error_of(readings, sigma_vwc=sigma_vwc))
        summary = summarise_moisture(readings, support_depth_m=how.support_depth_m)
        mapped = map_moisture(readings, x=grid.x, y=grid.y, sigma_vwc=sigma_vwc)
    velocity = velocity_of(site, visit, summary, mapped, sigma_vwc=sigma_vwc)
    return Ground(readings, summary, mapped, velocity, tuple(findings))


def velocity_of(
    site: Site,
    visit: Visit,
    summary: MoistureSummary | None,
    mapped: xr.Dataset | None,
    *,
    sigma_vwc: float | None = None,
) -> VelocityField:
    """Velocity from a visit's moisture, the same everywhere where it is not mapped; else the one that is declared.

    `sigma_vwc` is that of one reading where a calibration measured it; else that of the settings.

    Raises
    ------
    SiteError : there is no moisture, and the visit declares no velocity.
    """
    if summary is None:
        declared = velocity_declared(visit.settings.soil)
        if declared is None:
            raise no_velocity(visit)
        return declared
    how = visit.settings.readings
    return velocity_from_moisture(
        summary,
        mapped,
        sigma_vwc=how.sigma_vwc if sigma_vwc is None else sigma_vwc,
        support_depth_m=how.support_depth_m,
        target_depth_m=site.settings.target.depth_m[1],
    )
