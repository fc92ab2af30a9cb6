"""A survey line over a scene, computed with the full wave: planned, run trace by trace, and put together.

Each trace is computed in two dimensions, where bodies never end across the section. A body that does end within two
Fresnel zones of the line gets a run with it and one without: the difference is its own response, which is then given
the body's length. Bodies that keep clear of one another's traces, or reach equally far to both sides, share a run.

A body has one cross-section over its length. A round one is given the length over which that answers as strongly as the
body itself does: within a fifth, by Born's integrals.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from yewline.errors import InputError
from yewline.model import make_radargram
from yewline.progress import SILENT, Progress
from yewline.simulation.instrument import Instrument
from yewline.simulation.layers import LayerTruth, LineSetting
from yewline.simulation.places import Places, planned_places, site_places
from yewline.simulation.pulse import Pulse
from yewline.simulation.scenes.cutting import Cut
from yewline.simulation.scenes.early import early_course, early_traces, with_direct_wave
from yewline.simulation.scenes.ends import groups_apart, things_that_end
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.line_sections import LineSections, spread_of, spread_settings
from yewline.simulation.scenes.lines import SceneLine, planned_lines
from yewline.simulation.scenes.parts import SceneDay
from yewline.simulation.spreading import finite_length, to_point_source
from yewline.simulation.wave import Course, run_course

__all__ = ["LineJob", "LineRun", "RecordedLine", "compute_line", "finish_line", "prepare_line", "simulate_line"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

Named = TypeVar("Named", SceneDay, SceneLine)

_LEAST_SEPARATION_M = 0.02
"""Antennas nearer than this are taken as this far apart: the field at a line current itself is without limit."""


@dataclass(frozen=True, slots=True)
class LineRun:
    """One pass over a line's traces: which of them, over which section, and what it adds.

    Attributes
    ----------
    course : the section with the antennas' places.
    which : numbers of the traces that must be computed; the others are those of the run before.
    adds : labels of what this run has and the one before has not; none for the first.
    across_m : (T, 2) where that reaches across the line, at each trace.
    bare : a run over bare ground for the direct wave only, shorter than the others: see `early`.
    """

    course: Course
    which: npt.NDArray[np.int64]
    adds: tuple[str, ...]
    across_m: Array
    bare: bool = False


@dataclass(frozen=True, slots=True)
class LineJob:
    """All that a line takes.

    Attributes
    ----------
    scene, day, line : what is recorded, when and where.
    instrument, pulse : on that day.
    places : where the antennas were said to be and truly were.
    truth : what changed the places.
    runs : in their order: that over bare ground if there is one, one with everything that does not end near the line,
        then those that add the rest. The last has everything.
    v_m_per_ns : (S,) velocity of waves that arrive at each sample, for their spreading.
    attenuation_np_per_m : mean, at the antennas' centre.
    cuts : what the line's section shows.
    """

    scene: SceneFile
    day: SceneDay
    line: SceneLine
    instrument: Instrument
    pulse: Pulse
    places: Places
    truth: tuple[LayerTruth, ...]
    runs: tuple[LineRun, ...]
    v_m_per_ns: Array
    attenuation_np_per_m: float
    cuts: tuple[Cut, ...]

    @property
    def traces(self) -> int:
        """Traces to compute, over all runs."""
        return sum(len(run.which) for run in self.runs)

    @property
    def cell_updates(self) -> int:
        """Cell updates over all runs: what the line costs."""
        return sum(len(run.which) * run.course.cell_updates for run in self.runs)


@dataclass(frozen=True, slots=True)
class RecordedLine:
    """A line as it would be stored, and what lies behind it.

    Attributes
    ----------
    radargram : (trace, time) with everything that befell it, at the places where the antennas were said to be.
    clean : (T, S) the field before anything befell it: 1 is that of the pulse 1 m off in air.
    true_xy : (T, 2) where the antennas truly were, site metres.
    truth : of every layer that was laid over the line.
    """

    radargram: xr.DataArray
    clean: Float32
    true_xy: Array
    truth: tuple[LayerTruth, ...]


@dataclass(frozen=True, slots=True)
class Walk:
    """One line walked on one day: the antennas, and where they were.

    Attributes
    ----------
    day, line : when, and where it was planned.
    instrument, pulse : on that day.
    places : where the antennas were said to be and truly were.
    truth : what changed the places.
    """

    day: SceneDay
    line: SceneLine
    instrument: Instrument
    pulse: Pulse
    places: Places
    truth: tuple[LayerTruth, ...]


def walk_line(scene: SceneFile, day: str, line: str) -> Walk:
    """Walk a line of a scene with all that befalls its places.

    Parameters
    ----------
    scene, day, line : as in `prepare_line`.

    Raises
    ------
    InputError : no such day or line.
    """
    the_day = _named(scene.days, day, "day")
    the_line = _named(planned_lines(scene.lines), line, "line")
    held = scene.antenna_on(the_day)
    instrument = replace(held, separation_m=max(held.separation_m, _LEAST_SEPARATION_M))
    spacing = the_line.length_m / max(1, len(the_line.places()) - 1)
    setting = LineSetting.of(instrument, spacing, visit=day, line=line)
    places, truth = scene.layers_on(the_day).walk(planned_places(the_line.length_m, spacing), setting, seed=scene.seed)
    return Walk(the_day, the_line, instrument, Pulse("ricker", instrument.centre_mhz), places, truth)


def prepare_line(scene: SceneFile, day: str, line: str, *, without: Iterable[str] = ()) -> LineJob:
    """Plan all runs of a line; nothing is computed yet but the ground.

    Parameters
    ----------
    scene : from `read_scene`.
    day, line : names of a day and of a planned line.
    without : labels of things to leave out.

    Raises
    ------
    InputError : no such day or line, or what `plan_course` refuses: cells too coarse, no air, memory.
    """
    walk = walk_line(scene, day, line)
    places = walk.places
    sections = LineSections.of(
        scene, walk.day, walk.line, walk.instrument, walk.pulse, places, kept_out=frozenset(without)
    )
    cuts = sections.cuts()
    groups = groups_apart(things_that_end(cuts, sections.wavelength_m), places.along_m, sections.heard_m)
    base = sections.section(without=[label for group in groups for label in group.labels])
    first = sections.course(base)
    endless = np.tile([-np.inf, np.inf], (len(places), 1))
    runs = []
    apart = {label for group in groups for label in group.labels}
    early = early_traces(sections, [cut for cut in cuts if cut.label not in apart])
    if len(early):
        runs.append(LineRun(early_course(sections, first), early, (), endless, bare=True))
    runs.append(LineRun(first, np.arange(len(places), dtype=np.int64), (), endless))
    for number, group in enumerate(groups):
        later = [label for other in groups[number + 1 :] for label in other.labels]
        course = sections.course(sections.section(without=later), like=first)
        runs.append(LineRun(course, group.traces, group.labels, group.across_m))
    v, loss = spread_of(base, walk.instrument)
    return LineJob(
        scene,
        walk.day,
        walk.line,
        walk.instrument,
        walk.pulse,
        places,
        walk.truth,
        tuple(runs),
        v,
        loss,
        cuts,
    )


def compute_line(
    job: LineJob, *, workers: int | None = None, progress: Progress = SILENT, label: str = "simulate"
) -> Iterator[tuple[int, int, Float32]]:
    """All traces of a job as (run, trace, samples), in the order in which they are ready."""
    for number, run in enumerate(job.runs):
        for trace, samples in run_course(
            run.course, run.which.tolist(), workers=workers, progress=progress, label=label
        ):
            # After the direct wave the bare ground is of no interest.
            yield number, trace, np.pad(samples, (0, job.instrument.samples - len(samples)))


def finish_line(job: LineJob, fields: Sequence[Float32]) -> RecordedLine:
    """Put the runs of a line together.

    Parameters
    ----------
    job : from `prepare_line`.
    fields : for each run (T, S); rows of traces that were not to be computed are not read.
    """
    if len(fields) != len(job.runs):
        raise InputError("each run needs its traces", received=f"{len(fields)} arrays for {len(job.runs)} runs")
    settings = spread_settings(job.instrument, job.pulse, job.v_m_per_ns, job.attenuation_np_per_m)
    first = int(job.runs[0].bare)
    now = np.array(fields[first], dtype=np.float32)
    early = None
    if first:
        early, at = now.copy(), job.runs[0].which
        early[at] = fields[0][at]
    clean = with_direct_wave(now, early, job.instrument, settings)
    for run, field in zip(job.runs[first + 1 :], fields[first + 1 :], strict=True):
        at = run.which
        own = to_point_source(field[at] - now[at], **settings)
        clean[at] += finite_length(own, across_m=run.across_m[at], **settings)
        now[at] = field[at]
    spacing = job.line.length_m / max(1, len(job.line.places()) - 1)
    setting = LineSetting.of(job.instrument, spacing, visit=job.day.name, line=job.line.name)
    stored, truth = job.scene.layers_on(job.day).apply(clean, setting, seed=job.scene.seed)
    said = _said(job)
    true_xy = np.column_stack(site_places(job.places, job.line.start, job.line.end))
    radargram = make_radargram(
        stored,
        interval_ns=job.instrument.interval_ns,
        x=said[:, 0],
        y=said[:, 1],
        attrs={
            "line": job.line.name,
            "visit": job.day.name,
            "centre_mhz": job.scene.nominal_mhz,
            "separation_m": job.scene.antenna_on(job.day).separation_m,
        },
    )
    return RecordedLine(radargram, clean, true_xy, (*job.truth, *truth))


def simulate_line(
    scene: SceneFile, day: str, line: str, *, workers: int | None = None, progress: Progress = SILENT
) -> RecordedLine:
    """Record one line of a scene on one day.

    Parameters
    ----------
    scene : from `read_scene`.
    day, line : names of a day and of a planned line.
    workers : traces side by side; by default one for each processor.
    progress : told of every trace.

    Examples
    --------
    >>> from yewline.simulation import read_scene, simulate_line
    >>> scene = read_scene("row-of-graves")
    >>> recorded = simulate_line(scene, "dry", "L3")  # doctest: +SKIP
    """
    job = prepare_line(scene, day, line)
    fields = [np.zeros((len(job.places), job.instrument.samples), np.float32) for _ in job.runs]
    for run, trace, samples in compute_line(job, workers=workers, progress=progress):
        fields[run][trace] = samples
    return finish_line(job, fields)


def _said(job: LineJob) -> Array:
    """(T, 2) where the antennas were said to be: along the line as planned, from where the walk began."""
    start, end = np.asarray(job.line.start), np.asarray(job.line.end)
    first, last = (end, start) if job.places.back else (start, end)
    return first + job.places.said_m[:, None] * (last - first) / job.line.length_m


def _named(things: Sequence[Named], name: str, what: str) -> Named:
    for thing in things:
        if thing.name == name:
            return thing
    known = ", ".join(thing.name for thing in things)
    raise InputError(f"the scene has no such {what}", received=repr(name), do=f"it has {known}")
