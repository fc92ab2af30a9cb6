"""Run a recipe over radargrams: arrays go through the steps, what was done goes into the provenance."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from yewline.errors import InputError
from yewline.model import add_provenance, coordinate, interval_ns, spacing_m, version
from yewline.recipe.held import HeldLine, hold
from yewline.recipe.recipe import Recipe, StepCall
from yewline.signal import Below, Beside, Section

__all__ = ["Around", "StepDone", "each_step", "run_after", "run_before", "run_display", "section_of"]


@dataclass(frozen=True, eq=False)
class Around:
    """What a step may ask for beyond its own line; None where it is not known.

    Attributes
    ----------
    below : of places x, y (n,): depths (Z,) and the velocity at each of them below each place (Z, n), m/ns.
    beside : gives the parallel lines on both sides as they are before the recipe's part, read when they are asked for.
    line_spacing_m : usual distance between neighbouring lines, m.
    """

    below: Below | None = None
    beside: Callable[[], Sequence[Beside]] | None = None
    line_spacing_m: float | None = None


def section_of(
    radargram: xr.DataArray,
    *,
    velocity_m_per_ns: float | None = None,
    absorption_db_per_ns: float | None = None,
    q_star: float | None = None,
    around: Around | None = None,
) -> Section:
    """What steps may know of a radargram, from its coordinates and attributes.

    Heights that are all zero are those of a site that gave none: no step may take them for level ground.

    Raises
    ------
    InputError : the radargram does not say its antenna's centre frequency, or a value is out of range.

    Examples
    --------
    >>> from yewline.model import make_radargram
    >>> radargram = make_radargram([[0, 1], [0, 2]], interval_ns=0.5, x=[0, 0.1], y=[0, 0], attrs={"centre_mhz": 400.0})
    >>> section_of(radargram).spacing_m
    0.1
    """
    if "centre_mhz" not in radargram.attrs:
        raise InputError(
            "the radargram does not say its antenna's centre frequency",
            where=_line(radargram),
            do="give attrs={'centre_mhz': ...}, or centre_mhz under [antenna] in visit.toml",
        )
    heights = coordinate(radargram, "z")
    return Section(
        interval_ns=interval_ns(radargram),
        spacing_m=spacing_m(radargram),
        centre_mhz=float(radargram.attrs["centre_mhz"]),
        separation_m=float(radargram.attrs.get("separation_m", 0.0)),
        velocity_m_per_ns=velocity_m_per_ns,
        absorption_db_per_ns=absorption_db_per_ns,
        q_star=q_star,
        distance_m=coordinate(radargram, "distance"),
        elevation_m=heights if np.any(heights) else None,
        x_m=coordinate(radargram, "x"),
        y_m=coordinate(radargram, "y"),
        below=None if around is None else around.below,
        beside=None if around is None else around.beside,
        line_spacing_m=None if around is None else around.line_spacing_m,
    )


def run_before(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    absorption_db_per_ns: float | None = None,
    q_star: float | None = None,
    steps: slice = slice(None),
) -> xr.DataArray:
    """Run the steps that come before the velocity is known.

    Parameters
    ----------
    recipe : whose `before` part is run.
    radargram : (trace, time) as recorded; its attributes name the antenna.
    absorption_db_per_ns, q_star : the site's fitted rate, for `compensate`, and its quality, for `q_compensation`.
    steps : which of the part's steps to run: those before `compensate`, say, to fit that rate on what they give.

    Returns
    -------
    Radargram with the same traces, its provenance longer by one entry for each step; once time zero was set, its
    times count from there.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    section = section_of(radargram, absorption_db_per_ns=absorption_db_per_ns, q_star=q_star)
    return _run(recipe, "before", radargram, section, steps)


def run_after(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    velocity_m_per_ns: float,
    around: Around | None = None,
    steps: slice = slice(None),
) -> xr.DataArray:
    """Run the steps that come after the velocity is known, on the result of `run_before`; it feeds the volume.

    Parameters
    ----------
    recipe : whose `after` part is run.
    radargram : (trace, time) from `run_before`.
    velocity_m_per_ns : wave velocity under this line, m/ns.
    around : the ground below the line and the lines beside it, for steps that ask for them.
    steps : which of the part's steps to run.

    Returns
    -------
    Radargram with the same traces and longer provenance.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    section = section_of(radargram, velocity_m_per_ns=velocity_m_per_ns, around=around)
    return _run(recipe, "after", radargram, section, steps)


def run_display(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    velocity_m_per_ns: float | None = None,
    absorption_db_per_ns: float | None = None,
    q_star: float | None = None,
) -> xr.DataArray:
    """Run the steps for pictures, on the result of `run_before`; nothing may be measured on what comes out.

    Parameters
    ----------
    recipe : whose `display` part is run.
    radargram : (trace, time) from `run_before`.
    velocity_m_per_ns : wave velocity under this line, m/ns, for `topography`.
    absorption_db_per_ns, q_star : the site's fitted rate and quality, as for `run_before`.

    Returns
    -------
    Radargram with longer provenance. After `topography` time counts from a level datum, whose height is its attribute
    `datum_m`, and the record is longer.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    section = section_of(
        radargram, velocity_m_per_ns=velocity_m_per_ns, absorption_db_per_ns=absorption_db_per_ns, q_star=q_star
    )
    return _run(recipe, "display", radargram, section)


@dataclass(frozen=True, slots=True, eq=False)
class StepDone:
    """One step on one line: its call, every parameter with the value in force, the line before and after."""

    call: StepCall
    parameters: dict[str, Any]
    before: HeldLine
    after: HeldLine


def each_step(calls: tuple[StepCall, ...], radargram: xr.DataArray, section: Section) -> Iterator[StepDone]:
    """Run steps one after the other, handing out what each met and made.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    held = hold(radargram, section)
    for call in calls:
        try:
            held = held.ready_for(call.kind)
            # What was left out follows from the record that the step met, not from the one it made.
            parameters = held.resolved(call.kind, call.parameters)
            made = held.after(call.kind, parameters)
        except InputError as error:
            where = f"{_line(radargram)}, step {call.step}"
            raise InputError(error.problem, where=where, received=error.received, do=error.do) from error
        yield StepDone(call, parameters, held, made)
        held = made


def _run(
    recipe: Recipe, part: str, radargram: xr.DataArray, section: Section, steps: slice = slice(None)
) -> xr.DataArray:
    # What made the line and nothing else: kept, it may serve another recipe that has the same steps so far.
    stamp = {"part": part, "version": version()}
    held = hold(radargram, section)
    entries: list[dict[str, Any]] = []
    for done in each_step(getattr(recipe, part)[steps], radargram, section):
        held = done.after
        entries.append({"step": done.call.step, "parameters": done.parameters, **stamp})
    return add_provenance(held.radargram(), *entries)


def _line(radargram: xr.DataArray) -> str:
    visit, line = radargram.attrs.get("visit", ""), radargram.attrs.get("line", "")
    return (
        " ".join(part for part in (f"visit {visit}" if visit else "", f"line {line}" if line else "") if part)
        or "radargram"
    )
