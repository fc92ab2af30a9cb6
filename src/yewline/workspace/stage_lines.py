"""Lines: recorded files to radargrams with time zero, filters and gain, amplitudes kept true."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError, SiteError, YewlineError
from yewline.model import Finding, digest, version, with_amplitude
from yewline.positions import line_spacing_m
from yewline.progress import Progress
from yewline.recipe import (
    Recipe,
    StepCall,
    guard,
    read_recipe,
    run_after,
    run_before,
    run_lines,
    section_of,
    shipped_recipe,
    standard_recipe,
)
from yewline.signal import Section, fill_traces
from yewline.workspace.around import Surroundings
from yewline.workspace.field import field_findings, said_once
from yewline.workspace.inspect import LineFaults, faulty_traces, inspect_line, line_faults, place_of
from yewline.workspace.lazy import LazyLines, lights_of, without_samples
from yewline.workspace.line_cache import LineCache
from yewline.workspace.load import LoadedVisit, load_visit
from yewline.workspace.looks import line_ends
from yewline.workspace.site import Site, places_inside
from yewline.workspace.site_fits import SiteFits, fit_before, fitted_steps

__all__ = [
    "HalfDone",
    "Lines",
    "finish_lines",
    "first_steps",
    "guard_visit",
    "line_spacing",
    "load_recipe",
    "make_lines",
    "mend_line",
]

Lines = tuple[Mapping[str, xr.DataArray], list[Finding]]
Said = tuple[xr.DataArray | None, list[Finding]]
T = TypeVar("T")

WORKERS = os.cpu_count() or 1
"""Threads over lines; steps let go of the interpreter's lock, and results do not depend on how many there are."""


def load_recipe(site: Site) -> Recipe:
    """The site's `recipe.toml`, or the built-in recipe that `site.toml` names, or the standard one."""
    path, named = site.root / "recipe.toml", site.settings.recipe
    with places_inside(site.root):
        # A name that is not known is refused also where a file goes before it.
        built_in = standard_recipe() if named is None else shipped_recipe(named, where="site.toml, recipe")
        return read_recipe(path) if path.is_file() else built_in


def make_lines(site: Site, recipe: Recipe, *, cache: LineCache, progress: Progress) -> dict[str, Lines]:
    """Radargrams of every visit, by the part of the recipe that needs no velocity.

    What is fitted (absorption, and how much faster high frequencies fade) is fitted once, over all lines of all visits:
    one fit a visit would erase what moisture does. Lines go through one by one, and what the steps up to each fit make
    of them waits in `cache`.
    """
    half: dict[str, HalfDone] = {}
    for visit in site.visits:
        loaded = load_visit(site, visit, progress=progress)
        each = first_steps(loaded, recipe, cache=cache, progress=progress, label=f"process {visit.name}")
        said = said_once([*loaded.findings, *field_findings(visit, loaded), *each.findings])
        half[visit.name] = replace(each, findings=said)
    fits, stops = SiteFits(), fitted_steps(recipe)
    of_fits: list[Finding] = []
    for start, stop in pairwise([*(stops or [len(recipe.before)]), len(recipe.before)]):
        if stops:
            fits, said = fit_before(recipe.before[start], fits, _Sections(half))
            of_fits += said
        for name, each in half.items():
            part = slice(start, stop)
            half[name] = _go_on(each, recipe, part, fits, cache=cache, progress=progress, label=f"compensate {name}")
    made: dict[str, Lines] = {}
    for name, each in half.items():
        made[name] = (each.lines, [*each.findings, *(of_fits if not made else [])])
    return made


@dataclass(frozen=True)
class HalfDone:
    """A visit's lines after a recipe's first steps.

    Attributes
    ----------
    lines : by name; without samples where nothing was kept of them.
    keys : of each in the cache.
    findings : on the raw lines, and the faults of those that a step refused.
    """

    lines: Mapping[str, xr.DataArray]
    keys: Mapping[str, str]
    findings: list[Finding]


def first_steps(
    loaded: LoadedVisit, recipe: Recipe, *, cache: LineCache | None, progress: Progress, label: str
) -> HalfDone:
    """Each raw line up to the first step that needs a fit over the whole site, and what was seen on it.

    Without a cache the lines are let go of once they are through: only where they lie is kept, which `check` needs.
    """
    at = next(iter(fitted_steps(recipe)), len(recipe.before))
    keys = {line: _chain(key, recipe.before[:at]) for line, key in loaded.keys.items()}
    raw = loaded.radargrams

    def one(line: str) -> Said:
        mine = raw[line]
        faults_of = line_faults(mine)
        found = inspect_line(mine, faults_of)
        held = None if cache is None else cache.get(keys[line])
        if held is not None:
            return held, found
        done, faults = _or_fault(mine, lambda: run_before(recipe, mend_line(mine, faults_of), steps=slice(0, at)))
        if done is not None and cache is not None:
            cache.put(keys[line], done)
        return done, [*found, *faults]

    def light(line: str) -> Said:
        done, found = one(line)
        return (None if done is None else without_samples(done)), found

    work = run_lines(light, raw, workers=WORKERS, progress=progress, label=label)
    through = {line: done for line, (done, _) in zip(raw, work, strict=True) if done is not None}
    findings = [finding for _, said in work for finding in said]
    if cache is None:
        return HalfDone(through, {line: keys[line] for line in through}, findings)

    def kept(line: str) -> xr.DataArray:
        held = cache.get(keys[line])
        return run_before(recipe, mend_line(raw[line]), steps=slice(0, at)) if held is None else held

    return HalfDone(LazyLines(through, kept), {line: keys[line] for line in through}, findings)


def _go_on(
    half: HalfDone,
    recipe: Recipe,
    part: slice,
    fits: SiteFits,
    *,
    cache: LineCache,
    progress: Progress,
    label: str,
) -> HalfDone:
    """The next steps on every line of a visit: into the cache, and back without samples."""
    keys = {line: _chain(key, recipe.before[part], asdict(fits)) for line, key in half.keys.items()}

    def one(line: str) -> Said:
        done, faults = cache.get(keys[line]), list[Finding]()
        if done is None:
            held = half.lines[line]
            done, faults = _or_fault(held, lambda: run_before(recipe, held, **asdict(fits), steps=part))
            if done is not None:
                done = done.assign_attrs(line_key=keys[line])
                cache.put(keys[line], done)
        return (None if done is None else without_samples(done)), faults

    work = run_lines(one, half.lines, workers=WORKERS, progress=progress, label=label)
    through = {line: done for line, (done, _) in zip(half.lines, work, strict=True) if done is not None}
    faults = [fault for _, found in work for fault in found]
    lines = LazyLines(through, partial(_kept, cache, keys), lights=through)
    return HalfDone(lines, {line: keys[line] for line in through}, [*half.findings, *faults])


def _kept(cache: LineCache, keys: Mapping[str, str], line: str) -> xr.DataArray:
    held = cache.get(keys[line])
    if held is None:
        raise SiteError("a half-done line vanished while it was needed", where="results/cache", do="run again")
    return held


def _chain(key: str, calls: Sequence[StepCall], *context: Any) -> str:
    """The key of what some steps make of what `key` stands for."""
    return digest(key, version(), [[call.step, call.parameters] for call in calls], *context)


def _or_fault(line: xr.DataArray, work: Callable[[], xr.DataArray]) -> Said:
    """The line that `work` gives; or None, and the fault of the step that refused it."""
    try:
        return work(), []
    except YewlineError as error:
        fault = Finding.of_error(error, "line-left-out", visit=str(line.attrs["visit"]), line=str(line.attrs["line"]))
        step = fault.where.rpartition(", ")[2]
        where = f"{place_of(line)}, {step}" if step.startswith("step ") else place_of(line)
        return None, [replace(fault, where=where)]


def finish_lines(
    near: Surroundings,
    *,
    cache: LineCache,
    progress: Progress,
    label: str,
    use: Callable[[xr.DataArray], T] = without_samples,  # type: ignore[assignment]
) -> tuple[dict[str, T], list[Finding]]:
    """The steps that need a velocity on every line: what `use` makes of each, and the faults of lines that they refuse.

    A line is let go of once it was used, so that no two passes are made and a survey need not fit into memory. What all
    steps but the last make of a line is kept: the last one is what is tried out most. `near` holds the lines, the
    recipe and the velocity, and what the steps may ask for around each line.
    """
    lines, lights, recipe, velocity_m_per_ns = near.lines, near.lights, near.recipe, near.velocity_m_per_ns
    last = max(len(recipe.after) - 1, 0)

    def begun(line: str) -> xr.DataArray:
        if last == 0:
            return lines[line]
        key = _chain(str(lights[line].attrs["line_key"]), recipe.after[:last], velocity_m_per_ns, *near.key(line))
        held = cache.get(key)
        if held is None:
            held = after(lines[line], line, slice(0, last))
            cache.put(key, held)
        return held

    def after(held: xr.DataArray, line: str, steps: slice) -> xr.DataArray:
        return run_after(recipe, held, velocity_m_per_ns=velocity_m_per_ns, around=near.of(line), steps=steps)

    def whole(line: str) -> xr.DataArray:
        return after(begun(line), line, slice(last, None))

    def one(line: str) -> tuple[list[T], list[Finding]]:
        done, faults = _or_fault(lights[line], lambda: whole(line))
        return ([] if done is None else [use(done)]), faults

    work = run_lines(one, lines, workers=WORKERS, progress=progress, label=label)
    used = {line: made[0] for line, (made, _) in zip(lines, work, strict=True) if made}
    return used, [fault for _, faults in work for fault in faults]


class _Sections(Sequence[tuple[npt.NDArray[np.float32], Section]]):
    """Samples and sections of all half-done lines, one at a time."""

    def __init__(self, half: Mapping[str, HalfDone]) -> None:
        self._each = [(held.lines, line) for held in half.values() for line in held.lines]

    def __len__(self) -> int:
        return len(self._each)

    def __getitem__(self, at: Any) -> Any:
        lines, name = self._each[at]
        line = lines[name]
        return line.values, section_of(line)

    def __iter__(self) -> Iterator[tuple[npt.NDArray[np.float32], Section]]:
        return (self[at] for at in range(len(self)))


def guard_visit(site: Site, visit: str, recipe: Recipe, lines: Mapping[str, xr.DataArray]) -> list[Finding]:
    """What the recipe does that could erase a grave; said once for a visit where it holds for many lines."""
    target = site.settings.target
    said: dict[str, list[Finding]] = {}
    for radargram in lights_of(lines).values():
        for finding in guard(
            recipe,
            radargram,
            grave_length_m=target.adult.length_m,
            grave_width_m=target.adult.width_m,
            grave_azimuth_deg=target.azimuth_deg,
            target_depth_m=target.depth_m[1],
        ):
            said.setdefault(finding.text, []).append(finding)
    findings = []
    for text, each in said.items():
        line = each[0].line if len(each) == 1 else ""
        count = "" if len(each) == 1 else f" ({len(each)} of {len(lines)} lines)"
        findings.append(replace(each[0], text=f"{text}{count}", visit=visit, line=line))
    return findings


def line_spacing(lines: Mapping[str, xr.DataArray]) -> float:
    """Spacing of a visit's lines, m; where no two lines are neighbours, a line counts as half a metre wide."""
    ends = {line: line_ends(radargram) for line, radargram in lights_of(lines).items()}
    long = {line: e for line, e in ends.items() if (e[0], e[1]) != (e[2], e[3])}
    spacing_m = line_spacing_m(long) if long else np.nan
    return spacing_m if np.isfinite(spacing_m) and spacing_m > 0 else 0.5


def mend_line(raw: xr.DataArray, faults: LineFaults | None = None) -> xr.DataArray:
    """The same line with faulty traces replaced by their neighbours, never across a gap between segments.

    Raises
    ------
    InputError : every trace is faulty, so that nothing is left to replace them by.
    """
    bad = faulty_traces(raw) if faults is None else faults.traces
    if len(bad) == 0:
        return raw
    if len(bad) == len(raw):
        raise InputError(
            "every trace of the line is without signal or holds wild samples",
            received=f"{len(bad)} traces",
            do="look for a loose cable or a damaged file, and walk the line again",
        )
    values, segment = raw.values.copy(), raw["segment"].values
    for part in np.unique(segment):
        mine = np.flatnonzero(segment == part)
        faulty = np.searchsorted(mine, np.intersect1d(mine, bad))
        if 0 < len(faulty) < len(mine):
            values[mine] = fill_traces(values[mine], faulty)
    return with_amplitude(raw, values)
