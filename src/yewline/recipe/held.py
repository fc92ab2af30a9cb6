"""A line between two steps: its samples, where its traces lie, and what steps may know of it."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import coordinate, with_amplitude
from yewline.recipe.steps import Step
from yewline.signal import Section, pick_time_zero, start_at

__all__ = ["HeldLine", "hold"]

F64 = npt.NDArray[np.float64]
Traces = npt.NDArray[np.float32]

_ALONG: Final = {"distance_m": "distance", "elevation_m": "z", "x_m": "x", "y_m": "y"}
"""What a section knows of each trace, and the radargram's coordinate that holds it."""
_GAP_SPACINGS: Final = 1.5
"""Evenly spaced traces that are further apart than this have a gap between them."""


@dataclass(frozen=True, eq=False)
class HeldLine:
    """A line between two steps.

    Attributes
    ----------
    like : radargram with the coordinates of the traces; its samples are those from before the steps.
    amplitude : (T, S) samples so far.
    section : what steps may know.
    runs : traces of each segment.
    zeroed : whether time was set to count from the first sample: that of entry into the ground, or of a level datum.
    due_ns : (T,) time zero of each trace where it was found and the samples still begin before it. Filters that follow
        then see the direct wave whole: on a record cut there they would answer to the edge.
    said : attributes that a step adds to the line's.
    """

    like: xr.DataArray
    amplitude: Traces
    section: Section
    runs: tuple[slice, ...]
    zeroed: bool = False
    due_ns: F64 | None = None
    said: Mapping[str, Any] = field(default_factory=dict)

    def ready_for(self, step: Step) -> HeldLine:
        """The line as that step is to see it: from time zero on, unless it comes to the same to filter first."""
        return self if step.steady else self.from_zero()

    def from_zero(self) -> HeldLine:
        """The line with its samples from time zero on."""
        if self.due_ns is None:
            return self
        return replace(self, amplitude=start_at(self.amplitude, self.section, self.due_ns), due_ns=None)

    def resolved(self, step: Step, stated: Mapping[str, Any]) -> dict[str, Any]:
        """Every parameter of a step that is about to be run on this line, with the value in force."""
        return step.resolved(dict(stated), self.section, self.amplitude.shape[1])

    def after(self, step: Step, parameters: Mapping[str, Any]) -> HeldLine:
        """What one step makes of a line that is ready for it; segments apart where it looks from trace to trace.

        What the recipe left out has been settled on the whole line, so that its segments are treated alike.
        """
        given = {name: value for name, value in parameters.items() if value is not None}
        if step.name == "time_zero":
            return replace(self, due_ns=pick_time_zero(self.amplitude, self.section, **given), zeroed=True)
        if step.section_after is not None:
            return self._at_new_places(step, given) if step.along_line else self._at_new_times(step, given)
        if not step.along_line or len(self.runs) == 1:
            values = step.function(self.amplitude, self.section, **given)
        else:
            parts = [step.function(self.amplitude[run], self._part(run), **given) for run in self.runs]
            values = _of_one_length(parts, self.amplitude.shape[1])
        if step.name == "topography":
            datum = {"datum_m": float(parameters["datum_m"])}
            return replace(self, amplitude=values, zeroed=True, said={**self.said, **datum})
        return replace(self, amplitude=values)

    def radargram(self) -> xr.DataArray:
        """The line as a radargram: only the samples are new, and times where they changed."""
        amplitude = self.from_zero().amplitude
        like, samples = self.like, amplitude.shape[1]
        if samples > like.sizes["time"]:
            like = _with_times(like, self.section.interval_ns, samples)
        result = with_amplitude(like, amplitude)
        if self.zeroed and float(coordinate(like, "time")[0]) != 0.0:
            times = self.section.interval_ns * np.arange(samples)
            result = result.assign_coords(time=("time", times, like["time"].attrs))
        return result.assign_attrs(self.said) if self.said else result

    def _part(self, run: slice) -> Section:
        """The section of some of its traces."""
        held = {name: getattr(self.section, name) for name in _ALONG}
        along: dict[str, Any] = {name: None if values is None else values[run] for name, values in held.items()}
        return replace(self.section, **along)

    def _at_new_times(self, step: Step, given: dict[str, Any]) -> HeldLine:
        """A step that changes the sample interval: traces stay where they are."""
        values = step.function(self.amplitude, self.section, **given)
        section = _section_after(step, self.section, given)
        like = _with_times(self.like, section.interval_ns, values.shape[1])
        return replace(self, like=like, amplitude=values, section=section)

    def _at_new_places(self, step: Step, given: dict[str, Any]) -> HeldLine:
        """A step that changes where traces lie: all that is known of each goes with it."""
        if self.section.distance_m is None:
            raise InputError("the traces' distances along the line are not known", do="check the line's positions")
        values: list[Traces] = []
        sections: list[Section] = []
        spacing = self.section.spacing_m
        for run in self.runs:
            own = self._part(run)
            if len(self.runs) > 1 and np.ptp(self.section.distance_m[run]) == 0.0:
                # A segment without length: its traces were taken at one place.
                values.append(self.amplitude[run].mean(axis=0, keepdims=True, dtype=np.float64).astype(np.float32))
                sections.append(_at_one_place(own))
                continue
            values.append(step.function(self.amplitude[run], own, **given))
            sections.append(_section_after(step, own, given))
            spacing = sections[-1].spacing_m
        like = _moved(self.like, self.runs, sections, spacing)
        along: dict[str, Any] = {name: _joined(sections, name) for name in _ALONG}
        section = replace(self.section, spacing_m=spacing, **along)
        # What lies in one run of traces may have a gap inside: the new traces tell where.
        return replace(self, like=like, amplitude=np.concatenate(values), section=section, runs=_runs(like))


def hold(radargram: xr.DataArray, section: Section) -> HeldLine:
    """A radargram before the first step."""
    samples = np.ascontiguousarray(radargram.values, dtype=np.float32)
    return HeldLine(radargram, samples, section, _runs(radargram))


def _of_one_length(parts: list[Traces], samples: int) -> Traces:
    """Segments of a line as one, where the step changed their length.

    A step that shortens records lets go of what was not recorded, so the line keeps what all segments have. One that
    moves traces down makes them longer, with silence where a trace does not reach.
    """
    longest = max(part.shape[1] for part in parts)
    if longest > samples:
        return np.concatenate([np.pad(part, ((0, 0), (0, longest - part.shape[1]))) for part in parts])
    shortest = min(part.shape[1] for part in parts)
    return np.concatenate([part[:, :shortest] for part in parts])


def _section_after(step: Step, section: Section, given: dict[str, Any]) -> Section:
    if step.section_after is None:
        return section
    # The function beside a step that tells the new section takes those parameters only that decide on it.
    known = inspect.signature(step.section_after).parameters
    return step.section_after(section, **{name: value for name, value in given.items() if name in known})


def _at_one_place(section: Section) -> Section:
    known = {name: getattr(section, name) for name in _ALONG}
    means: dict[str, Any] = {
        name: None if values is None else values.mean(keepdims=True) for name, values in known.items()
    }
    return replace(section, **means)


def _joined(sections: list[Section], name: str) -> F64 | None:
    parts = [getattr(section, name) for section in sections]
    return None if any(part is None for part in parts) else np.concatenate(parts)


def _empty(traces: int, samples: int) -> Traces:
    return np.broadcast_to(np.float32(np.nan), (traces, samples))


def _with_times(like: xr.DataArray, interval_ns: float, samples: int) -> xr.DataArray:
    """The same traces with other times, and no samples of its own."""
    time = float(like["time"].values[0]) + interval_ns * np.arange(samples)
    coordinates = {name: held for name, held in like.coords.items() if name != "time"}
    return xr.DataArray(
        _empty(like.sizes["trace"], samples),
        dims=("trace", "time"),
        coords={"time": ("time", time, like["time"].attrs), **coordinates},
        name=like.name,
        attrs={**like.attrs, "interval_ns": interval_ns},
    )


def _moved(like: xr.DataArray, runs: tuple[slice, ...], sections: list[Section], spacing: float) -> xr.DataArray:
    """A radargram without samples of its own whose traces lie where the sections say."""
    columns = {str(name): held for name, held in like.coords.items() if held.dims == ("trace",)}
    parts: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in columns}
    number = 0
    for run, section in zip(runs, sections, strict=True):
        at = _distances(section)
        known = {coordinate: getattr(section, name) for name, coordinate in _ALONG.items()}
        for name, held in columns.items():
            if name != "segment":
                moved = known.get(name)
                parts[name].append(
                    _carried(like["distance"].values[run], held.values[run], at) if moved is None else moved
                )
        # No new trace lies in a gap: what follows one is a segment of its own.
        inner = np.concatenate([[0], np.cumsum(np.diff(at) > _GAP_SPACINGS * spacing)]).astype(np.int32)
        parts.setdefault("segment", []).append(number + inner)
        number += int(inner[-1]) + 1
    return xr.DataArray(
        _empty(sum(len(_distances(section)) for section in sections), like.sizes["time"]),
        dims=("trace", "time"),
        coords={
            "time": like["time"],
            **{
                name: ("trace", np.concatenate(values), columns[name].attrs if name in columns else {})
                for name, values in parts.items()
            },
        },
        name=like.name,
        attrs=like.attrs,
    )


def _carried(places: F64, values: npt.NDArray[Any], at: F64) -> npt.NDArray[Any]:
    """What is known of each trace, at new places: between that of neighbours; of a word or count, the nearest one."""
    there, group = np.unique(places, return_inverse=True)
    if np.issubdtype(values.dtype, np.floating):
        return np.interp(at, there, np.bincount(group, weights=values) / np.bincount(group))
    nearest: npt.NDArray[Any] = values[np.abs(places[None, :] - at[:, None]).argmin(axis=1)]
    return nearest


def _distances(section: Section) -> F64:
    return np.zeros(0) if section.distance_m is None else section.distance_m


def _runs(radargram: xr.DataArray) -> tuple[slice, ...]:
    """Runs of traces that follow one another in the same segment."""
    if "segment" not in radargram.coords:
        return (slice(0, radargram.sizes["trace"]),)
    edges = np.flatnonzero(np.diff(coordinate(radargram, "segment")) != 0) + 1
    stops = [0, *edges.tolist(), radargram.sizes["trace"]]
    return tuple(slice(a, b) for a, b in pairwise(stops))
