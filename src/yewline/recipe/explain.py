"""What each step of a recipe did to one line: before, after, and what it took out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import xarray as xr

from yewline._check import check_choice
from yewline.model import with_amplitude
from yewline.recipe.recipe import PARTS, Recipe
from yewline.recipe.run import StepDone, each_step, section_of

__all__ = ["StepView", "explain_recipe"]


@dataclass(frozen=True, slots=True, eq=False)
class StepView:
    """One step on one line, to be looked at.

    Attributes
    ----------
    step, title : its name in recipes, and a few words for people.
    parameters : every parameter with the value in force; None where the step has no limit there, or works it out from
        the samples.
    before, after : radargram that went into the step and came out of it, each with its own times and places.
    removed : before less after, where the step takes something out and keeps the shape of the line; None for gains,
        shifts, migration, attributes and whatever else cannot be read as a difference. A response that shows here was
        taken out.
    """

    step: str
    title: str
    parameters: dict[str, Any]
    before: xr.DataArray
    after: xr.DataArray
    removed: xr.DataArray | None


def explain_recipe(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    part: Literal["before", "after", "display"] = "before",
    velocity_m_per_ns: float | None = None,
    absorption_db_per_ns: float | None = None,
    q_star: float | None = None,
) -> tuple[StepView, ...]:
    """Run one part of a recipe on one line and keep what every step met and made.

    Parameters
    ----------
    recipe : whose steps are run.
    radargram : (trace, time) what the part starts from: as recorded for "before", the result of `run_before` for the
        other two.
    part : which steps.
    velocity_m_per_ns : wave velocity under the line, m/ns; needed by migration and topography.
    absorption_db_per_ns, q_star : the site's fitted rate, for `compensate`, and its quality, for `q_compensation`.

    Returns
    -------
    One view a step, in their order; the last one's `after` has the samples that running the part gives.

    Raises
    ------
    InputError : no such part, or what a step refuses, with the line and the step named.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> from yewline.recipe.recipe import recipe_from_toml
    >>> line = make_radargram([[5, 1], [5, 3]], interval_ns=0.5, x=[0, 0.1], y=[0, 0], attrs={"centre_mhz": 400.0})
    >>> (view,) = explain_recipe(recipe_from_toml('[[before]]\\nstep = "background_removal"'), line)
    >>> view.after.values.tolist(), view.removed.values.tolist()
    ([[0.0, -1.0], [0.0, 1.0]], [[5.0, 2.0], [5.0, 2.0]])
    """
    check_choice(part, "part", PARTS)
    section = section_of(
        radargram, velocity_m_per_ns=velocity_m_per_ns, absorption_db_per_ns=absorption_db_per_ns, q_star=q_star
    )
    return tuple(_view(done) for done in each_step(getattr(recipe, part), radargram, section))


def _view(done: StepDone) -> StepView:
    before, after = done.before.radargram(), done.after.radargram()
    step = done.call.kind
    removed = None
    if step.removes and before.shape == after.shape:
        removed = with_amplitude(after, before.values - after.values)
    return StepView(step.name, step.title, done.parameters, before, after, removed)
