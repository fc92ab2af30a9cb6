"""The guard: what a recipe would do to this line that its reader should know of."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import xarray as xr

from yewline._check import check_finite, check_positive
from yewline.model import Finding, spacing_m
from yewline.recipe.guard_background import BACKGROUNDS, LINE_GRAVES, background_findings, lengths_of
from yewline.recipe.guard_relief import relief_findings
from yewline.recipe.recipe import Recipe, StepCall

__all__ = ["guard"]

Said = dict[str, Any]
"""What one finding says, short of its grade and of where the line is."""

_MIGRATIONS: Final = ("migrate_stolt", "migrate_phase_shift", "migrate_kirchhoff", "migrate_kirchhoff_3d")
_EVEN: Final = ("migrate_stolt", "migrate_phase_shift")
"""Migrations that take traces to be evenly apart."""
_TIMED: Final = ("q_compensation", "compensate", "power_gain")
"""Gains that count from time zero."""
_NO_STRENGTH: Final = {
    "similarity": "undisturbed, and a grave makes it low",
    "truncation": "at an edge of layers, strong or weak",
    "low_amplitude": "quiet",
    "instantaneous_frequency": "high in frequency, strong or weak",
}
"""Steps whose result has no sign and is no strength either: where the ground is what, if it is high."""
_SHAFTS: Final = ("truncation", "low_amplitude")
"""Those of them that are high where a shaft was dug."""
_WITHOUT_SIGN: Final = ("envelope", *_NO_STRENGTH)
"""Steps whose result does not swing between plus and minus."""
_LEVEL: Final = ("similarity", "truncation")
"""Attributes of level layers, which background removal takes out."""


def guard(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    grave_length_m: float,
    grave_width_m: float = 0.75,
    grave_azimuth_deg: float | None = None,
    target_depth_m: float | None = None,
) -> list[Finding]:
    """Warn where a recipe may remove what is looked for, or cannot do its work on this line.

    Parameters
    ----------
    recipe : about to be run.
    radargram : (trace, time) of one line.
    grave_length_m : length of the longest grave expected, m.
    grave_width_m : its width, m; used where the azimuth is known.
    grave_azimuth_deg : bearing of the graves' long axis, clockwise from +y; left out, the line may run along them,
        which is the worst case for background removal.
    target_depth_m : depth of the deepest target, m; left out, nothing is said of uneven ground.

    Returns
    -------
    list of findings, empty where there is nothing to say.

    Raises
    ------
    InputError : a grave length or width that is not positive, or an azimuth that is not finite.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> from yewline.recipe.recipe import recipe_from_toml
    >>> recipe = recipe_from_toml('[[before]]\\nstep = "background_removal"\\nwindow_m = 1.0')
    >>> line = make_radargram([[0.0, 1.0]] * 200, interval_ns=0.5, x=[0.1 * i for i in range(200)], y=[0.0] * 200)
    >>> [finding.code for finding in guard(recipe, line, grave_length_m=2.1)]
    ['background-window-short']
    """
    grave = (check_positive(grave_length_m, "grave_length_m"), check_positive(grave_width_m, "grave_width_m"))
    azimuth = None if grave_azimuth_deg is None else check_finite(grave_azimuth_deg, "grave_azimuth_deg")
    where = {"visit": str(radargram.attrs.get("visit", "")), "line": str(radargram.attrs.get("line", ""))}
    said = [
        *background_findings(recipe, radargram, grave, azimuth),
        *_cut_before_filters(recipe),
        *_many_components(recipe),
        *_level_attributes(recipe, radargram, grave[0]),
        *_migrations(recipe, radargram),
        *_ends(recipe),
        *_gains(recipe, radargram),
        *relief_findings(recipe, radargram, target_depth_m),
    ]
    return [Finding(grade="warning", **each, **where) for each in said]


def _amplitude_true(recipe: Recipe) -> tuple[StepCall, ...]:
    return (*recipe.before, *recipe.after)


def _cut_before_filters(recipe: Recipe) -> Iterator[Said]:
    """Filters that follow time zero at once run on the whole record; those that come later meet its edge."""
    names = [call.step for call in recipe.before]
    if "time_zero" not in names:
        return
    at = names.index("time_zero") + 1
    late = itertools.dropwhile(lambda call: call.kind.steady, recipe.before[at:])
    # Once the background is gone, little of the direct wave is left to answer to.
    met = itertools.takewhile(lambda call: call.step not in BACKGROUNDS, late)
    if filters := [call.step for call in met if call.kind.steady]:
        yield {
            "code": "filter-meets-edge",
            "text": "a filter meets a record that begins inside the direct wave, and answers with level bands below it",
            "received": f"steps {', '.join(names)}",
            "do": f"put {' and '.join(filters)} right after time_zero: there filters run on the whole record",
        }


def _many_components(recipe: Recipe) -> Iterator[Said]:
    for call in _amplitude_true(recipe):
        components = call.parameters["components"] if call.step == "eigen_background" else 1
        if components > 1:
            yield {
                "code": "eigen-components",
                "text": "from the second eigen-image on, background removal takes whatever is strongest, graves too",
                "received": f"components = {components}",
                "do": "take out one component, or look at what was removed on every line",
            }


def _level_attributes(recipe: Recipe, radargram: xr.DataArray, grave_m: float) -> Iterator[Said]:
    """Attributes of layers want what is level to be there still."""
    windows = [call.parameters["window_m"] for call in recipe.before if call.step in BACKGROUNDS]
    if not windows:
        return
    longest = max(lengths_of(radargram))
    window = min(longest if each is None else min(each, longest) for each in windows)
    if window >= LINE_GRAVES * grave_m:
        return
    names = dict.fromkeys(call.step for call in (*recipe.after, *recipe.display) if call.step in _LEVEL)
    for name in names:
        yield {
            "code": "attribute-without-level",
            "text": f"{name} measures level layers, and background removal over so short a window takes them out",
            "received": f"{window:.1f} m, a grave is up to {grave_m:g} m long",
            "do": f"use a window above {LINE_GRAVES * grave_m:.1f} m, or leave background removal out for {name}",
        }


def _migrations(recipe: Recipe, radargram: xr.DataArray) -> Iterator[Said]:
    names = [call.step for call in recipe.after if call.step in _MIGRATIONS]
    if not names:
        return
    if len(names) > 1:
        yield {
            "code": "migrated-twice",
            "text": "the recipe migrates twice: the second one spreads out what the first one drew together",
            "received": f"steps {', '.join(names)}",
            "do": "keep one of them",
        }
    before = [call.step for call in recipe.before]
    even = "equal_spacing" in before
    yield from _spacing(radargram, wants_even=not even and any(name in _EVEN for name in names))
    first = float(radargram["time"].values[0])
    if "time_zero" not in before and first != 0.0:
        yield {
            "code": "migration-before-time-zero",
            "text": "migration takes the first sample as time zero, and this record starts at another time",
            "received": f"first sample at {first:g} ns",
            "do": "put time_zero first in the recipe: without it responses are moved wrongly and depths are off",
        }


def _spacing(radargram: xr.DataArray, *, wants_even: bool) -> Iterator[Said]:
    distance, segment = radargram["distance"].values, radargram["segment"].values
    steps = np.diff(distance)[np.diff(segment) == 0]
    typical = spacing_m(radargram)
    if len(steps) == 0 or typical <= 0:
        text = "migration leaves pieces of a single trace as they are"
        if len(steps) > 0:
            text = "migration refuses this line: its traces have no distance between them"
        yield {"code": "migration-no-spacing", "text": text, "do": "check the positions"}
        return
    uneven = float(np.mean(np.abs(steps - typical) > 0.25 * typical))
    if wants_even and uneven > 0.05:
        yield {
            "code": "migration-uneven-spacing",
            "text": "migration takes traces to be evenly spaced, and these are not",
            "received": f"{100 * uneven:.0f} % of spacings differ by over a quarter from {typical:.3f} m",
            "do": "check the line's positions; where they are right, put equal_spacing under [[before]]",
        }


def _ends(recipe: Recipe) -> Iterator[Said]:
    measures = [call.step for call in recipe.after if call.step in _WITHOUT_SIGN]
    if measures and measures[-1] in _NO_STRENGTH:
        name = measures[-1]
        yield {
            "code": "no-strength",
            "text": f"the recipe ends with {name}, so hotspots outline where the ground is {_NO_STRENGTH[name]}; "
            "strong responses are not outlined",
            "do": ("keep it where shafts are looked for; else " if name in _SHAFTS else "")
            + f'end with step = "envelope" under [[after]], and put {name} under [[display]]',
        }
    if recipe.after and not measures:
        yield {
            "code": "envelope-missing",
            "text": "the recipe ends without the envelope, so strength swings between plus and minus and averages out",
            "do": 'add [[after]] with step = "envelope" at the end',
        }


def _gains(recipe: Recipe, radargram: xr.DataArray) -> Iterator[Said]:
    # A gain for pictures runs on what the whole first part gives.
    names = [call.step for call in (*recipe.before, *recipe.display)]
    timed = [name for name in names if name in _TIMED]
    if timed and "time_zero" not in names[: names.index(timed[0])]:
        yield {
            "code": "gain-before-time-zero",
            "text": "a gain that counts from time zero runs where time zero was not set",
            "received": f"steps {', '.join(names)}; first sample at {float(radargram['time'].values[0]):g} ns",
            "do": "put time_zero first",
        }
    if "compensate" in timed and "q_compensation" in timed[timed.index("compensate") :]:
        yield {
            "code": "q-after-compensate",
            "text": "absorption that grows with frequency is undone twice: compensate was fitted with it still there",
            "received": f"steps {', '.join(timed)}",
            "do": "put q_compensation before compensate: its rate is then fitted on what is left",
        }
