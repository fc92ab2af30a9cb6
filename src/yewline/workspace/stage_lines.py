"""Lines: recorded files to radargrams with time zero, filters and gain, amplitudes kept true."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

from yewline.errors import YewlineError
from yewline.model import Finding, with_amplitude
from yewline.positions import line_spacing_m
from yewline.progress import Progress
from yewline.recipe import Recipe, guard, read_recipe, run_before, section_of, standard_recipe
from yewline.signal import fill_traces, fit_absorption
from yewline.workspace.inspect import faulty_traces, inspect_line
from yewline.workspace.load import line_ends, load_visit
from yewline.workspace.site import Site

__all__ = ["guard_visit", "line_spacing", "load_recipe", "make_lines"]

Lines = tuple[dict[str, xr.DataArray], list[Finding]]


def load_recipe(site: Site) -> Recipe:
    """The site's `recipe.toml`, or the built-in standard recipe."""
    path = site.root / "recipe.toml"
    return read_recipe(path) if path.is_file() else standard_recipe()


def make_lines(site: Site, recipe: Recipe, *, progress: Progress) -> dict[str, Lines]:
    """Radargrams of every visit, by the part of the recipe that needs no velocity.

    The rate of absorption is fitted once, over all lines of all visits: one a visit would erase what moisture does.
    """
    head, tail = _around_compensation(recipe)
    made: dict[str, Lines] = {}
    for visit in site.visits:
        loaded = load_visit(site, visit, progress=progress)
        findings = list(loaded.findings)
        radargrams = {}
        for line, raw in progress.over(loaded.radargrams.items(), f"process {visit.name}"):
            findings += inspect_line(raw)
            try:
                radargrams[line] = run_before(head, _mended(raw))
            except YewlineError as error:
                findings.append(Finding.of_error(error, "line-left-out", visit=visit.name, line=line))
        made[visit.name] = (radargrams, findings)
    everything = [radargram for radargrams, _ in made.values() for radargram in radargrams.values()]
    if not everything:
        return made
    rate = fit_absorption([(radargram.values, section_of(radargram)) for radargram in everything])
    for name, (radargrams, findings) in made.items():
        finished = {line: run_before(tail, held, absorption_db_per_ns=rate) for line, held in radargrams.items()}
        made[name] = (finished, findings)
    return made


def guard_visit(site: Site, visit: str, recipe: Recipe, lines: dict[str, xr.DataArray]) -> list[Finding]:
    """What the recipe does that could erase a grave, said once for a visit: it is so on every line alike."""
    length_m = site.settings.target.adult.length_m
    said = {f.text: f for radargram in lines.values() for f in guard(recipe, radargram, grave_length_m=length_m)}
    return [replace(finding, visit=visit) for finding in said.values()]


def line_spacing(lines: dict[str, xr.DataArray]) -> float:
    """Spacing of a visit's lines, m; where no two lines are neighbours, a line counts as half a metre wide."""
    ends = {line: line_ends(radargram) for line, radargram in lines.items()}
    spacing_m = line_spacing_m({line: e for line, e in ends.items() if (e[0], e[1]) != (e[2], e[3])})
    return spacing_m if np.isfinite(spacing_m) and spacing_m > 0 else 0.5


def _mended(raw: xr.DataArray) -> xr.DataArray:
    bad = faulty_traces(raw)
    return raw if len(bad) == 0 or len(bad) == len(raw) else with_amplitude(raw, fill_traces(raw.values, bad))


def _around_compensation(recipe: Recipe) -> tuple[Recipe, Recipe]:
    """The steps up to the compensation of absorption, and from it on."""
    names = [call.step for call in recipe.before]
    at = names.index("compensate") if "compensate" in names else len(names)
    return replace(recipe, before=recipe.before[:at]), replace(recipe, before=recipe.before[at:])

