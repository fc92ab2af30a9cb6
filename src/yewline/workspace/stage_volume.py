"""Volume: all lines of a visit, migrated and enveloped, on the grid that all visits share."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

import numpy as np
import shapely
import xarray as xr

from yewline.errors import SettingsError
from yewline.model import Finding, SiteSettings, VelocityField, VolumeGrid, VolumeSettings, make_volume
from yewline.progress import Progress
from yewline.recipe import Recipe
from yewline.volume import (
    Interpolation,
    LineGains,
    Nodes,
    apply_gains,
    arrival_sigma_ns,
    direction_gains,
    image_ray_shift_m,
    line_gains,
    line_nodes,
    volume_of_nodes,
)
from yewline.workspace.around import Surroundings, alias_findings, lone_findings
from yewline.workspace.line_cache import LineCache
from yewline.workspace.stage_attributes import with_attributes
from yewline.workspace.stage_lines import finish_lines
from yewline.workspace.stage_trust import with_trust

__all__ = ["VISIT_REFUSED", "choose_grid", "make_visit_volume"]

BELOW: Final = "below the line"
"""What a migration is asked for that follows rays through the velocity as it varies."""
VISIT_REFUSED: Final = "visit-refused"
"""Code of the finding on a visit of which a recipe refuses every line."""


def choose_grid(
    settings: SiteSettings, area: shapely.Geometry, *, spacing_m: float, reach_m: float, thickness_m: float
) -> VolumeGrid:
    """The grid of all visits.

    The cell is half the spacing of the lines, on whole centimetres (common practice, no source). The depth goes a slice
    below the deepest target, or to the base of the primary slice, but not below what the recorded time reaches.

    Raises
    ------
    SettingsError : the cell that `site.toml` fixes is wider than the lines are apart, so that some would hold no data.
    """
    if settings.cell_m is not None and settings.cell_m > spacing_m:
        raise SettingsError(
            "the cell is wider than the lines are apart",
            where="site.toml, cell_m",
            received=f"{settings.cell_m:g} m for lines {spacing_m:.2f} m apart",
            do="leave it out, or use half the spacing",
        )
    cell_m = settings.cell_m or max(0.05, round(spacing_m / 2, 2))
    chosen_m = settings.primary.slice_m[1] if settings.primary.slice_m else 0.0
    wanted_m = settings.depth_max_m or max(settings.target.depth_m[1] + thickness_m, chosen_m)
    depth_m = max(min(wanted_m, reach_m), 2 * settings.depth_step_m)
    return VolumeGrid.around(area.bounds, cell_m=cell_m, depth_max_m=depth_m, depth_step_m=settings.depth_step_m)


def make_visit_volume(
    lines: Mapping[str, xr.DataArray],
    recipe: Recipe,
    velocity: VelocityField,
    grid: VolumeGrid,
    *,
    how: VolumeSettings,
    spacing_m: float,
    cache: LineCache,
    progress: Progress,
    label: str,
) -> xr.Dataset:
    """Run the steps that need a velocity on every line, and put the lines into one volume.

    Its attribute `findings` tells, as JSON, which lines a step refused. Where none is left, it holds no data and
    says so there: the other visits go on.
    """
    near = Surroundings(lines, recipe, velocity.mean_m_per_ns, velocity, spacing_m)
    about = next(iter(near.lights.values())).attrs
    separation_m = float(about.get("separation_m", 0.0))
    lengths = {"line_spacing_m": spacing_m, "separation_m": separation_m}
    parts, faults = finish_lines(
        near,
        cache=cache,
        progress=progress,
        label=label,
        use=lambda line: line_nodes(line, velocity, grid, **lengths),
    )
    visit = str(about["visit"])
    faults += lone_findings(near, visit)
    faults += alias_findings(
        recipe,
        visit,
        line_spacing_m=spacing_m,
        velocity_m_per_ns=velocity.mean_m_per_ns,
        centre_mhz=float(about["centre_mhz"]),
    )
    if not parts:
        return _no_volume(grid, faults)
    balanced, gains = _balanced(parts, how, spacing_m)
    faults += [_said_of_gains(kind, found, list(parts), visit) for kind, found in gains.items()]
    centre_mhz = float(about["centre_mhz"])
    volume = volume_of_nodes(
        balanced,
        velocity,
        grid,
        line_spacing_m=spacing_m,
        separation_m=separation_m,
        time_zero_sigma_ns=arrival_sigma_ns(centre_mhz),
        interpolation=Interpolation(how.interpolation, wavelength_m=1e3 * velocity.mean_m_per_ns / centre_mhz),
    )
    volume, untold = with_trust(volume, lines, velocity, grid, **lengths)
    volume, unmade = with_attributes(volume, how.attributes, visit=visit)
    faults += [*untold, *unmade]
    faults += _said_of_bending(volume, velocity, recipe, visit, cell_m=grid.cell_m)
    told = {f"gains_{kind}": json.dumps(found.as_dict()) for kind, found in gains.items()}
    volume = volume.assign_attrs(velocity_m_per_ns=velocity.mean_m_per_ns, **told)
    return _with_findings(volume, faults)


def _balanced(
    parts: Mapping[str, Nodes], how: VolumeSettings, spacing_m: float
) -> tuple[list[Nodes], dict[str, LineGains]]:
    """Lines brought to one level as far as the settings ask for it, and by what each was multiplied."""
    lines, gains = list(parts.values()), dict[str, LineGains]()
    for kind, find in (("lines", line_gains), ("directions", direction_gains)):
        if kind in how.balance:
            gains[kind] = find(lines, line_spacing_m=spacing_m)
            lines = apply_gains(lines, gains[kind])
    return lines, gains


def _said_of_gains(kind: str, found: LineGains, names: list[str], visit: str) -> Finding:
    changed = np.flatnonzero(found.gain != 1.0)
    if not len(changed):
        text = f"the levels of {kind} differ by no more than chance: they are left as they are"
        return Finding("found", "balance-none", text, visit=visit)
    db = 20.0 * np.log10(found.gain[changed])
    most = names[int(changed[np.abs(db).argmax()])]
    text = f"{len(changed)} lines were brought to the level of their {'neighbours' if kind == 'lines' else 'crossings'}"
    received = f"by {db.min():+.1f} to {db.max():+.1f} dB, most of all {most}"
    do = "anything that is true of a whole line counts as a stripe, a drain under it too: look at that line by itself"
    return Finding("found", "balance", text, received=received, do=do, visit=visit)


def _said_of_bending(
    volume: xr.Dataset, velocity: VelocityField, recipe: Recipe, visit: str, *, cell_m: float
) -> list[Finding]:
    """Whether rays bend so far aside that a migration with one velocity leaves things in the next cell."""
    migrations = [call for call in recipe.after if call.step.startswith("migrate")]
    if not migrations or any(call.parameters.get("ground") == BELOW for call in migrations):
        return []
    covered = volume["coverage"].values.any(axis=0)
    deepest_m = float(volume["depth"].values[-1])
    shift = image_ray_shift_m(velocity, deepest_m)
    if shift.shape != covered.shape or not np.isfinite(shift[covered]).any():
        return []
    most_m = float(np.nanquantile(shift[covered], 0.95))
    if most_m <= 0.5 * cell_m:
        return []
    text = (
        "velocity changes along the ground so that rays bend: a migration with one velocity leaves things "
        f"{deepest_m:.1f} m down by up to {most_m:.2f} m aside"
    )
    do = f'use migrate_kirchhoff with ground = "{BELOW}" in a recipe.toml of your own'
    return [Finding("warning", "rays-bend", text, received=f"cells of {cell_m:g} m", do=do, visit=visit)]


def _no_volume(grid: VolumeGrid, faults: list[Finding]) -> xr.Dataset:
    """What stands for the volume of a visit of which no line is left."""
    nothing = np.full((grid.nz, grid.ny, grid.nx), np.nan, np.float32)
    volume = make_volume(grid, strength=nothing, coverage=np.isfinite(nothing), depth_error=nothing)
    first = faults[0]
    lost = Finding(
        "fault",
        VISIT_REFUSED,
        "the recipe refuses every line of the visit, which is left out",
        where=f"visits/{first.visit}",
        received=first.text,
        do=first.do or "try the recipe on one of its lines",
        visit=first.visit,
    )
    return _with_findings(volume, [*faults, lost])


def _with_findings(volume: xr.Dataset, findings: list[Finding]) -> xr.Dataset:
    return volume.assign_attrs(findings=json.dumps([finding.as_dict() for finding in findings]))
