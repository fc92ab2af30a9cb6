"""From the products of single stages to one `SiteResult`: ground, grid, hotspots, scores and comparisons."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
import xarray as xr

from yewline.errors import SiteError, YewlineError
from yewline.ground import depth_of_time
from yewline.hotspots import cells_inside
from yewline.model import Finding, VolumeGrid, version
from yewline.progress import Progress
from yewline.recipe import Recipe, recipe_digest, recipe_to_toml, run_display
from yewline.volume import slice_thickness_m
from yewline.workspace.choices import list_choices
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.site import Site
from yewline.workspace.stage_accuracy import compare_all, match_tolerance_m, score_one
from yewline.workspace.stage_ground import Ground, make_ground
from yewline.workspace.stage_hotspots import cut_visit, outline_visit
from yewline.workspace.stage_lines import guard_visit, line_spacing
from yewline.workspace.stage_volume import choose_grid
from yewline.workspace.truth import Outlines, area_of_lines, load_outlines

__all__ = ["Products", "SurveyFrame", "gather_result", "survey_frame"]

Lines = tuple[dict[str, xr.DataArray], list[Finding]]


@dataclass(frozen=True)
class SurveyFrame:
    """What all visits share: outlines, area, grid, thickness; and each visit's ground and line spacing."""

    outlines: Outlines
    area: shapely.Geometry
    area_assumed: bool
    grid: VolumeGrid
    thickness_m: float
    ground: dict[str, Ground]
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
    frame: SurveyFrame | None = None
    result: SiteResult | None = None


def survey_frame(site: Site, products: Products) -> SurveyFrame:
    """Find the area, the ground of each visit, and the grid that all visits share.

    Raises
    ------
    SiteError : no visit has a usable line and a velocity; the message tells why of each.
    """
    outlines = load_outlines(site)
    lines = {name: radargrams for name, (radargrams, _) in products.lines.items() if radargrams}
    if not lines:
        faults = [f.text for _, findings in products.lines.values() for f in findings if f.grade == "fault"]
        raise SiteError(
            "no usable line in any visit",
            where=str(site.root.name),
            received="; ".join(faults[:3]) or "no rows in lines.csv",
            do="run `yewline check` for the whole list",
        )
    spacing_m = {name: line_spacing(held) for name, held in lines.items()}
    finest_m = min(spacing_m.values())
    area, assumed = _area(outlines, lines, margin_m=finest_m / 2)
    flat = choose_grid(site.settings, area, spacing_m=finest_m, reach_m=1.0, thickness_m=0.2)
    ground: dict[str, Ground] = {}
    findings: list[Finding] = []
    for name in lines:
        try:
            ground[name] = make_ground(site, site.visit(name), flat, area)
        except YewlineError as error:
            findings.append(Finding.of_error(error, "visit-left-out", visit=name))
    if not ground:
        raise SiteError("no visit has a velocity", received=findings[0].text, do=findings[0].do)
    velocities = {name: each.velocity.mean_m_per_ns for name, each in ground.items()}
    antennas = [site.visit(name).settings.antenna.centre_mhz for name in ground]
    thickness_m = slice_thickness_m(list(velocities.values()), antennas)
    reach_m = max(_reach_m(lines[name], v) for name, v in velocities.items())
    grid = choose_grid(site.settings, area, spacing_m=finest_m, reach_m=reach_m, thickness_m=thickness_m)
    return SurveyFrame(outlines, area, assumed, grid, thickness_m, ground, spacing_m, tuple(findings))


def _area(
    outlines: Outlines, lines: dict[str, dict[str, xr.DataArray]], *, margin_m: float
) -> tuple[shapely.Geometry, bool]:
    whole, assumed = outlines.area, False
    if whole is None:
        places = [np.column_stack([r["x"], r["y"]]) for held in lines.values() for r in held.values()]
        whole, assumed = area_of_lines(places, margin_m), True
    return (whole if outlines.obstacles is None else shapely.difference(whole, outlines.obstacles)), assumed


def _reach_m(lines: dict[str, xr.DataArray], v_m_per_ns: float) -> float:
    """Depth that the last sample of the longest line comes from."""
    longest_ns = max(float(radargram["time"][-1]) for radargram in lines.values())
    separation_m = float(next(iter(lines.values())).attrs.get("separation_m", 0.0))
    return float(depth_of_time(longest_ns, v_m_per_ns, separation_m=separation_m))


def gather_result(
    site: Site,
    recipe: Recipe,
    inputs: dict[str, str],
    products: Products,
    frame: SurveyFrame,
    *,
    progress: Progress,
) -> SiteResult:
    """Outline, score and compare the visits, and put everything together for report and export."""
    settings, burials = site.settings, frame.outlines.burials
    tolerance_m = match_tolerance_m(
        settings, burials, cell_m=frame.grid.cell_m, spacing_m=max(frame.spacing_m.values())
    )
    cut = {name: cut_visit(products.volumes[name], settings, thickness_m=frame.thickness_m) for name in frame.usable}
    outlined = {
        name: outline_visit(site, name, slices.isel(slice=chosen), frame.grid, frame.area)
        for name, (slices, chosen) in cut.items()
    }
    visits = []
    for name in progress.over(frame.usable, "hotspots and accuracy"):
        each, ground = outlined[name], frame.ground[name]
        visits.append(
            VisitResult(
                name=name,
                settings=site.visit(name).settings,
                radargrams={line: run_display(recipe, held) for line, held in products.lines[name][0].items()},
                velocity=ground.velocity,
                readings=ground.readings,
                moisture=ground.moisture,
                moisture_map=_inside_area(ground.moisture_map, frame),
                slices=cut[name][0],
                chosen=cut[name][1],
                noise=each.noise,
                found=each.found,
                equal_area=each.equal_area,
                drawn=each.drawn,
                scored=each.scored,
                score=score_one(each, frame.outlines, settings, frame.area, tolerance_m=tolerance_m),
            )
        )
    said = [*frame.outlines.findings, *frame.findings]
    for name, (_, findings) in products.lines.items():
        said += findings
        if name in frame.ground:
            said += guard_visit(site, name, recipe, products.lines[name][0])
            said += [*frame.ground[name].findings, *outlined[name].findings]
    return SiteResult(
        root=site.root,
        settings=settings,
        area=frame.area,
        area_assumed=frame.area_assumed,
        burials=burials,
        opened=frame.outlines.opened,
        visits=tuple(visits),
        comparisons=compare_all(
            outlined, frame.outlines, settings, frame.area, tolerance_m=tolerance_m, progress=progress
        ),
        recipe=recipe_to_toml(recipe),
        recipe_name=recipe.name,
        recipe_digest=recipe_digest(recipe),
        findings=tuple(site.inside(finding) for finding in said),
        inputs=inputs,
        choices=list_choices(settings, frame.grid, tolerance_m=tolerance_m, thickness_m=frame.thickness_m),
        version=version(),
    )


def _inside_area(mapped: xr.Dataset | None, frame: SurveyFrame) -> xr.Dataset | None:
    """A map for showing: blank outside the surveyed ground, where nobody took a reading or a line."""
    if mapped is None:
        return None
    inside = xr.DataArray(cells_inside(frame.area, frame.grid), dims=("y", "x"), coords={"y": mapped.y, "x": mapped.x})
    return mapped.where(inside)
