"""The guard: what a recipe would do to this line that its reader should know of."""

from __future__ import annotations

import numpy as np
import xarray as xr

from yewline._check import check_positive
from yewline.model import Finding, spacing_m
from yewline.recipe.recipe import Recipe, StepCall

__all__ = ["guard"]

WINDOW_GRAVES = 1.5
"""A background window has to be longer than a grave by this factor at least, or it takes the grave with it."""
LINE_GRAVES = 4.0
"""A line this many graves long holds enough ground without a grave to tell background by."""


def guard(recipe: Recipe, radargram: xr.DataArray, *, grave_length_m: float) -> list[Finding]:
    """Warn where a recipe may remove what is looked for, or cannot do its work on this line.

    Parameters
    ----------
    recipe : about to be run.
    radargram : (trace, time) of one line.
    grave_length_m : length of the longest grave expected, m.

    Returns
    -------
    list of findings, empty where there is nothing to say.

    Raises
    ------
    InputError : a grave length that is not positive.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> from yewline.recipe.recipe import recipe_from_toml
    >>> recipe = recipe_from_toml('[[before]]\\nstep = "background_removal"\\nwindow_m = 1.0')
    >>> line = make_radargram([[0.0, 1.0]] * 200, interval_ns=0.5, x=[0.1 * i for i in range(200)], y=[0.0] * 200)
    >>> [finding.code for finding in guard(recipe, line, grave_length_m=2.1)]
    ['background-window-short']
    """
    grave = check_positive(grave_length_m, "grave_length_m")
    where = {"visit": str(radargram.attrs.get("visit", "")), "line": str(radargram.attrs.get("line", ""))}
    findings: list[Finding] = []
    for call in (*recipe.before, *recipe.after):
        if call.step == "background_removal":
            findings += _background(call, radargram, grave, where)
        if call.step == "migrate_stolt":
            findings += _migration(radargram, where)
        if call.step == "migrate_stolt" and "time_zero" not in [before.step for before in recipe.before]:
            findings += _start(radargram, where)
    if recipe.after and "envelope" not in [call.step for call in recipe.after]:
        findings.append(_no_envelope(where))
    return findings + _order(recipe, radargram, where)


def _no_envelope(where: dict[str, str]) -> Finding:
    return Finding(
        grade="warning",
        code="envelope-missing",
        text="the recipe ends without the envelope, so strength swings between plus and minus and averages out",
        do='add [[after]] with step = "envelope" at the end',
        **where,
    )


def _background(call: StepCall, radargram: xr.DataArray, grave: float, where: dict[str, str]) -> list[Finding]:
    window = call.parameters["window_m"]
    findings = []
    if window is not None and window < WINDOW_GRAVES * grave:
        findings.append(
            Finding(
                grade="warning",
                code="background-window-short",
                text="the background window is so short that it removes the response of a grave along the line",
                received=f"{window:g} m, a grave is up to {grave:g} m long",
                do=f"use at least {WINDOW_GRAVES * grave:.1f} m, better 5 to 10 m, or the whole line",
                **where,
            )
        )
    short = [length for length in _lengths(radargram) if length < LINE_GRAVES * grave]
    if short:
        findings.append(
            Finding(
                grade="warning",
                code="background-line-short",
                text="background removal over a piece of line so short may remove much of a grave's response",
                received=", ".join(f"{length:.1f} m" for length in short),
                do=f"compare with neighbouring lines; pieces above {LINE_GRAVES * grave:.1f} m are safe",
                **where,
            )
        )
    return findings


def _migration(radargram: xr.DataArray, where: dict[str, str]) -> list[Finding]:
    distance, segment = radargram["distance"].values, radargram["segment"].values
    steps = np.diff(distance)[np.diff(segment) == 0]
    typical = spacing_m(radargram)
    if len(steps) == 0 or typical <= 0:
        text = "migration leaves pieces of a single trace as they are"
        if len(steps) > 0:
            text = "migration refuses this line: its traces have no distance between them"
        return [Finding(grade="warning", code="migration-no-spacing", text=text, do="check the positions", **where)]
    uneven = float(np.mean(np.abs(steps - typical) > 0.25 * typical))
    if uneven <= 0.05:
        return []
    return [
        Finding(
            grade="warning",
            code="migration-uneven-spacing",
            text="migration takes traces to be evenly spaced, and these are not",
            received=f"{100 * uneven:.0f} % of spacings differ by over a quarter from {typical:.3f} m",
            do="check the line's positions; where they are right, its migrated responses are less sharp and less sure",
            **where,
        )
    ]


def _start(radargram: xr.DataArray, where: dict[str, str]) -> list[Finding]:
    first = float(radargram["time"].values[0])
    if first == 0.0:
        return []
    return [
        Finding(
            grade="warning",
            code="migration-before-time-zero",
            text="migration takes the first sample as time zero, and this record starts at another time",
            received=f"first sample at {first:g} ns",
            do="put time_zero first in the recipe: without it responses are moved wrongly and depths are off",
            **where,
        )
    ]


def _lengths(radargram: xr.DataArray) -> list[float]:
    """Length of each segment, m."""
    distance, segment = radargram["distance"].values, radargram["segment"].values
    return [float(np.ptp(distance[segment == number])) for number in np.unique(segment)]


def _order(recipe: Recipe, radargram: xr.DataArray, where: dict[str, str]) -> list[Finding]:
    before = [call.step for call in recipe.before]
    # A gain for pictures runs on what the whole first part gives.
    names = [*before, *(call.step for call in recipe.display)]
    timed = [name for name in names if name in ("compensate", "power_gain")]
    if not timed or "time_zero" in names[: names.index(timed[0])]:
        return []
    return [
        Finding(
            grade="warning",
            code="gain-before-time-zero",
            text="a gain that counts from time zero runs where time zero was not set",
            received=f"steps {', '.join(names)}; first sample at {float(radargram['time'].values[0]):g} ns",
            do="put time_zero first",
            **where,
        )
    ]
