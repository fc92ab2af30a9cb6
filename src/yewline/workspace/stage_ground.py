"""Ground: readings to level, variability, a map and a velocity; or the velocity that the visit declares."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
import xarray as xr

from yewline.errors import SiteError, YewlineError
from yewline.geostat import VariogramModel
from yewline.ground import (
    DECLARED_RELATIVE_SIGMA,
    FusedVelocity,
    MoisturePosterior,
    MoistureSummary,
    SourceCheck,
    VelocityEvidence,
    VelocityRelation,
    field_of_velocity,
    fuse_velocity,
    ground_prior,
    map_moisture,
    moisture_evidence,
    moisture_posterior,
    reading_error_of,
    relation_of_soil,
    summarise_moisture,
)
from yewline.model import Finding, SiteSettings, VelocityField, VolumeGrid
from yewline.workspace.moisture_drift import moisture_drift
from yewline.workspace.site import Site, Visit
from yewline.workspace.stage_moisture import MoistureFigures, moisture_figures
from yewline.workspace.visit_readings import at_one_depth, read_visit_readings

__all__ = [
    "Ground",
    "join",
    "load_readings",
    "make_ground",
    "no_velocity",
    "probed",
    "reference_depth_m",
    "soil_relation",
]

_PLACES: Final = 100
_USUAL_VWC: Final = 0.2
"""Where nobody took readings: it sets how wide errors of velocity are, not where it lies (own choice, no source)."""


@dataclass(frozen=True)
class Ground:
    """What the ground of one visit is taken to be."""

    readings: pd.DataFrame | None
    moisture: MoistureSummary | None
    moisture_map: xr.Dataset | None
    velocity: VelocityField
    fused: FusedVelocity
    moisture_figures: MoistureFigures | None
    findings: tuple[Finding, ...]


def load_readings(
    site: Site, visit: Visit, area: shapely.Geometry | None
) -> tuple[pd.DataFrame | None, pd.DataFrame | None, list[Finding]]:
    """A visit's readings at the depth that is mapped, and those of every depth, inside the area or near it.

    A file that cannot be used becomes a fault and counts as absent.
    """
    try:
        path = visit.readings_path
        readings, findings = read_visit_readings(site, visit)
        if path is None or readings is None:
            return None, None, [Finding("assumed", "no-readings", "no moisture readings", visit=visit.name)]
        _, said = at_one_depth(readings, visit.settings.readings.depth_m, where=str(path))
        findings += said
    except YewlineError as error:
        return None, None, [Finding.of_error(error, "readings-left-out", visit=visit.name)]
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
        return None, None, findings
    mapped, _ = at_one_depth(readings, visit.settings.readings.depth_m, where=str(path))
    findings.append(Finding("found", "readings", f"{len(mapped)} moisture readings", visit=visit.name))
    return mapped, readings, findings


def no_velocity(visit: Visit) -> SiteError:
    """The error for a visit that nothing gives a velocity for."""
    return SiteError(
        "no velocity: there are no usable moisture readings, and none is declared or found in the recordings",
        where=f"visits/{visit.name}",
        do="add readings.csv, or velocity_m_per_ns under [soil] in visit.toml",
    )


def make_ground(
    site: Site,
    visit: Visit,
    grid: VolumeGrid,
    area: shapely.Geometry,
    *,
    recorded: Sequence[VelocityEvidence] = (),
) -> Ground:
    """Level, variability, map and velocity of one visit.

    Parameters
    ----------
    grid : cells of the map and of the velocity.
    area : the surveyed ground.
    recorded : what recordings, people and known depths say of velocity, as far as depths may rest on it.

    Raises
    ------
    SiteError : nothing gives a velocity.
    """
    readings, every, findings = load_readings(site, visit, area)
    summary = mapped = figures = None
    how = visit.settings.readings
    if readings is not None:
        sigma_vwc = math.hypot(*reading_error_of(readings, sigma_vwc=how.sigma_vwc))
        summary = summarise_moisture(readings, support_depth_m=how.support_depth_m)
        made = moisture_posterior(readings, sigma_vwc=sigma_vwc)
        mapped, said = _mapped(site, visit, readings, grid, sigma_vwc=sigma_vwc, made=made)
        findings = [*findings, *said]
        seed = site.settings.primary.seed
        figures = moisture_figures(readings, mapped, made, sigma_vwc=sigma_vwc, seed=seed)
    evidence = [*probed(visit, every, mapped, reference_depth_m=reference_depth_m(site.settings)), *recorded]
    if not evidence:
        raise no_velocity(visit)
    fused = join(site, visit, summary, mapped, evidence, site_xy=_places_over(area))
    if fused.widened > 1.0:
        findings = [*findings, _contradiction(fused, visit)]
    field = field_of_velocity(
        fused,
        x=grid.x,
        y=grid.y,
        deepest_m=1.5 * site.settings.target.depth_m[1],
        reference_depth_m=reference_depth_m(site.settings),
        source=_source_words(fused, visit),
    )
    return Ground(readings, summary, mapped, field, fused, figures, tuple(findings))


def _mapped(
    site: Site, visit: Visit, readings: pd.DataFrame, grid: VolumeGrid, *, sigma_vwc: float, made: MoisturePosterior
) -> tuple[xr.Dataset | None, list[Finding]]:
    """The map, whose mean follows what the visit's settings name; where that cannot be told, none and a warning."""
    onto = partial(map_moisture, readings, x=grid.x, y=grid.y, sigma_vwc=sigma_vwc)
    if not visit.settings.readings.drift:
        return onto(inferred=made), []
    try:
        drift = moisture_drift(site, visit, readings, grid)
        left = moisture_posterior(readings, sigma_vwc=sigma_vwc, drift=drift)
        return onto(inferred=left, drift=drift), []
    except YewlineError as error:
        said = Finding.of_error(error, "drift-left-out", visit=visit.name)
        return onto(inferred=made), [replace(said, grade="warning")]


def reference_depth_m(settings: SiteSettings) -> float:
    """Depth that a visit's one velocity is told for: the middle of the primary slice, or of the targets."""
    top, base = settings.primary.slice_m or settings.target.depth_m
    return 0.5 * (top + base)


def probed(
    visit: Visit, readings: pd.DataFrame | None, mapped: xr.Dataset | None, *, reference_depth_m: float
) -> list[VelocityEvidence]:
    """What moisture readings say of velocity, or else what the visit declares; nothing where that is not in use."""
    if "moisture" not in visit.settings.velocity.use:
        return []
    how, soil = visit.settings.readings, visit.settings.soil
    if readings is None:
        v = soil.velocity_m_per_ns
        if v is None:
            return []
        sigma = soil.velocity_sigma_m_per_ns or DECLARED_RELATIVE_SIGMA * v
        return [VelocityEvidence.of_site("declared", v, sigma / v, base_m=reference_depth_m)]
    own, common = reading_error_of(readings, sigma_vwc=how.sigma_vwc)
    return moisture_evidence(
        readings,
        relation=soil_relation(visit),
        own_sigma_vwc=own,
        common_sigma_vwc=common,
        support_depth_m=how.support_depth_m,
        nugget=0.0 if mapped is None else float(mapped.attrs["nugget"]),
    )


def soil_relation(visit: Visit) -> VelocityRelation:
    """The relation of water and velocity that a visit's soil is given at its antenna's frequency."""
    return relation_of_soil(visit.settings.soil, frequency_mhz=visit.settings.antenna.centre_mhz)


def join(
    site: Site,
    visit: Visit,
    summary: MoistureSummary | None,
    mapped: xr.Dataset | None,
    evidence: Sequence[VelocityEvidence],
    *,
    site_xy: npt.NDArray[np.float64],
) -> FusedVelocity:
    """All evidence of a visit's velocity joined; how it may vary is taken from how its moisture does."""
    lateral = None
    if mapped is not None:
        about = mapped.attrs
        lateral = VariogramModel(
            about["family"],
            partial_sill=about["partial_sill"],
            range_m=about["range_m"],
            nugget=about["nugget"],
        )
    vwc = _USUAL_VWC if summary is None else summary.mean
    prior = ground_prior(vwc, relation=soil_relation(visit), lateral=lateral)
    return fuse_velocity(evidence, prior=prior, site_xy=site_xy, reference_depth_m=reference_depth_m(site.settings))


def _places_over(area: shapely.Geometry) -> npt.NDArray[np.float64]:
    """About a hundred places, evenly over the surveyed ground."""
    x0, y0, x1, y1 = shapely.bounds(area)
    step = math.sqrt((x1 - x0) * (y1 - y0) / _PLACES)
    x, y = (np.arange(low + 0.5 * min(step, high - low), high, step) for low, high in ((x0, x1), (y0, y1)))
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inside = shapely.intersects_xy(area, places[:, 0], places[:, 1])
    return places[inside] if inside.any() else np.array(shapely.centroid(area).coords)


def _contradiction(fused: FusedVelocity, visit: Visit) -> Finding:
    worst = max(fused.sources, key=lambda one: abs(one.score))
    text = (
        f"the sources of velocity contradict each other: {worst.source} lies {100 * worst.shift:+.0f} % off what the "
        f"others say, {abs(worst.score):.1f} standard deviations; depths rest on all of them, and the errors that each "
        f"shares were multiplied by {fused.widened:.1f} until none was off by more than two"
    )
    told = "; ".join(f"{one.source} {one.v_m_per_ns:.3f} ± {one.sigma_m_per_ns:.3f}" for one in fused.sources)
    do = "find out which is wrong: time zero, the probe, the hyperbolas; then leave it out of use under [velocity]"
    return Finding("warning", "velocity-contradict", text, received=f"{told} m/ns (sd)", do=do, visit=visit.name)


def _source_words(fused: FusedVelocity, visit: Visit) -> str:
    parts = [_source_part(one, visit) for one in fused.sources]
    told = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"from {told}" if len(parts) == 1 else f"joined from {told}"


def _source_part(check: SourceCheck, visit: Visit) -> str:
    if check.source.startswith("moisture"):
        what = "reading" if check.n == 1 else "readings"
        depth = f"0 to {visit.settings.readings.support_depth_m:.2f} m" if check.source == "moisture" else "at depth"
        return f"{check.n} moisture {what} ({depth}, by {soil_relation(visit).name})"
    if check.source == "declared":
        return "what visit.toml declares"
    if check.source == "hyperbolas":
        return f"{check.n} hyperbola{'' if check.n == 1 else 's'}"
    return check.source
