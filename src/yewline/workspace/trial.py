"""A recipe tried on one line: what each step kept and removed, without a run of the site."""

from __future__ import annotations

import difflib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from yewline.errors import SiteError
from yewline.ground import summarise_moisture
from yewline.model import add_provenance, provenance_steps
from yewline.recipe import Recipe, StepView, explain_recipe
from yewline.signal import kept_and_removed
from yewline.workspace.load import LoadedVisit, line_names, load_lines, load_visit
from yewline.workspace.site import Site, Visit
from yewline.workspace.site_fits import SiteFits, fitted_steps
from yewline.workspace.stage_ground import join, load_readings, no_velocity, probed, reference_depth_m
from yewline.workspace.stage_lines import load_recipe, mend_line
from yewline.workspace.store import load_radargrams, volume_attributes

__all__ = ["STAGES", "Trial", "TriedStep", "line_at", "try_line"]

STAGES = ("recorded", "before", "after")
"""As recorded; after the steps before the velocity is known; after those that need it, which feed the volume."""
_FOLLOWS = {"recorded": "", "before": "recorded", "after": "before"}
_NO_FIT = "absorption is fitted over the whole site by a run with these steps: none is compensated here yet"
_LAST_RUN = "absorption and velocity are those of the last run"
_AROUND = "the recipe looks around the line, which a trial of one line cannot"


@dataclass(frozen=True)
class TriedStep:
    """One step on the line.

    Attributes
    ----------
    part : "before" or "after" the velocity.
    view : its name, title and parameters in force; the line before and after it, and what it removed.
    rms_before, rms_after : root mean square of all samples, in the units recorded.
    removed_share : energy of what it removed over that of what went in; None where it removes nothing by its kind.
    """

    part: str
    view: StepView
    rms_before: float
    rms_after: float
    removed_share: float | None


@dataclass(frozen=True)
class Trial:
    """A recipe on one line.

    Attributes
    ----------
    visit, line, recipe : names.
    steps : in their order; those for pictures are not among them.
    velocity_m_per_ns : of the visit; None where nothing tells it, and then no step after it was run.
    recorded : the line as it was recorded.
    notes : what was not as in a run, in plain words.
    seconds : for reading the line and running its steps.
    """

    visit: str
    line: str
    recipe: str
    steps: tuple[TriedStep, ...]
    velocity_m_per_ns: float | None
    recorded: xr.DataArray
    notes: tuple[str, ...]
    seconds: float

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for ``--json``."""
        return {
            "visit": self.visit,
            "line": self.line,
            "recipe": self.recipe,
            "velocity_m_per_ns": self.velocity_m_per_ns,
            "notes": list(self.notes),
            "seconds": round(self.seconds, 3),
            "steps": [
                {
                    "part": each.part,
                    "step": each.view.step,
                    "parameters": each.view.parameters,
                    "rms_before": each.rms_before,
                    "rms_after": each.rms_after,
                    "removed_share": each.removed_share,
                }
                for each in self.steps
            ],
        }


def try_line(site: Site, line: str, *, visit: str | None = None) -> Trial:
    """Run the site's recipe on one line, and keep what every step met and made.

    Parameters
    ----------
    line : its name in `lines.csv`.
    visit : which visit; left out, the first that has a line of that name.

    Raises
    ------
    SiteError : there is no such visit or line; the nearest name is offered.
    YewlineError : what a step refuses, with the step named.
    """
    return _try(site, _visit_of(site, line, visit), line)


def _try(site: Site, chosen: Visit, line: str, *, migrated: bool = True) -> Trial:
    """The trial; where it need not be migrated, its steps before the velocity is known."""
    recipe = load_recipe(site)
    started = time.perf_counter()
    raw = _recorded(site, chosen, line)
    notes: list[str] = []
    fits = _fits(site, chosen, line, recipe, notes)
    before = explain_recipe(
        recipe,
        mend_line(raw),
        part="before",
        absorption_db_per_ns=fits.absorption_db_per_ns,
        q_star=fits.q_star,
    )
    steps = list(_tried("before", before))
    velocity = _velocity(site, chosen, notes) if migrated else None
    if velocity is not None:
        start = before[-1].after if before else raw
        below = any(call.parameters.get("ground") == "below the line" for call in recipe.after)
        if below or any(call.kind.first for call in recipe.after):
            notes.append(_AROUND)
        if not below:
            steps += _tried("after", explain_recipe(recipe, start, part="after", velocity_m_per_ns=velocity))
    seconds = time.perf_counter() - started
    return Trial(chosen.name, line, recipe.name, tuple(steps), velocity, raw, tuple(notes), seconds)


def line_at(site: Site, visit: str, line: str, stage: str) -> xr.DataArray:
    """One line at a stage of its processing: the same traces at all, so that a pick on one can be shown on the other.

    Parameters
    ----------
    visit, line : which.
    stage : one of `STAGES`; "before" and "after" have the same times as well, unless the recipe changes them.

    Returns
    -------
    Radargram; its attribute `stage` says which it is, and its provenance how it came about.

    Raises
    ------
    SiteError : no such visit, line or stage; or a fit over the whole site is needed, and no run has made it yet.
    YewlineError : what a step refuses.
    """
    if stage not in STAGES:
        raise SiteError("no such stage of a line", received=repr(stage), do=f"stages are {', '.join(STAGES)}")
    chosen = _visit_of(site, line, visit)
    if stage == "recorded":
        return _recorded(site, chosen, line).assign_attrs(stage=stage, follows_from=_FOLLOWS[stage])
    trial = _try(site, chosen, line, migrated=stage == "after")
    if _NO_FIT in trial.notes:
        raise SiteError(_NO_FIT, where=f"visits/{visit}, line {line}", do="run the site first")
    if stage == "after" and trial.velocity_m_per_ns is None:
        raise SiteError(trial.notes[-1], where=f"visits/{visit}", do="add readings, or declare a velocity")
    if stage == "after" and _AROUND in trial.notes:
        raise SiteError(
            _AROUND, where=f"visits/{visit}, line {line}", do="use yewline.recipe.run_after with its Around"
        )
    views = [each.view for each in trial.steps]
    found = views[-1].after if views else trial.recorded
    steps = [{"step": view.step, "parameters": view.parameters} for view in views]
    return add_provenance(found, *steps).assign_attrs(stage=stage, follows_from=_FOLLOWS[stage])


def _tried(part: str, views: tuple[StepView, ...]) -> Iterator[TriedStep]:
    for view in views:
        share = None
        if view.removed is not None:
            share = kept_and_removed(view.before.values, view.after.values).removed_share
        yield TriedStep(part, view, _rms(view.before), _rms(view.after), share)


def _rms(line: xr.DataArray) -> float:
    # In double precision, which squares of very large or small samples do not leave.
    return float(np.sqrt(np.mean(np.square(line.values, dtype=np.float64))))


def _visit_of(site: Site, line: str, visit: str | None) -> Visit:
    visits = site.visits if visit is None else (site.visit(visit),)
    names = {each.name: line_names(each) for each in visits}
    for each in visits:
        if line in names[each.name]:
            return each
    known = list(dict.fromkeys(name for held in names.values() for name in held))
    near = difflib.get_close_matches(line, known, n=1, cutoff=0.4)
    do = f"did you mean '{near[0]}'?" if near else f"lines here: {', '.join(known[:12]) or 'none'}"
    raise SiteError(f"no line called {line!r}", where=f"visits/{visit}" if visit else "visits", do=do)


def _recorded(site: Site, visit: Visit, line: str) -> xr.DataArray:
    raw = load_lines(site, visit, {line}).get(line)
    if raw is None:
        raise _unusable(load_visit(site, visit), visit, line)
    return raw


def _unusable(loaded: LoadedVisit, visit: Visit, line: str) -> SiteError:
    faults = [finding for finding in loaded.findings if finding.grade == "fault" and finding.line == line]
    if faults:
        first = faults[0]
        return SiteError(first.text, where=first.where, received=first.received or None, do=first.do)
    return SiteError(f"line {line} cannot be used", where=f"visits/{visit.name}/lines.csv", do="see `yewline check`")


def _fits(site: Site, visit: Visit, line: str, recipe: Recipe, notes: list[str]) -> SiteFits:
    """What the last run fitted over the whole site, as the provenance of its lines holds it."""
    if not fitted_steps(recipe):
        return SiteFits()
    try:
        lines, _ = load_radargrams(site.results_of(visit.name) / "radargrams.zarr")
        held = lines.light(line) if line in lines else next((lines.light(name) for name in lines), None)
        done = [] if held is None else [each for each in provenance_steps(held) if each.get("part") == "before"]
    except (OSError, ValueError, KeyError, TypeError):
        # No run yet, or results that are damaged: they are safe to delete, and count as if they were.
        done = []
    if done and _same_steps(recipe, done):
        notes.append(_LAST_RUN)
        fitted = {each["step"]: each["parameters"] for each in done}
        return SiteFits(
            fitted.get("compensate", {}).get("absorption_db_per_ns"), fitted.get("q_compensation", {}).get("q_star")
        )
    notes.append(_NO_FIT)
    return SiteFits()


def _same_steps(recipe: Recipe, done: list[dict[str, Any]]) -> bool:
    """Whether the last run took the steps that the recipe has now, with what it states."""
    if [call.step for call in recipe.before] != [each["step"] for each in done]:
        return False
    return all(
        each["parameters"].get(name) == value
        for call, each in zip(recipe.before, done, strict=True)
        for name, value in call.stated.items()
    )


def _velocity(site: Site, visit: Visit, notes: list[str]) -> float | None:
    """The velocity of the last run, or of the visit's readings now."""
    told = volume_attributes(site.results_of(visit.name) / "volume.zarr").get("velocity_m_per_ns")
    if isinstance(told, float):
        if _LAST_RUN not in notes:
            notes.append("the velocity is that of the last run")
        return told
    readings, every, _ = load_readings(site, visit, None)
    reference_m = reference_depth_m(site.settings)
    evidence = probed(visit, every, None, reference_depth_m=reference_m)
    if not evidence:
        notes.append(f"steps after the velocity are not tried: {no_velocity(visit).problem}")
        return None
    summary = None
    if readings is not None:
        summary = summarise_moisture(readings, support_depth_m=visit.settings.readings.support_depth_m)
        notes.append("the velocity is that of the readings' mean: a run joins it with what the recordings tell")
    return join(site, visit, summary, None, evidence, site_xy=np.zeros((1, 2))).site_mean(reference_m)[0]
