"""Run a recipe over radargrams: arrays go through the steps, what was done goes into the provenance."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import add_provenance, interval_ns, spacing_m, version, with_amplitude
from yewline.progress import SILENT, Progress
from yewline.recipe.recipe import Recipe, StepCall, recipe_digest
from yewline.signal import Section

__all__ = ["run_after", "run_before", "run_display", "run_lines", "section_of"]


def section_of(
    radargram: xr.DataArray,
    *,
    velocity_m_per_ns: float | None = None,
    absorption_db_per_ns: float | None = None,
) -> Section:
    """What steps may know of a radargram, from its coordinates and attributes.

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
    return Section(
        interval_ns=interval_ns(radargram),
        spacing_m=spacing_m(radargram),
        centre_mhz=float(radargram.attrs["centre_mhz"]),
        separation_m=float(radargram.attrs.get("separation_m", 0.0)),
        velocity_m_per_ns=velocity_m_per_ns,
        absorption_db_per_ns=absorption_db_per_ns,
    )


def run_before(
    recipe: Recipe,
    radargram: xr.DataArray,
    *,
    absorption_db_per_ns: float | None = None,
    steps: slice = slice(None),
) -> xr.DataArray:
    """Run the steps that come before the velocity is known.

    Parameters
    ----------
    recipe : whose `before` part is run.
    radargram : (trace, time) as recorded; its attributes name the antenna.
    absorption_db_per_ns : the site's fitted rate, for `compensate`.
    steps : which of the part's steps to run: those before `compensate`, say, to fit that rate on what they give.

    Returns
    -------
    Radargram with the same traces, its provenance longer by one entry for each step; once time zero was set, its
    times count from there.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    section = section_of(radargram, absorption_db_per_ns=absorption_db_per_ns)
    return _run(recipe, "before", radargram, section, steps)


def run_after(recipe: Recipe, radargram: xr.DataArray, *, velocity_m_per_ns: float) -> xr.DataArray:
    """Run the steps that come after the velocity is known, on the result of `run_before`; it feeds the volume.

    Parameters
    ----------
    recipe : whose `after` part is run.
    radargram : (trace, time) from `run_before`.
    velocity_m_per_ns : wave velocity under this line, m/ns.

    Returns
    -------
    Radargram with the same traces and longer provenance.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    return _run(recipe, "after", radargram, section_of(radargram, velocity_m_per_ns=velocity_m_per_ns))


def run_display(recipe: Recipe, radargram: xr.DataArray) -> xr.DataArray:
    """Run the steps for pictures, on the result of `run_before`; nothing may be measured on what comes out."""
    return _run(recipe, "display", radargram, section_of(radargram))


T = TypeVar("T")


def run_lines(
    work: Callable[[xr.DataArray], T],
    radargrams: Iterable[xr.DataArray],
    *,
    workers: int = 1,
    progress: Progress = SILENT,
    label: str = "lines",
) -> list[T]:
    """Run one piece of work over many lines, in threads: steps let go of the interpreter's lock.

    Parameters
    ----------
    work : such as ``lambda line: run_before(recipe, line)``.
    radargrams : the lines.
    workers : threads; results do not depend on it, nor does their order.
    progress, label : who is told how far it is, and what to call it.

    Returns
    -------
    list of results, in the order of the lines.

    Examples
    --------
    >>> run_lines(lambda line: line + 1, [1, 2, 3], workers=2)
    [2, 3, 4]
    """
    if workers < 1:
        raise InputError("workers must be at least 1", received=workers)
    lines = list(radargrams)
    progress.report(label, 0, len(lines))
    done: list[T] = []
    with ThreadPoolExecutor(workers) as pool:
        futures = [pool.submit(work, line) for line in lines]
        try:
            for future in futures:
                done.append(future.result())
                progress.report(label, len(done), len(lines))
        except BaseException:
            # One failure or a request to stop: what has not begun is not begun.
            for future in futures:
                future.cancel()
            raise
    return done


def _run(
    recipe: Recipe, part: str, radargram: xr.DataArray, section: Section, steps: slice = slice(None)
) -> xr.DataArray:
    amplitude: npt.NDArray[np.float32] = np.ascontiguousarray(radargram.values, dtype=np.float32)
    runs = _segments(radargram)
    made: list[dict[str, Any]] = []
    stamp = {"part": part, "recipe": recipe.name, "recipe_digest": recipe_digest(recipe), "version": version()}
    calls: tuple[StepCall, ...] = getattr(recipe, part)[steps]
    for call in calls:
        # What was left out follows from the record that the step met, not from the one it made.
        resolved = call.kind.resolved(call.parameters, section, amplitude.shape[1])
        try:
            amplitude = _apply(call, amplitude, section, runs)
        except InputError as error:
            where = f"{_line(radargram)}, step {call.step}"
            raise InputError(error.problem, where=where, received=error.received, do=error.do) from error
        made.append({"step": call.step, "parameters": resolved, **stamp})
    # Only the samples are new: coordinates are shared, and a step that shortens traces cuts the times as well.
    result = with_amplitude(radargram, amplitude)
    if any(call.step == "time_zero" for call in calls) and float(radargram["time"].values[0]) != 0.0:
        times = section.interval_ns * np.arange(amplitude.shape[1])
        result = result.assign_coords(time=("time", times, radargram["time"].attrs))
    return add_provenance(result, *made)


def _apply(
    call: StepCall, amplitude: npt.NDArray[np.float32], section: Section, runs: list[slice]
) -> npt.NDArray[np.float32]:
    """One step over one line; segments apart where the step looks from trace to trace."""
    function, stated = call.kind.function, dict(call.stated)
    if not call.kind.along_line or len(runs) == 1:
        return function(amplitude, section, **stated)
    parts = [function(amplitude[run], section, **stated) for run in runs]
    # A step may shorten the record, one segment more than another: the line keeps what all of them have.
    shortest = min(part.shape[1] for part in parts)
    return np.concatenate([part[:, :shortest] for part in parts])


def _segments(radargram: xr.DataArray) -> list[slice]:
    """Runs of traces that follow one another in the same segment."""
    if "segment" not in radargram.coords:
        return [slice(0, radargram.sizes["trace"])]
    edges = np.flatnonzero(np.diff(radargram["segment"].values) != 0) + 1
    stops = [0, *edges.tolist(), radargram.sizes["trace"]]
    return [slice(a, b) for a, b in pairwise(stops)]


def _line(radargram: xr.DataArray) -> str:
    visit, line = radargram.attrs.get("visit", ""), radargram.attrs.get("line", "")
    return (
        " ".join(part for part in (f"visit {visit}" if visit else "", f"line {line}" if line else "") if part)
        or "radargram"
    )
