"""Lines: recorded files to radargrams with time zero, filters and gain, amplitudes kept true."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import xarray as xr

from yewline.errors import InputError, YewlineError
from yewline.model import Finding, with_amplitude
from yewline.positions import line_spacing_m
from yewline.progress import Progress
from yewline.recipe import Recipe, guard, read_recipe, run_after, run_before, run_lines, section_of, standard_recipe
from yewline.signal import fill_traces, fit_absorption
from yewline.workspace.inspect import faulty_traces, inspect_line, place_of
from yewline.workspace.load import line_ends, load_visit
from yewline.workspace.site import Site, places_inside

__all__ = ["finish_lines", "first_steps", "guard_visit", "line_spacing", "load_recipe", "make_lines", "mend_line"]

Lines = tuple[dict[str, xr.DataArray], list[Finding]]

WORKERS = os.cpu_count() or 1
"""Threads over lines; steps let go of the interpreter's lock, and results do not depend on how many there are."""


def load_recipe(site: Site) -> Recipe:
    """The site's `recipe.toml`, or the built-in standard recipe."""
    path = site.root / "recipe.toml"
    with places_inside(site.root):
        return read_recipe(path) if path.is_file() else standard_recipe()


def make_lines(site: Site, recipe: Recipe, *, progress: Progress) -> dict[str, Lines]:
    """Radargrams of every visit, by the part of the recipe that needs no velocity.

    The rate of absorption is fitted once, over all lines of all visits: one a visit would erase what moisture does.
    """
    at = _compensation(recipe)
    made: dict[str, Lines] = {}
    for visit in site.visits:
        loaded = load_visit(site, visit, progress=progress)
        work = first_steps(loaded.radargrams, recipe, progress=progress, label=f"process {visit.name}")
        findings = [*loaded.findings, *(finding for _, said in work for finding in said)]
        made[visit.name] = ({str(done.attrs["line"]): done for done, _ in work if done is not None}, findings)
    rate, said = _fit_rate(made, recipe, at)
    for name, (radargrams, findings) in made.items():
        finished = run_lines(
            lambda held: _or_fault(
                held, lambda: run_before(recipe, held, absorption_db_per_ns=rate, steps=slice(at, None))
            ),
            radargrams.values(),
            workers=WORKERS,
            progress=progress,
            label=f"compensate {name}",
        )
        done = {str(line.attrs["line"]): line for line, _ in finished if line is not None}
        made[name] = (done, [*findings, *said, *(fault for _, faults in finished for fault in faults)])
    return made


def first_steps(
    lines: dict[str, xr.DataArray], recipe: Recipe, *, progress: Progress, label: str
) -> list[tuple[xr.DataArray | None, list[Finding]]]:
    """Each raw line up to the compensation of absorption, and what was seen on it; None where a step refuses it."""
    at = _compensation(recipe)
    work = run_lines(
        lambda raw: _first_steps(raw, recipe, at), lines.values(), workers=WORKERS, progress=progress, label=label
    )
    return list(work)


def _first_steps(raw: xr.DataArray, recipe: Recipe, at: int) -> tuple[xr.DataArray | None, list[Finding]]:
    done, faults = _or_fault(raw, lambda: run_before(recipe, mend_line(raw), steps=slice(0, at)))
    return done, [*inspect_line(raw), *faults]


def _or_fault(line: xr.DataArray, work: Callable[[], xr.DataArray]) -> tuple[xr.DataArray | None, list[Finding]]:
    """The line that `work` gives; or None, and the fault of the step that refused it."""
    try:
        return work(), []
    except YewlineError as error:
        fault = Finding.of_error(error, "line-left-out", visit=str(line.attrs["visit"]), line=str(line.attrs["line"]))
        step = fault.where.rpartition(", ")[2]
        where = f"{place_of(line)}, {step}" if step.startswith("step ") else place_of(line)
        return None, [replace(fault, where=where)]


def finish_lines(
    lines: dict[str, xr.DataArray], recipe: Recipe, *, velocity_m_per_ns: float, progress: Progress, label: str
) -> tuple[list[xr.DataArray], list[Finding]]:
    """The steps that need a velocity on every line, and the faults of lines that they refuse."""
    work = run_lines(
        lambda line: _or_fault(line, lambda: run_after(recipe, line, velocity_m_per_ns=velocity_m_per_ns)),
        lines.values(),
        workers=WORKERS,
        progress=progress,
        label=label,
    )
    return [line for line, _ in work if line is not None], [fault for _, faults in work for fault in faults]


def _fit_rate(made: dict[str, Lines], recipe: Recipe, at: int) -> tuple[float, list[Finding]]:
    """The site's rate of absorption; none where no record is long or strong enough to tell."""
    sections = [(held.values, section_of(held)) for radargrams, _ in made.values() for held in radargrams.values()]
    power = float(recipe.before[at].parameters["spreading_power"]) if at < len(recipe.before) else 1.0
    try:
        return fit_absorption(sections, spreading_power=power), []
    except InputError as error:
        text = f"absorption is not compensated: {error.problem}"
        return 0.0, [Finding("warning", "absorption", text)] if sections else []


def guard_visit(site: Site, visit: str, recipe: Recipe, lines: dict[str, xr.DataArray]) -> list[Finding]:
    """What the recipe does that could erase a grave; said once for a visit where it holds for many lines."""
    length_m = site.settings.target.adult.length_m
    said: dict[str, list[Finding]] = {}
    for radargram in lines.values():
        for finding in guard(recipe, radargram, grave_length_m=length_m):
            said.setdefault(finding.text, []).append(finding)
    findings = []
    for text, each in said.items():
        line = each[0].line if len(each) == 1 else ""
        count = "" if len(each) == 1 else f" ({len(each)} of {len(lines)} lines)"
        findings.append(replace(each[0], text=f"{text}{count}", visit=visit, line=line))
    return findings


def line_spacing(lines: dict[str, xr.DataArray]) -> float:
    """Spacing of a visit's lines, m; where no two lines are neighbours, a line counts as half a metre wide."""
    ends = {line: line_ends(radargram) for line, radargram in lines.items()}
    spacing_m = line_spacing_m({line: e for line, e in ends.items() if (e[0], e[1]) != (e[2], e[3])})
    return spacing_m if np.isfinite(spacing_m) and spacing_m > 0 else 0.5


def mend_line(raw: xr.DataArray) -> xr.DataArray:
    """The same line with faulty traces replaced by their neighbours, never across a gap between segments."""
    bad = faulty_traces(raw)
    if len(bad) == 0:
        return raw
    values, segment = raw.values.copy(), raw["segment"].values
    for part in np.unique(segment):
        mine = np.flatnonzero(segment == part)
        faulty = np.searchsorted(mine, np.intersect1d(mine, bad))
        if 0 < len(faulty) < len(mine):
            values[mine] = fill_traces(values[mine], faulty)
    return with_amplitude(raw, values)


def _compensation(recipe: Recipe) -> int:
    """Place of the step that compensates absorption; after all others where there is none."""
    names = [call.step for call in recipe.before]
    return names.index("compensate") if "compensate" in names else len(names)
