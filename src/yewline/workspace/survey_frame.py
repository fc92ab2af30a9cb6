"""What all visits of a survey share: outlines, area, grid; and each visit's ground, before anything is mapped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import shapely
import xarray as xr

from yewline.errors import SettingsError, SiteError, YewlineError
from yewline.ground import depth_of_time
from yewline.model import Finding, VolumeGrid
from yewline.volume import slice_thickness_m
from yewline.workspace.lazy import lights_of
from yewline.workspace.results import SiteResult
from yewline.workspace.site import Site
from yewline.workspace.stage_ground import Ground, load_readings, make_ground
from yewline.workspace.stage_lines import Lines, line_spacing
from yewline.workspace.stage_velocity import HeardVelocities, heard_of_velocity
from yewline.workspace.stage_volume import choose_grid
from yewline.workspace.truth import Outlines, area_of_lines, load_outlines, within
from yewline.workspace.velocities import RecordedVelocities

__all__ = ["Products", "SurveyFrame", "survey_frame"]


@dataclass(frozen=True)
class SurveyFrame:
    """What all visits share: outlines, area, grid, thickness; and each visit's ground, line spacing and what tells its
    velocity besides moisture (missing where recordings were not searched)."""

    outlines: Outlines
    area: shapely.Geometry
    area_assumed: bool
    grid: VolumeGrid
    thickness_m: float
    ground: dict[str, Ground]
    heard: dict[str, HeardVelocities]
    spacing_m: dict[str, float]
    findings: tuple[Finding, ...]

    @property
    def usable(self) -> tuple[str, ...]:
        """Visits that have lines and a velocity."""
        return tuple(self.ground)


@dataclass
class Products:
    """Products held in memory during a run, each loaded or made at most once."""

    lines: dict[str, Lines] = field(default_factory=dict)
    volumes: dict[str, xr.Dataset] = field(default_factory=dict)
    velocities: dict[str, RecordedVelocities] = field(default_factory=dict)
    frame: SurveyFrame | None = None
    result: SiteResult | None = None


def survey_frame(site: Site, products: Products) -> SurveyFrame:
    """Find the area, the ground of each visit, and the grid that all visits share.

    Raises
    ------
    SiteError : no visit has a usable line and a velocity; the message tells why of each.
    """
    outlines = load_outlines(site)
    lines = {name: lights_of(radargrams) for name, (radargrams, _) in products.lines.items() if radargrams}
    if not lines:
        faults = [f.text for _, findings in products.lines.values() for f in findings if f.grade == "fault"]
        raise SiteError(
            "no usable line in any visit",
            where=str(site.root.name),
            # One cause may stand behind every line: it is told once.
            received="; ".join(list(dict.fromkeys(faults))[:3]) or "no rows in lines.csv",
            do="run `yewline check` for the whole list",
        )
    spacing_m = {name: line_spacing(held) for name, held in lines.items()}
    finest_m = min(spacing_m.values())
    area, assumed = _area(outlines, lines, margin_m=finest_m / 2)
    outlines = within(outlines, area)
    flat = choose_grid(site.settings, area, spacing_m=finest_m, reach_m=1.0, thickness_m=0.2)
    ground: dict[str, Ground] = {}
    heard: dict[str, HeardVelocities] = {}
    findings: list[Finding] = []
    for name in lines:
        try:
            visit = site.visit(name)
            recorded = products.velocities.get(name)
            if recorded is None:  # a check in the field does not search the recordings
                ground[name] = make_ground(site, visit, flat, area)
                continue
            heard[name] = heard_of_velocity(site, visit, recorded, products.lines[name][0], outlines.burials)
            ground[name] = make_ground(site, visit, flat, area, recorded=heard[name].evidence)
        except YewlineError as error:
            # Why it has no velocity is in what was said of its readings.
            findings += load_readings(site, site.visit(name), area)[2]
            findings.append(Finding.of_error(error, "visit-left-out", visit=name))
    if not ground:
        why = next(finding for finding in findings if finding.code == "visit-left-out")
        raise SiteError("no visit has a velocity", received=why.text, do=why.do)
    velocities = {name: each.velocity.mean_m_per_ns for name, each in ground.items()}
    antennas = [site.visit(name).settings.antenna.centre_mhz for name in ground]
    # A slice holds at least two steps of depth, however short the waves are.
    thickness_m = max(slice_thickness_m(list(velocities.values()), antennas), 2 * site.settings.depth_step_m)
    reach_m = max(_reach_m(lines[name], v) for name, v in velocities.items())
    grid = choose_grid(site.settings, area, spacing_m=finest_m, reach_m=reach_m, thickness_m=thickness_m)
    chosen = site.settings.primary.slice_m
    if chosen is not None and chosen[1] > grid.nz * grid.depth_step_m + 1e-9:
        raise SettingsError(
            "the primary slice lies deeper than the volume",
            where="site.toml, primary.slice_m",
            received=f"{chosen[0]:g} to {chosen[1]:g} m; the recordings reach {reach_m:.2f} m",
            do="choose a slice above that" + (", or a larger depth_max_m" if site.settings.depth_max_m else ""),
        )
    findings += _too_shallow(site, grid)
    return SurveyFrame(outlines, area, assumed, grid, thickness_m, ground, heard, spacing_m, tuple(findings))


def _too_shallow(site: Site, grid: VolumeGrid) -> list[Finding]:
    depth_m, (top_m, base_m) = grid.nz * grid.depth_step_m, site.settings.target.depth_m
    if depth_m >= base_m:
        return []
    text = f"the volume ends at {depth_m:.2f} m, but targets are expected from {top_m:g} to {base_m:g} m"
    do = "what lies deeper is not shown: raise depth_max_m, or record a longer time window"
    return [Finding("warning", "depth-short", text, where="site.toml", do=do)]


def _area(
    outlines: Outlines, lines: Mapping[str, Mapping[str, xr.DataArray]], *, margin_m: float
) -> tuple[shapely.Geometry, bool]:
    whole, assumed = outlines.area, False
    places = [np.column_stack([r["x"], r["y"]]) for held in lines.values() for r in held.values()]
    if whole is None:
        whole, assumed = area_of_lines(places, margin_m), True
    left = whole if outlines.obstacles is None else shapely.difference(whole, outlines.obstacles)
    if left.area == 0:
        raise SiteError(
            "the obstacles leave nothing of the surveyed area", where="obstacles", do="check their outlines"
        )
    points = shapely.multipoints(np.concatenate(places))
    if not shapely.intersects(shapely.buffer(left, margin_m), points):
        do = "check the frame of the area and the coordinates of the lines"
        raise SiteError("no line lies in the surveyed area", where="area", do=do)
    return left, assumed


def _reach_m(lines: Mapping[str, xr.DataArray], v_m_per_ns: float) -> float:
    """Depth that the last sample of the longest line comes from."""
    longest_ns = max(float(radargram["time"][-1]) for radargram in lines.values())
    separation_m = float(next(iter(lines.values())).attrs.get("separation_m", 0.0))
    return float(depth_of_time(longest_ns, v_m_per_ns, separation_m=separation_m))
