"""Ground: readings to level, variability, a map and a velocity; or the velocity that the visit declares."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd
import shapely
import xarray as xr

from yewline.errors import SiteError, YewlineError
from yewline.formats import read_readings
from yewline.ground import map_moisture, summarise_moisture, velocity_declared, velocity_from_moisture
from yewline.ground.summary import MoistureSummary
from yewline.model import Finding, VelocityField, VolumeGrid
from yewline.workspace.site import Site, Visit

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
        if path is None:
            return None, [Finding("assumed", "no-readings", "no moisture readings", visit=visit.name)]
        readings, findings = read_readings(path, to_site=site.settings.grid)
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
    if readings is not None:
        how = visit.settings.readings
        summary = summarise_moisture(readings, support_depth_m=how.support_depth_m)
        mapped = map_moisture(readings, x=grid.x, y=grid.y, sigma_vwc=how.sigma_vwc)
    return Ground(readings, summary, mapped, velocity_of(site, visit, summary, mapped), tuple(findings))


def velocity_of(site: Site, visit: Visit, summary: MoistureSummary | None, mapped: xr.Dataset | None) -> VelocityField:
    """Velocity from a visit's moisture, the same everywhere where it is not mapped; else the one that is declared.

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
        sigma_vwc=how.sigma_vwc,
        support_depth_m=how.support_depth_m,
        target_depth_m=site.settings.target.depth_m[1],
    )
