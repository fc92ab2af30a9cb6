"""From the products of single stages to one `SiteResult`: hotspots, scores and comparisons."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr

from yewline.errors import InputError, SiteError
from yewline.hotspots import cells_inside
from yewline.model import Finding, version
from yewline.progress import Progress
from yewline.recipe import Recipe, recipe_digest, recipe_to_toml, run_display
from yewline.workspace.choices import list_choices
from yewline.workspace.corrections import corrections_of
from yewline.workspace.lazy import LazyLines, lights_of
from yewline.workspace.rearranged import rearranged_lines
from yewline.workspace.results import SiteResult, VisitResult
from yewline.workspace.site import Site
from yewline.workspace.stage_accuracy import compare_all, match_tolerance_m, score_one
from yewline.workspace.stage_attributes import at_depths
from yewline.workspace.stage_burial_moisture import burial_moisture
from yewline.workspace.stage_day import VisitDay, VisitMoisture, site_confounders, site_states, visit_days
from yewline.workspace.stage_equal_depth import VisitVolume, equal_depth
from yewline.workspace.stage_ground import Ground, reference_depth_m
from yewline.workspace.stage_hotspots import cut_visit, outline_visit
from yewline.workspace.stage_known_depths import check_depths
from yewline.workspace.stage_levels import visit_levels
from yewline.workspace.stage_lines import guard_visit
from yewline.workspace.stage_moisture import MoistureOverVisits, given_level, moisture_over_visits
from yewline.workspace.stage_trust import chosen_below_trust, trust_figures
from yewline.workspace.stage_velocity import compare_velocities
from yewline.workspace.stage_volume import VISIT_REFUSED
from yewline.workspace.stage_wave import VisitWave, visit_wave
from yewline.workspace.survey_frame import Products, SurveyFrame

__all__ = ["gather_result"]


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
        settings,
        burials,
        cell_m=frame.grid.cell_m,
        spacing_m=max(frame.spacing_m.values()),
        position_sigma_m=max(_position_sigma_m(products.lines[name][0]) for name in frame.usable),
    )
    on_volumes = {name: _volume_findings(products, name) for name in frame.usable}
    refused = [said for findings in on_volumes.values() for said in findings if said.code == VISIT_REFUSED]
    left = [name for name in frame.usable if name not in {said.visit for said in refused}]
    cut = {name: cut_visit(products.volumes[name], settings, thickness_m=frame.thickness_m) for name in left}
    no_data = [_no_data(name, *cut.pop(name)) for name in left if _is_blank(*cut[name], frame)]
    if not cut:
        blank = [*refused, *no_data]
        why = ": ".join(part for part in (blank[0].text, blank[0].received) if part)
        raise SiteError("no visit can be mapped", received=why, do=blank[0].do)
    outlined = {
        name: outline_visit(site, name, slices.isel(slice=chosen), frame.grid, frame.area)
        for name, (slices, chosen) in cut.items()
    }
    velocities = {
        name: compare_velocities(site, site.visit(name), frame.heard[name], frame.ground[name]) for name in cut
    }
    scores = {
        name: score_one(each, frame.outlines, settings, frame.area, tolerance_m=tolerance_m)
        for name, each in outlined.items()
    }
    whole = {name: _whole(site, products, frame, name, *cut[name]) for name in cut}
    days, of_days = visit_days(site, {name: frame.ground[name].readings for name in cut})
    waves = {name: _wave(site, name, frame.ground[name]) for name in cut}
    compared = [_moisture_on_day(site, frame, name, days) for name in _by_date(site, cut)]
    inside = cells_inside(frame.area, frame.grid)
    trusts = {name: trust_figures(whole[name].volume, whole[name].chosen, inside) for name in cut}
    figures = given_level(
        {name: told for name in cut if (told := frame.ground[name].moisture_figures) is not None},
        {name: site.visit(name) for name in cut},
    )
    visits = []
    for name in progress.over(cut, "hotspots and accuracy"):
        each, ground = outlined[name], frame.ground[name]
        visits.append(
            VisitResult(
                name=name,
                settings=site.visit(name).settings,
                radargrams=_for_display(recipe, products.lines[name][0], ground.velocity.mean_m_per_ns),
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
                score=scores[name],
                velocities=velocities[name][0],
                moisture_figures=figures.get(name),
                trust=trusts[name],
                trusted_depth=products.volumes[name].get("trusted_depth"),
                attributes=at_depths(whole[name].volume, *(float(whole[name].chosen[side]) for side in ("top", "base")))
                if settings.volume.attributes
                else None,
                burial_moisture=burial_moisture(ground.moisture_map, ground.readings, burials),
                depth_check=check_depths(
                    products.volumes[name],
                    burials,
                    score=scores[name],
                    covered=each.covered,
                    settings=settings,
                    rests_on_depths="known depths" in site.visit(name).settings.velocity.use,
                ),
                levels=visit_levels(
                    products.volumes[name], products.lines[name][0], frame.grid, thickness_m=frame.thickness_m
                ),
                day=days.get(name),
                wave=waves[name][0],
                corrections=corrections_of(
                    site,
                    site.visit(name),
                    products.lines[name][1],
                    zero=next((call.parameters for call in recipe.before if call.step == "time_zero"), None),
                ),
                rearranged=rearranged_lines(
                    site, site.visit(name), products.lines[name][1], lights_of(products.lines[name][0])
                ),
            )
        )
    said = [*site.strays(), *frame.outlines.findings, *frame.findings, *no_data, *of_days]
    said += [told for name in cut for told in chosen_below_trust(name, trusts[name], whole[name].chosen)]
    for name, (_, findings) in products.lines.items():
        said += findings
        said += on_volumes.get(name, [])
        if name in cut:
            said += guard_visit(site, name, recipe, products.lines[name][0])
            said += _display_refused(recipe, products.lines[name][0], frame.ground[name].velocity.mean_m_per_ns)
            said += [*frame.ground[name].findings, *velocities[name][1], *waves[name][1], *outlined[name].findings]
        elif name in frame.ground:
            said += frame.ground[name].findings
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
        left_out=tuple(visit.name for visit in site.visits if visit.name not in cut),
        moisture=_moisture(site, {name: frame.ground[name].readings for name in cut}),
        equal_depth=equal_depth(
            [whole[name] for name in _by_date(site, cut)],
            {name: each.equal_area for name, each in outlined.items()},
            settings,
            frame.grid,
            frame.area,
        ),
        states=site_states(compared),
        confounders=site_confounders(compared),
    )


def _whole(
    site: Site, products: Products, frame: SurveyFrame, name: str, slices: xr.Dataset, chosen: int
) -> VisitVolume:
    return VisitVolume(
        name,
        products.volumes[name],
        frame.ground[name].velocity,
        slices.isel(slice=chosen),
        site.visit(name).settings.antenna.separation_m,
    )


def _wave(site: Site, name: str, ground: Ground) -> tuple[VisitWave | None, list[Finding]]:
    depth_m = reference_depth_m(site.settings)
    return visit_wave(site.visit(name), ground.velocity, ground.moisture, ground.moisture_figures, depth_m=depth_m)


def _moisture_on_day(site: Site, frame: SurveyFrame, name: str, days: Mapping[str, VisitDay]) -> VisitMoisture:
    ground = frame.ground[name]
    return VisitMoisture(site.visit(name), ground.moisture, ground.moisture_figures, days.get(name))


def _by_date(site: Site, names: Iterable[str]) -> list[str]:
    return sorted(names, key=lambda name: (site.visit(name).settings.date, name))


def _moisture(site: Site, readings: Mapping[str, pd.DataFrame | None]) -> MoistureOverVisits | None:
    """The visits' moisture against each other, in the order of their days."""
    tables = {name: table for name in _by_date(site, readings) if (table := readings[name]) is not None}
    if len(tables) < 2:
        return None
    return moisture_over_visits(tables, {name: site.visit(name) for name in tables})


def _position_sigma_m(lines: Mapping[str, xr.DataArray]) -> float:
    """Root mean square over a visit's traces of their position's standard deviation per axis."""
    squares = [light["sigma_xy"].values ** 2 for light in lights_of(lines).values()]
    return float(np.sqrt(np.concatenate(squares).mean()))


def _for_display(recipe: Recipe, lines: Mapping[str, xr.DataArray], v_m_per_ns: float) -> LazyLines:
    """Lines as pictures show them, made when they are asked for; where a step for pictures refuses, as processed."""

    def shown(line: str) -> xr.DataArray:
        try:
            return run_display(recipe, lines[line], velocity_m_per_ns=v_m_per_ns)
        except InputError:
            return lines[line]

    return LazyLines(lines, shown)


def _display_refused(recipe: Recipe, lines: Mapping[str, xr.DataArray], v_m_per_ns: float) -> list[Finding]:
    """What the steps for pictures say of a visit's first line, where they refuse it."""
    for line in list(lines)[:1]:
        try:
            run_display(recipe, lines[line], velocity_m_per_ns=v_m_per_ns)
        except InputError as error:
            refused = Finding.of_error(error, "display-refused", line=line)
            return [replace(refused, grade="warning", visit=str(lines[line].attrs["visit"]))]
    return []


def _volume_findings(products: Products, name: str) -> list[Finding]:
    """What was said of a visit's lines while its volume was made."""
    return [Finding(**each) for each in json.loads(products.volumes[name].attrs["findings"])]


def _is_blank(slices: xr.Dataset, chosen: int, frame: SurveyFrame) -> bool:
    strength = slices["strength"].values[chosen]
    return not np.isfinite(strength[cells_inside(frame.area, frame.grid)]).any()


def _no_data(visit: str, slices: xr.Dataset, chosen: int) -> Finding:
    top_m, base_m = (float(slices[side].values[chosen]) for side in ("top", "base"))
    text = f"the visit holds no data on the slice from {top_m:.2f} to {base_m:.2f} m, and is left out"
    do = "choose a slice that the recordings of every visit reach, and check where the lines lie"
    return Finding("fault", "visit-left-out", text, where=f"visits/{visit}", do=do, visit=visit)


def _inside_area(mapped: xr.Dataset | None, frame: SurveyFrame) -> xr.Dataset | None:
    """A map for showing: blank outside the surveyed ground, where nobody took a reading or a line."""
    if mapped is None:
        return None
    inside = xr.DataArray(cells_inside(frame.area, frame.grid), dims=("y", "x"), coords={"y": mapped.y, "x": mapped.x})
    return mapped.where(inside)
