"""One line of a scene for looking at: the section under it, its radargram, and the wave on its way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from yewline._check import check_in_range
from yewline.progress import SILENT, Progress
from yewline.signal import Section as SectionSampling
from yewline.signal import background_removal, dewow
from yewline.simulation.fillings import Metal
from yewline.simulation.scenes import (
    Cut,
    LineJob,
    SceneFile,
    compute_line,
    cut_scene,
    finish_line,
    planned_lines,
    prepare_line,
    read_scene,
)
from yewline.simulation.wave import Course, Section, fire, half_steps_ns, make_grid
from yewline.units import C_M_PER_NS
from yewline.workspace.simulate_cost import prepare_solver

__all__ = ["LineView", "ShotView", "ThingView", "view_line"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

_FRAMES: Final = 90
_REACH_M: Final = 2.6
"""The film shows so much ground on either side of the antennas."""
_MOST_FILM_NODES: Final = 220_000
_EARLY_NS: Final = 1.0
_EVENED: Final = 0.75
"""Power of the echoes' own strength by which they are made weaker, so that late ones show beside early ones."""
_FAINTEST: Final = 0.02
"""Times at which the echoes are weaker than this share of the strongest are not lifted any further."""


@dataclass(frozen=True, slots=True)
class ThingView:
    """One outline in a section.

    Attributes
    ----------
    label, kind : of the thing to which it belongs, and what it is.
    rings : (N, 2) each, distance along the line and depth in m; the outer one first.
    beside : whether it lies wholly beside the line.
    metal : whether it is a conductor.
    """

    label: str
    kind: str
    rings: tuple[Array, ...]
    beside: bool
    metal: bool


@dataclass(frozen=True, slots=True)
class ShotView:
    """The wave of one trace on its way.

    Attributes
    ----------
    at_m : distance of the middle between the antennas.
    source_m, receiver_m : (distance, depth) of both.
    distance_m, depth_m : (X,) and (Z,) nodes that the film shows.
    permittivity : (X, Z) there.
    time_ns : (F,) after the middle of the pulse has left.
    field : (F, X, Z) across the section; 1 is the direct wave's largest swing at the receiver.
    heard_ns, heard : (N,) what the receiver hears of it, in the same unit.
    """

    at_m: float
    source_m: tuple[float, float]
    receiver_m: tuple[float, float]
    distance_m: Array
    depth_m: Array
    permittivity: Float32
    time_ns: Array
    field: Float32
    heard_ns: Array
    heard: Float32


@dataclass(frozen=True, slots=True)
class LineView:
    """One line: what lies under it, what was recorded, and one shot.

    Attributes
    ----------
    scene, day, line : names.
    centre_mhz, separation_m, height_m : of the antennas: nominal centre, distance, height.
    distance_m, depth_m : (X,) and (Z,) nodes of the section, m.
    permittivity : (X, Z), air included.
    things : outlines, in the order of painting.
    trace_m : (T,) distance of the traces.
    time_ns : (S,) times of the samples; 0 is when the wave leaves the transmitter.
    radargram : (T, S) as stored, with everything that befell it.
    echoes : (T, S) the same without its mean trace and its slow swing, later times lifted; 1 is its root mean square.
    air_ns, ground_ns : when the direct waves through the air and along the ground arrive.
    v_m_per_ns : (S,) velocity down to where a sample's echo comes from.
    shot : one shot.
    """

    scene: str
    day: str
    line: str
    centre_mhz: float
    separation_m: float
    height_m: float
    distance_m: Array
    depth_m: Array
    permittivity: Float32
    things: tuple[ThingView, ...]
    trace_m: Array
    time_ns: Array
    radargram: Float32
    echoes: Float32
    air_ns: float
    ground_ns: float
    v_m_per_ns: Array
    shot: ShotView


def view_line(
    scene: str | Path | SceneFile,
    *,
    day: str | None = None,
    line: str | None = None,
    at_m: float | None = None,
    workers: int | None = None,
    progress: Progress = SILENT,
) -> LineView:
    """Simulate one line for looking at.

    Parameters
    ----------
    scene : name of a shipped scene, path of a TOML file, or a scene read before.
    day : by default the first.
    line : by default the one that crosses most graves, or most of whatever there is.
    at_m : where along the line the antennas of the film stand; by default over the grave nearest to its middle.
    workers : traces side by side.
    progress : told of every trace.

    Raises
    ------
    InputError : as `simulate_scene`; or `at_m` lies beyond the line.
    """
    held = scene if isinstance(scene, SceneFile) else read_scene(scene)
    prepare_solver(progress)
    job = prepare_line(held, day or held.days[0].name, line or _fullest(held))
    place = _default_place(job) if at_m is None else check_in_range(at_m, "at_m", 0.0, job.line.length_m)
    fields = [np.zeros((len(job.places), job.instrument.samples), np.float32) for _ in job.runs]
    # The runs' own bars would each begin anew: only the wish to stop is passed on.
    asked = Progress(lambda label, done, total: progress.check(label))
    label = f"simulate line {job.line.name}"
    progress.report(label, 0, job.traces)
    for done, (run, trace, samples) in enumerate(compute_line(job, workers=workers, progress=asked), start=1):
        fields[run][trace] = samples
        progress.report(label, done, job.traces)
    recorded = finish_line(job, fields)
    course, instrument = job.runs[-1].course, job.instrument
    section = course.grid.section
    speed = _top_velocity(section)
    return LineView(
        held.name,
        job.day.name,
        job.line.name,
        held.nominal_mhz,
        instrument.separation_m,
        instrument.height_m,
        section.distance_m,
        section.depth_m,
        section.static_permittivity(),
        tuple(_thing(cut) for cut in job.cuts),
        np.asarray(job.places.along_m, np.float64),
        np.asarray(instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns, np.float64),
        np.asarray(recorded.radargram.values, np.float32),
        _echoes(recorded.radargram.values, job),
        instrument.separation_m / C_M_PER_NS,
        instrument.separation_m / speed,
        job.v_m_per_ns,
        _shot(course, place),
    )


def _echoes(amplitude: Float32, job: LineJob) -> Float32:
    """What is left without the direct wave, grown with time by one curve for the whole line."""
    instrument = job.instrument
    spacing = job.line.length_m / max(1, len(job.places) - 1)
    sampling = SectionSampling(interval_ns=instrument.interval_ns, spacing_m=spacing, centre_mhz=instrument.centre_mhz)
    rest = background_removal(dewow(amplitude, sampling), sampling)
    strength = np.sqrt((rest.astype(np.float64) ** 2).mean(axis=0))
    width = max(1, round(sampling.period_ns / instrument.interval_ns))
    level = np.convolve(np.pad(strength, width, mode="edge"), np.ones(2 * width + 1) / (2 * width + 1), mode="valid")
    # What is as weak as this is noise, and before the wave leaves nothing is to be seen.
    early = instrument.interval_ns * np.arange(len(level)) < instrument.zero_ns
    level = np.where(early, level.max(), np.maximum(level, _FAINTEST * level.max()))
    evened = rest / level**_EVENED
    return (evened / np.sqrt((evened**2).mean())).astype(np.float32)


def _thing(cut: Cut) -> ThingView:
    rings = (cut.outline.exterior, *cut.outline.interiors)
    outline = tuple(shapely.get_coordinates(ring) for ring in rings)
    return ThingView(cut.label, cut.kind, outline, cut.beside, isinstance(cut.filling, Metal))


def _fullest(scene: SceneFile) -> str:
    """The line that crosses most graves, then most things, then lies nearest to the middle of the plan."""
    lines = planned_lines(scene.lines)
    graves = {grave.label for grave in scene.scene.graves}

    def worth(number: int) -> tuple[int, int, float]:
        line = lines[number]
        cuts = [cut for cut in cut_scene(scene.scene, line.start, line.end) if math.isfinite(cut.across_m[0])]
        labels = {cut.label for cut in cuts}
        return len(labels & graves), len(labels), -abs(number - 0.5 * (len(lines) - 1))

    return lines[max(range(len(lines)), key=worth)].name


def _default_place(job: LineJob) -> float:
    """Over the grave, or else the thing, that lies nearest to the line's middle."""
    graves = {grave.label for grave in job.scene.scene.graves}
    cuts = [cut for cut in job.cuts if not cut.beside and math.isfinite(cut.across_m[0])]
    cuts = [cut for cut in cuts if cut.label in graves] or cuts
    middle = 0.5 * job.line.length_m
    places = [0.5 * (cut.outline.bounds[0] + cut.outline.bounds[2]) for cut in cuts]
    nearest = min(places, key=lambda place: abs(place - middle), default=middle)
    return min(max(nearest, 0.0), job.line.length_m)


def _top_velocity(section: Section) -> float:
    """Velocity of a wave along the ground, from the mean refractive index of the uppermost decimetre."""
    top = (section.depth_m > 0.5 * section.cell_m) & (section.depth_m < 0.1 + section.cell_m)
    return C_M_PER_NS / float(np.sqrt(section.static_permittivity()[:, top].astype(np.float64)).mean())


def _shot(course: Course, at_m: float) -> ShotView:
    """The film of one shot, in a stretch of the section around it."""
    section, instrument = course.grid.section, course.instrument
    near = np.abs(section.distance_m - at_m) <= _REACH_M
    first, last = (int(n) for n in np.flatnonzero(near)[[0, -1]])
    stretch = slice(first, last + 1)
    pole = section.relaxation
    part = replace(
        section,
        permittivity=section.permittivity[stretch],
        conductivity_ms_per_m=section.conductivity_ms_per_m[stretch],
        x0_m=float(section.distance_m[first]),
        relaxation=None if pole is None else replace(pole, strength=pole.strength[stretch]),
    )
    grid = make_grid(part, fastest_permittivity=1.0)
    half = 0.5 * instrument.separation_m
    source, receiver = ((at_m + side * half, -instrument.height_m) for side in (-1.0, 1.0))
    current = course.pulse.current(half_steps_ns(grid, course.steps) - course.lead_ns)
    every = max(1, course.steps // _FRAMES)
    shot = fire(grid, [source], current[None, :], [receiver], frame_every=every)
    thin = max(1, math.ceil(math.sqrt(part.columns * part.depths / _MOST_FILM_NODES)))
    time = shot.frame_ns - course.lead_ns
    kept = time >= -_EARLY_NS
    field, heard = shot.frames[kept][:, ::thin, ::thin], shot.field_v_per_m[0].astype(np.float32)
    direct = np.abs(heard).max()
    return ShotView(
        at_m,
        source,
        receiver,
        part.distance_m[::thin],
        part.depth_m[::thin],
        part.static_permittivity()[::thin, ::thin],
        time[kept],
        field / direct,
        shot.time_ns - course.lead_ns,
        heard / direct,
    )
