"""What graves add to a recording: the same ground with and without each of them, for many graves at little cost.

All graves of a line share one ground and one run without any of them; each adds a run of its own over the traces that
hear it. Nothing else differs between the two runs, to the last bit: their difference is the grave's answer alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from yewline._check import check_finite, check_in_range
from yewline.errors import InputError
from yewline.progress import SILENT, Progress
from yewline.signal import Section as Sampling
from yewline.signal import envelope
from yewline.simulation.graves import Grave
from yewline.simulation.scene import Scene
from yewline.simulation.scenes.cutting import Cut
from yewline.simulation.scenes.early import early_course, early_traces, with_direct_wave
from yewline.simulation.scenes.ends import REACH_SD, extent_of, heard_by
from yewline.simulation.scenes.file import SceneFile
from yewline.simulation.scenes.line_sections import LineSections, depth_reached, spread_of, spread_settings
from yewline.simulation.scenes.lines import SceneLine
from yewline.simulation.scenes.recording import Walk, walk_line
from yewline.simulation.scenes.sections import section_on
from yewline.simulation.spreading import finite_length, to_point_source
from yewline.simulation.wave import Course, cell_that_would_do, check_cell, run_course
from yewline.units import C_M_PER_NS

__all__ = ["GraveResponse", "PlannedThing", "ResponseJob", "grave_on_line", "grave_responses", "prepare_responses"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Whole = npt.NDArray[np.int64]

_SILENT_START = 1e-6
"""Before the pulse has this share of its largest swing nothing was sent."""


@dataclass(frozen=True, slots=True)
class PlannedThing:
    """One grave, or other thing, whose response is asked for.

    Attributes
    ----------
    label : its name.
    cuts : what the line's plane cuts of it.
    traces : numbers of the traces that hear it.
    along_m, across_m : where it shows along the line, and between which distances across it lies.
    felt_m : between which it answers as strongly as its cross-section drawn out.
    """

    label: str
    cuts: tuple[Cut, ...]
    traces: Whole
    along_m: tuple[float, float]
    across_m: tuple[float, float]
    felt_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class ResponseJob:
    """All that the responses along one line take.

    Attributes
    ----------
    walk : the line, the day, the antennas and where they were.
    sections : the ground under the line.
    background : the course over the ground without any of the things.
    early, early_traces : the course over bare ground for the direct wave only, and the traces that need it.
    cuts : what else is in that ground.
    ranks : the place of each label in the order of painting.
    traces : numbers of the traces of the background that something is heard on.
    things : what is asked for and heard, in the order in which it was asked for.
    unheard : labels of what no trace of the line hears.
    v_m_per_ns, attenuation_np_per_m : for the spreading of waves, as in `LineJob`.
    """

    walk: Walk
    sections: LineSections
    background: Course
    early: Course
    early_traces: Whole
    cuts: tuple[Cut, ...]
    ranks: dict[str, float]
    traces: Whole
    things: tuple[PlannedThing, ...]
    unheard: tuple[str, ...]
    v_m_per_ns: Array
    attenuation_np_per_m: float

    @property
    def trace_count(self) -> int:
        """Traces to compute, over the background and all things."""
        return len(self.early_traces) + len(self.traces) + sum(len(thing.traces) for thing in self.things)

    @property
    def cell_updates(self) -> int:
        """Cell updates of all of them: what the job costs."""
        early = len(self.early_traces)
        return (self.trace_count - early) * self.background.cell_updates + early * self.early.cell_updates


@dataclass(frozen=True, slots=True)
class GraveResponse:
    """What one grave adds to a line.

    Attributes
    ----------
    label : of the grave.
    traces : (N,) numbers of the line's traces that hear it; to all others it adds nothing.
    at_m : (N,) where their antennas were along the line.
    difference : (N, S) field with the grave less that without it, from point antennas and with the grave as long as it
        is: 1 is the field of the pulse 1 m off in air. Zero wherever nothing can have come from the grave yet.
    background : (N, S) the field without the grave, in the same measure, its direct wave included.
    across_m : between which distances across the line the grave lies; both of one sign: the line passes beside it.
    peak : largest swing of the difference.
    peak_trace : number of the trace of the strongest answer.
    peak_ns : when that is strongest (peak of its envelope), after time zero.
    peak_depth_m : depth from which a wave comes back at that time in the ground without the grave.
    """

    label: str
    traces: Whole
    at_m: Array
    difference: Float32
    background: Float32
    across_m: tuple[float, float]
    peak: float
    peak_trace: int
    peak_ns: float
    peak_depth_m: float


def prepare_responses(
    scene: SceneFile,
    day: str,
    line: str,
    things: Iterable[str | Grave] | None = None,
    *,
    without: Iterable[str] = (),
) -> ResponseJob:
    """Plan the responses along a line, with what they cost; nothing is computed yet but the ground.

    Parameters
    ----------
    scene : the ground, what else lies in it, the antennas and the lines.
    day, line : names of a day and of a planned line.
    things : whose responses. A label is that of a grave, or of anything else, in the scene. A `Grave` is put into the
        scene's ground: dug as the last of the graves, and before all that is younger than these or lies in them. By
        default all graves of the scene. None of what is asked for is in the background, nor with another one of them.
    without : labels of what is left out of all runs.

    Raises
    ------
    InputError : an unknown day, line or label, a label given twice, a grave that leaves the scene, or what
        `plan_course` refuses.
    """
    asked = list(things) if things is not None else [grave.label for grave in scene.scene.graves]
    left_out = frozenset(without)
    labels = [thing if isinstance(thing, str) else thing.label for thing in asked]
    _check_asked(labels, [thing for thing in asked if isinstance(thing, str)], scene.scene, left_out)
    walk = walk_line(scene, day, line)
    added = [thing for thing in asked if isinstance(thing, Grave)]
    ranks = {label: float(rank) for rank, label in enumerate(_labels(scene.scene))}
    ranks |= {grave.label: _rank_of(grave, scene.scene) for grave in added}
    more = Scene(scene.scene.bounds, graves=tuple(added)) if added else None
    sections = LineSections.of(
        scene, walk.day, walk.line, walk.instrument, walk.pulse, walk.places, kept_out=left_out, added=more
    )
    _check_cells(sections, more)
    cuts = sections.cuts(blur_m=max((grave.blur_m for grave in added), default=0.0))
    planned, unheard = [], []
    for thing in asked:
        label = thing if isinstance(thing, str) else thing.label
        own = tuple(cut for cut in cuts if cut.label == label) if isinstance(thing, str) else _cut(thing, sections)
        heard = _planned(own, sections) if own else None
        if heard is None:
            unheard.append(label)
        else:
            planned.append(heard)
    kept = tuple(cut for cut in cuts if cut.label not in labels)
    section = section_on(sections.under, kept)
    background = sections.course(section)
    v, loss = spread_of(section, walk.instrument)
    every = np.unique(np.concatenate([thing.traces for thing in planned])) if planned else np.zeros(0, np.int64)
    return ResponseJob(
        walk,
        # The section of all things is of no use here.
        replace(sections, whole=None),
        background,
        early_course(sections, background),
        np.intersect1d(early_traces(sections, kept), every),
        kept,
        ranks,
        every,
        tuple(planned),
        tuple(unheard),
        v,
        loss,
    )


def grave_responses(
    job: ResponseJob,
    *,
    workers: int | None = None,
    progress: Progress = SILENT,
    label: str = "grave responses",
) -> Iterator[GraveResponse]:
    """The responses of a job, one after the other, in the order in which they were asked for.

    Parameters
    ----------
    job : from `prepare_responses`.
    workers : traces side by side; by default one for each processor.
    progress, label : told of every trace of all runs, and asked whether to go on.

    Raises
    ------
    Cancelled : `progress` asked to stop; what was yielded before is whole.

    Notes
    -----
    Besides the ground, the traces of the background and one grave's own are held. A response has the same bits in every
    run, however many traces run side by side; other graves of the job touch it by the cells only, which do for the
    densest of them all (`SolverGrid.cell_m` sets them). In the two
    dimensions of the section the grave answers with all that surrounds it, as if all were endless; the difference as a
    whole is then given the grave's own length.

    Examples
    --------
    >>> from yewline.simulation import read_scene
    >>> job = prepare_responses(read_scene("row-of-graves"), "dry", "L3")
    >>> [response.label for response in grave_responses(job)]  # doctest: +SKIP
    """
    settings = spread_settings(job.walk.instrument, job.walk.pulse, job.v_m_per_ns, job.attenuation_np_per_m)
    samples, total = job.walk.instrument.samples, job.trace_count
    done = iter(range(1, total + 1))

    def traces_of(course: Course, which: Whole) -> Float32:
        found = np.zeros((len(which), samples), np.float32)
        place = {int(trace): row for row, trace in enumerate(which)}
        for trace, series in run_course(course, place, workers=workers) if place else ():
            found[place[trace], : len(series)] = series
            progress.report(label, next(done), total)
        return found

    progress.report(label, 0, total)
    if not job.things:
        return
    early = traces_of(job.early, job.early_traces)
    base = traces_of(job.background, job.traces)
    over_bare = base.copy() if len(early) else None
    if over_bare is not None:
        over_bare[np.searchsorted(job.traces, job.early_traces)] = early
    background = with_direct_wave(base, over_bare, job.walk.instrument, settings)
    for thing in job.things:
        rows = np.searchsorted(job.traces, thing.traces)
        own = traces_of(_course_with(job, thing), thing.traces) - base[rows]
        point = to_point_source(own, **settings)
        difference = finite_length(point, across_m=thing.felt_m, **settings)
        difference[~_can_answer(job, thing)] = 0.0
        yield _response(job, thing, difference, background[rows])


def grave_on_line(
    grave: Grave, line: SceneLine, at_m: float, *, across_m: float = 0.0, to_line_deg: float | None = None
) -> Grave:
    """The same grave with its middle at a place of a line.

    Parameters
    ----------
    grave : of any place.
    line : the line.
    at_m : distance of the middle along it.
    across_m : how far off the line the middle is, positive to the left of one who walks it.
    to_line_deg : angle of the long axis to the line, clockwise; at 90 it is crossed square. Nothing: as it was.

    Examples
    --------
    >>> grave = Grave("G", "adult", 0.0, 0.0, 2.0, 0.7, 0.0, 0.2, 1.3)
    >>> moved = grave_on_line(grave, SceneLine("L1", (1.0, 1.0), (5.0, 1.0), 0.05), 2.0, across_m=0.5, to_line_deg=90.0)
    >>> moved.x, moved.y, moved.azimuth_deg
    (3.0, 1.5, 180.0)
    """
    check_in_range(at_m, "at_m", -1e6, 1e6)
    off = check_finite(across_m, "across_m")
    (x0, y0), (x1, y1) = line.start, line.end
    tx, ty = (x1 - x0) / line.length_m, (y1 - y0) / line.length_m
    azimuth = grave.azimuth_deg
    if to_line_deg is not None:
        azimuth = math.degrees(math.atan2(tx, ty)) + check_finite(to_line_deg, "to_line_deg")
    return replace(grave, x=x0 + at_m * tx - off * ty, y=y0 + at_m * ty + off * tx, azimuth_deg=azimuth % 360.0)


def _check_asked(labels: Sequence[str], known: Sequence[str], scene: Scene, left_out: frozenset[str]) -> None:
    there = _labels(scene)
    missing = [label for label in known if label not in there]
    if missing:
        raise InputError(
            "the scene has nothing of that label",
            received=", ".join(missing),
            do="use one of: " + (", ".join(there) or "(it is empty)"),
        )
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        raise InputError("two graves have the same label", received=", ".join(twice), do="give each its own")
    both = sorted(left_out.intersection(labels))
    if both:
        raise InputError("what is left out cannot answer", received=", ".join(both), do="take it out of `without`")


def _check_cells(sections: LineSections, added: Scene | None) -> None:
    """Refuse cells that a scene file states and that are too coarse, before the first run and not after the tenth."""
    edge_mhz = sections.pulse.band_mhz()[1]
    check_cell(sections.section(), edge_mhz)
    if added is None:
        return
    highest = sections.under.densest(sections.under.cuts(added, beside_m=sections.beside_m))
    fits = cell_that_would_do(highest, edge_mhz)
    if sections.cell_m > fits * (1 + 1e-6):
        raise InputError(
            "the cells are too coarse for a grave that is put in",
            received=f"{sections.cell_m:g} m for permittivity {highest:.1f}",
            do=f"use cells of {math.floor(1e4 * fits) / 1e4:g} m or less",
        )


def _labels(scene: Scene) -> tuple[str, ...]:
    return tuple(label for label, _ in scene.things())


def _rank_of(grave: Grave, scene: Scene) -> float:
    """The place of an added grave among the things of a scene, which is refused where it does not go into it."""
    return _labels(replace(scene, graves=(*scene.graves, grave))).index(grave.label) - 0.5


def _cut(grave: Grave, sections: LineSections) -> tuple[Cut, ...]:
    alone = Scene(sections.scene.scene.bounds, graves=(grave,))
    return sections.under.cuts(alone, beside_m=sections.beside_m)


def _planned(cuts: tuple[Cut, ...], sections: LineSections) -> PlannedThing | None:
    extent = extent_of(cuts, sections.wavelength_m)
    traces = np.flatnonzero(heard_by(extent, sections.at_m, sections.heard_m)).astype(np.int64)
    return (
        PlannedThing(extent.label, cuts, traces, extent.along_m, extent.across_m, extent.felt_m)
        if len(traces)
        else None
    )


def _course_with(job: ResponseJob, thing: PlannedThing) -> Course:
    """The background with one thing, painted in its turn."""
    every = sorted((*job.cuts, *thing.cuts), key=lambda cut: job.ranks[cut.label])
    return job.sections.course(section_on(job.sections.under, every), like=job.background)


def _can_answer(job: ResponseJob, thing: PlannedThing) -> npt.NDArray[np.bool_]:
    """Samples (N, S) at which light in air could have come back from a thing: none is faster."""
    instrument = job.walk.instrument
    at = job.sections.at_m[thing.traces]
    top = min(cut.outline.bounds[1] - REACH_SD * cut.blur_m for cut in thing.cuts) - job.sections.cell_m
    down = max(0.0, top + instrument.height_m)
    rim = 0.5 * job.sections.cell_m
    low, high = thing.along_m[0] - rim, thing.along_m[1] + rim
    way = np.zeros(len(at))
    for antenna in (at - 0.5 * instrument.separation_m, at + 0.5 * instrument.separation_m):
        way += np.hypot(np.maximum(0.0, np.maximum(low - antenna, antenna - high)), down)
    first = way / C_M_PER_NS + job.walk.pulse.span_ns(_SILENT_START)[0]
    time = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    return np.asarray(time[None, :] >= first[:, None])


def _response(job: ResponseJob, thing: PlannedThing, difference: Float32, background: Float32) -> GraveResponse:
    instrument = job.walk.instrument
    strength = envelope(difference, Sampling(instrument.interval_ns, 0.0, instrument.centre_mhz))
    trace, sample = np.unravel_index(int(strength.argmax()), strength.shape)
    peak_ns = instrument.interval_ns * float(sample) - instrument.zero_ns
    # The antennas stand apart: straight down the way is a little shorter.
    apart = instrument.separation_m / float(job.v_m_per_ns[sample])
    straight = math.sqrt(max(0.0, peak_ns**2 - apart**2)) if peak_ns > 0 else 0.0
    return GraveResponse(
        thing.label,
        thing.traces,
        job.sections.at_m[thing.traces],
        difference,
        background,
        thing.across_m,
        float(np.abs(difference).max()),
        int(thing.traces[trace]),
        peak_ns,
        float(depth_reached(job.background.grid.section, instrument, [straight])[0]),
    )
