"""Run a recipe over radargrams: arrays go through the steps, what was done goes into the provenance."""

from __future__ import annotations

import inspect
from collections import deque
from collections.abc import Callable, Collection
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import add_provenance, interval_ns, spacing_m, version, with_amplitude
from yewline.progress import SILENT, Progress
from yewline.recipe.recipe import Recipe, StepCall, recipe_digest
from yewline.recipe.steps import Step
from yewline.signal import Section

__all__ = ["run_after", "run_before", "run_display", "run_lines", "section_of"]


def section_of(
    radargram: xr.DataArray,
    *,
    velocity_m_per_ns: float | None = None,
    absorption_db_per_ns: float | None = None,
    q_star: float | None = None,
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
        q_star=q_star,
        distance_m=radargram["distance"].values,
        elevation_m=radargram["z"].values,
        x_m=radargram["x"].values,
        y_m=radargram["y"].values,
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
    recipe: Recipe, radargram: xr.DataArray, *, velocity_m_per_ns: float, steps: slice = slice(None)
) -> xr.DataArray:
    """Run the steps that come after the velocity is known, on the result of `run_before`; it feeds the volume.

    Parameters
    ----------
    recipe : whose `after` part is run.
    radargram : (trace, time) from `run_before`.
    velocity_m_per_ns : wave velocity under this line, m/ns.
    steps : which of the part's steps to run.

    Returns
    -------
    Radargram with the same traces and longer provenance.

    Raises
    ------
    InputError : what a step refuses, with the line and the step named.
    """
    return _run(recipe, "after", radargram, section_of(radargram, velocity_m_per_ns=velocity_m_per_ns), steps)


def run_display(recipe: Recipe, radargram: xr.DataArray) -> xr.DataArray:
    """Run the steps for pictures, on the result of `run_before`; nothing may be measured on what comes out."""
    return _run(recipe, "display", radargram, section_of(radargram))


_ZEROING: Final = ("time_zero", "topography")
"""Steps after which time counts from the first sample: that of entry into the ground, or that of a level datum."""

T = TypeVar("T")
Each = TypeVar("Each")


def run_lines(
    work: Callable[[Each], T],
    lines: Collection[Each],
    *,
    workers: int = 1,
    progress: Progress = SILENT,
    label: str = "lines",
) -> list[T]:
    """Run one piece of work over many lines, in threads: steps let go of the interpreter's lock.

    Parameters
    ----------
    work : such as ``lambda line: run_before(recipe, line)``.
    lines : radargrams, or the names by which `work` finds them; each is asked for only when its turn is near.
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
    progress.report(label, 0, len(lines))
    done: list[T] = []
    waiting: deque[Future[T]] = deque()
    with ThreadPoolExecutor(workers) as pool:

        def take() -> None:
            done.append(waiting.popleft().result())
            progress.report(label, len(done), len(lines))

        try:
            for line in lines:
                # No more lines are in hand than the threads are busy with, and as many again.
                if len(waiting) >= 2 * workers:
                    take()
                waiting.append(pool.submit(work, line))
            while waiting:
                take()
        except BaseException:
            # One failure or a request to stop: what has not begun is not begun.
            for future in waiting:
                future.cancel()
            raise
    return done


def _run(
    recipe: Recipe, part: str, radargram: xr.DataArray, section: Section, steps: slice = slice(None)
) -> xr.DataArray:
    held = _Held(radargram, np.ascontiguousarray(radargram.values, dtype=np.float32), section, _segments(radargram))
    made: list[dict[str, Any]] = []
    stamp = {"part": part, "recipe": recipe.name, "recipe_digest": recipe_digest(recipe), "version": version()}
    calls: tuple[StepCall, ...] = getattr(recipe, part)[steps]
    for call in calls:
        # What was left out follows from the record that the step met, not from the one it made.
        resolved = call.kind.resolved(call.parameters, held.section, held.amplitude.shape[1])
        try:
            held = held.after(call)
        except InputError as error:
            where = f"{_line(radargram)}, step {call.step}"
            raise InputError(error.problem, where=where, received=error.received, do=error.do) from error
        made.append({"step": call.step, "parameters": resolved, **stamp})
    return add_provenance(held.radargram(), *made)


@dataclass(frozen=True)
class _Held:
    """A line between two steps.

    Attributes
    ----------
    like : radargram with the coordinates of the traces; its samples are those from before the steps.
    amplitude : (T, S) samples so far.
    section : what steps may know.
    runs : traces of each segment.
    zeroed : whether time was set to count from the first sample.
    """

    like: xr.DataArray
    amplitude: npt.NDArray[np.float32]
    section: Section
    runs: list[slice]
    zeroed: bool = False

    def after(self, call: StepCall) -> _Held:
        """What one step makes of it; segments apart where the step looks from trace to trace."""
        step, stated = call.kind, dict(call.stated)
        zeroed = self.zeroed or step.name in _ZEROING
        if step.section_after is not None:
            return self._resampled(step, stated)
        if not step.along_line or len(self.runs) == 1:
            return replace(self, amplitude=step.function(self.amplitude, self.section, **stated), zeroed=zeroed)
        parts = [step.function(self.amplitude[run], _part(self.section, run), **stated) for run in self.runs]
        # A step may shorten the record, one segment more than another: the line keeps what all of them have.
        shortest = min(part.shape[1] for part in parts)
        return replace(self, amplitude=np.concatenate([part[:, :shortest] for part in parts]), zeroed=zeroed)

    def _resampled(self, step: Step, stated: dict[str, Any]) -> _Held:
        """A step that changes where traces or samples lie: the coordinates go with it."""
        known = inspect.signature(step.section_after or step.function).parameters
        shared = {name: value for name, value in stated.items() if name in known}
        parts = [_part(self.section, run) for run in self.runs]
        values = [step.function(self.amplitude[run], own, **stated) for run, own in zip(self.runs, parts, strict=True)]
        sections = [(step.section_after or _same)(own, **shared) for own in parts]
        places = [_places(own) for own in sections]
        like = _at_places(self.like, self.runs, places, sections[0].interval_ns, values[0].shape[1])
        along: dict[str, Any] = {name: _joined(sections, name) for name in ("distance_m", "elevation_m", "x_m", "y_m")}
        section = replace(self.section, interval_ns=sections[0].interval_ns, spacing_m=sections[0].spacing_m, **along)
        # What lies in one run of traces may have a gap inside: the new traces tell where.
        return _Held(like, np.concatenate(values), section, _segments(like), self.zeroed)

    def radargram(self) -> xr.DataArray:
        """The line as a radargram: only the samples are new, and times where they changed."""
        like, samples = self.like, self.amplitude.shape[1]
        if samples > like.sizes["time"]:
            like = _longer(like, self.section.interval_ns, samples)
        result = with_amplitude(like, self.amplitude)
        if self.zeroed and float(like["time"].values[0]) != 0.0:
            times = self.section.interval_ns * np.arange(samples)
            result = result.assign_coords(time=("time", times, like["time"].attrs))
        return result


def _longer(like: xr.DataArray, interval_ns: float, samples: int) -> xr.DataArray:
    """The same traces with room for more samples: a trace that is moved down leaves the record longer."""
    time = float(like["time"].values[0]) + interval_ns * np.arange(samples)
    coordinates = {name: held for name, held in like.coords.items() if name != "time"}
    return xr.DataArray(
        np.broadcast_to(np.float32(np.nan), (like.sizes["trace"], samples)),
        dims=("trace", "time"),
        coords={"time": ("time", time, like["time"].attrs), **coordinates},
        name=like.name,
        attrs=like.attrs,
    )


def _same(section: Section) -> Section:
    return section


def _part(section: Section, run: slice) -> Section:
    """The section of some of its traces."""
    held = {name: getattr(section, name) for name in ("distance_m", "elevation_m", "x_m", "y_m")}
    along: dict[str, Any] = {name: None if values is None else values[run] for name, values in held.items()}
    return replace(section, **along)


def _places(section: Section) -> npt.NDArray[np.float64]:
    if section.distance_m is None:
        raise InputError("the traces' distances along the line are not known", do="check the line's positions")
    return section.distance_m


def _joined(sections: list[Section], name: str) -> npt.NDArray[np.float64] | None:
    parts = [getattr(section, name) for section in sections]
    return None if any(part is None for part in parts) else np.concatenate(parts)


def _at_places(
    like: xr.DataArray,
    runs: list[slice],
    places: list[npt.NDArray[np.float64]],
    interval_ns: float,
    samples: int,
) -> xr.DataArray:
    """A radargram without samples of its own at new places along the line, or with a new sample interval."""
    distance = like["distance"].values
    columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in ("x", "y", "z", "sigma_xy", "segment")}
    number = 0
    for run, at in zip(runs, places, strict=True):
        for name in ("x", "y", "z", "sigma_xy"):
            columns[name].append(np.interp(at, distance[run], like[name].values[run]))
        # No new trace lies in a gap: what follows one is a segment of its own.
        usual = float(np.median(np.diff(at))) if len(at) > 1 else 1.0
        inner = np.concatenate([[0], np.cumsum(np.diff(at) > 1.5 * usual)]).astype(np.int32)
        columns["segment"].append(number + inner)
        number += int(inner[-1]) + 1
    time = float(like["time"].values[0]) + interval_ns * np.arange(samples)
    at = np.concatenate(places)
    return xr.DataArray(
        np.broadcast_to(np.float32(np.nan), (len(at), len(time))),
        dims=("trace", "time"),
        coords={
            "time": ("time", time, like["time"].attrs),
            "distance": ("trace", at, {"units": "m"}),
            **{
                name: ("trace", np.concatenate(parts), {} if name == "segment" else {"units": "m"})
                for name, parts in columns.items()
            },
        },
        name=like.name,
        attrs={**like.attrs, "interval_ns": interval_ns},
    )


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
