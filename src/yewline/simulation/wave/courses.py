"""Courses: an antenna pair carried along a section, each trace in a window of its own, many traces side by side."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_in_range, check_positive
from yewline.errors import InputError
from yewline.progress import SILENT, Progress
from yewline.simulation.instrument import Instrument
from yewline.simulation.pulse import Pulse
from yewline.simulation.wave.cubic import cubic_weights
from yewline.simulation.wave.digits import round_up
from yewline.simulation.wave.edges import Edges
from yewline.simulation.wave.grid import Grid, Precision, make_grid, window_of
from yewline.simulation.wave.rows import BLOCK
from yewline.simulation.wave.section import CELLS_A_WAVELENGTH, Section, check_cell
from yewline.simulation.wave.shots import Tiling, fire_in, half_steps_ns, steps_ns
from yewline.simulation.wave.tiles import best_tiling

__all__ = ["Course", "check_memory", "free_memory_bytes", "plan_course", "processors", "record_course", "run_course"]

Array = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

_MEMORY_SHARE: Final = 0.8
_LEAST_AIR_CELLS: Final = 2
_LEAST_WINDOW_CELLS: Final = 12
_SILENT_START: Final = 1e-6
"""The current starts where the pulse is below this share of its largest swing."""


@dataclass(frozen=True, slots=True)
class Course:
    """Traces to be computed along a section, and what they cost.

    Attributes
    ----------
    grid : the section made ready.
    at_m : (T,) distance along the section of the middle between the antennas at each trace.
    instrument, pulse : the antennas, how they sample, and what the transmitter sends.
    columns : of the window carried along, absorbing edges apart.
    steps : of a trace.
    lead_ns : the currents start this long before the pulse's middle.
    """

    grid: Grid
    at_m: Array
    instrument: Instrument
    pulse: Pulse
    columns: int
    steps: int
    lead_ns: float

    @property
    def cell_updates(self) -> int:
        """Cell updates of one trace: the count in which costs are compared."""
        return self.grid.cells_of_window(self.columns) * self.steps

    def bytes_needed(self, workers: int) -> int:
        """Memory that `workers` traces side by side take, the section's own coefficients included."""
        return self.grid.bytes_held + workers * self.grid.bytes_of_window(self.columns)


def plan_course(
    section: Section,
    at_m: npt.ArrayLike,
    instrument: Instrument,
    *,
    pulse: Pulse | None = None,
    window_m: float | None = None,
    edges: Edges | None = None,
    precision: Precision = "single",
    cells_a_wavelength: float = CELLS_A_WAVELENGTH,
    like: Course | None = None,
) -> Course:
    """Make a course ready, and refuse it where it could not be right.

    Parameters
    ----------
    section : the materials; air lies at negative depths.
    at_m : (T,) distances of the middle between the antennas, m; the receiver goes ahead.
    instrument : the antennas and the sampling.
    pulse : what the transmitter sends; a Ricker wavelet at the instrument's centre by default.
    window_m : length of ground that a trace sees; by default the instrument's aperture on either side.
    edges, precision, cells_a_wavelength : of the solver.
    like : a course over the same cells whose absorbing edges are taken over: see `make_grid`.

    Raises
    ------
    InputError : no traces, cells too coarse (with those that would do), antennas outside the section or its air, or a
        window too narrow for the antennas.
    """
    at = check_array(at_m, "at_m", ndim=1)
    sent = Pulse("ricker", instrument.centre_mhz) if pulse is None else pulse
    check_cell(section, sent.band_mhz()[1], cells_a_wavelength=cells_a_wavelength)
    width = _width(section, instrument, window_m)
    _refuse_places(section, at, instrument)
    # All sections of a scene get the time step of air, so that their traces may be compared bit for bit.
    grid = make_grid(
        section,
        edges=edges,
        precision=precision,
        fastest_permittivity=1.0,
        like=None if like is None else like.grid,
    )
    lead = -sent.span_ns(_SILENT_START)[0]
    last = (instrument.samples - 1) * instrument.interval_ns - instrument.zero_ns
    steps = max(8, math.ceil((last + lead) / grid.step_ns) + 2)
    # An odd number, so that a window lies the same way about antennas over any node.
    columns = min(2 * math.ceil(0.5 * width / section.cell_m - 1e-9) + 1, section.columns)
    return Course(grid, at, instrument, sent, columns, steps, lead)


def record_course(course: Course, number: int, *, tiling: Tiling | None = None) -> Float32:
    """Trace `number` of a course, (S,) V/m of a line current: what `run_course` computes for each."""
    section, instrument = course.grid.section, course.instrument
    at = float(course.at_m[number])
    first = math.floor((at - section.x0_m) / section.cell_m - 0.5 * (course.columns - 1) + 0.5 + 1e-6)
    window = window_of(course.grid, min(max(first, 0), section.columns - course.columns), course.columns)
    half = 0.5 * instrument.separation_m
    current = course.pulse.current(half_steps_ns(course.grid, course.steps) - course.lead_ns)
    shot = fire_in(
        window,
        [[at - half, -instrument.height_m]],
        current[None, :],
        [[at + half, -instrument.height_m]],
        tiling=tiling,
    )
    return _sampled(shot.field_v_per_m[0], steps_ns(course.grid, course.steps) - course.lead_ns, instrument)


def run_course(
    course: Course,
    which: Iterable[int] | None = None,
    *,
    workers: int | None = None,
    tiling: Tiling | None = None,
    progress: Progress = SILENT,
    label: str = "simulate",
) -> Iterator[tuple[int, Float32]]:
    """Traces of a course with their numbers, in the order in which they are ready.

    Parameters
    ----------
    course : from `plan_course`.
    which : numbers of the traces to compute; all by default.
    workers : traces side by side; by default one for each processor.
    tiling : of the solver; by default that which was found fastest on this machine.
    progress, label : told of every trace, and asked whether to go on.

    Raises
    ------
    InputError : more memory is needed than is free.
    Cancelled : `progress` asked to stop; what was yielded before is whole.

    Notes
    -----
    A trace does not depend on the others, nor on how many run side by side: it has the same bits in every run.
    """
    numbers = list(range(len(course.at_m)) if which is None else which)
    for number in numbers:
        check_in_range(number, "the number of a trace", 0, len(course.at_m) - 1)
    wanted = processors() if workers is None else int(check_in_range(workers, "workers", 1, 4096))
    threads = min(wanted, max(1, len(numbers)))
    check_memory(course, threads)
    return _traces(course, numbers, threads, tiling, progress, label)


def _traces(
    course: Course, numbers: list[int], threads: int, tiling: Tiling | None, progress: Progress, label: str
) -> Iterator[tuple[int, Float32]]:
    progress.report(label, 0, len(numbers))
    held = best_tiling(course.grid, course.columns, threads) if tiling is None else tiling
    with ThreadPoolExecutor(threads) as pool:
        coming = iter(numbers)
        running: dict[Future[Float32], int] = {}

        def start_next() -> None:
            number = next(coming, None)
            if number is not None:
                running[pool.submit(record_course, course, number, tiling=held)] = number

        for _ in range(2 * threads):
            start_next()
        ready = 0
        try:
            while running:
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    number = running.pop(future)
                    trace = future.result()
                    start_next()
                    ready += 1
                    yield number, trace
                    progress.report(label, ready, len(numbers))
        finally:
            for future in running:
                future.cancel()


def free_memory_bytes() -> int | None:
    """Memory that this machine can give, caches of files counted as free; None where it does not tell."""
    with suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return 1024 * int(line.split()[1])
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None


def _width(section: Section, instrument: Instrument, window_m: float | None) -> float:
    if window_m is None:
        return 2.0 * instrument.aperture_m + instrument.separation_m
    least = instrument.separation_m + _LEAST_WINDOW_CELLS * section.cell_m
    if check_positive(window_m, "window_m") < least * (1 - 1e-9):
        raise InputError(
            "the window is too narrow for the antennas",
            received=f"{window_m:g} m for a separation of {instrument.separation_m:g} m",
            do=f"give {round_up(least):g} m or more",
        )
    return window_m


def _refuse_places(section: Section, at: Array, instrument: Instrument) -> None:
    air = instrument.height_m + _LEAST_AIR_CELLS * section.cell_m
    if section.z0_m > 1e-9 - air:
        raise InputError(
            "the section has no air over the antennas",
            received=f"air up to {max(0.0, -section.z0_m):g} m, antennas at {instrument.height_m:g} m",
            do=f"give it {round_up(air):g} m of air or more",
        )
    if section.depth_m[-1] < 0:
        raise InputError(
            "the section ends above the ground",
            received=f"lowest depth {section.depth_m[-1]:g} m",
            do="give depths positive downward, from the surface",
        )
    half = 0.5 * instrument.separation_m
    first, last = section.distance_m[[0, -1]]
    if at.min() - half < first - 1e-9 or at.max() + half > last + 1e-9:
        raise InputError(
            "antennas stand outside the section",
            received=f"antennas from {at.min() - half:.2f} to {at.max() + half:.2f} m, "
            f"section from {first:.2f} to {last:.2f} m",
            do="make the section longer than the line by half the window at either end",
        )


def check_memory(course: Course, workers: int) -> None:
    """Refuse a course that would take more memory than is free.

    Raises
    ------
    InputError : says how much is needed, how much there is, and what would do.
    """
    free, needed = free_memory_bytes(), course.bytes_needed(workers)
    if free is None or needed <= _MEMORY_SHARE * free:
        return
    room = _MEMORY_SHARE * free
    fewer = math.floor((room - course.bytes_needed(0)) / course.grid.bytes_of_window(course.columns))
    raise InputError(
        "the run would need more memory than is free",
        received=f"{needed / 1e9:.3g} GB, with {free / 1e9:.3g} GB free",
        do=f"use {fewer} workers or fewer" if fewer >= 1 else f"use {_smaller(course, room)}, or free some memory",
    )


def _smaller(course: Course, room: float) -> str:
    """What one worker would have room for."""
    grid, edge = course.grid, 2 * course.grid.edges.cells
    one = course.bytes_needed(1)
    for tenths in range(11, 1001):
        share = 10.0 / tenths
        # Cells of edges stay as many; all else goes with the inverse square of the cell.
        wide, deep = course.columns, grid.section.depths
        within = (share * wide + edge) * (share * deep + edge + BLOCK) / ((wide + edge) * grid.keep.shape[1])
        if one * within <= room:
            return f"cells of {round_up(grid.section.cell_m / share):g} m or more"
    return "a shorter and shallower section"


def processors() -> int:
    """Processors that this process may use: so many traces run side by side."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _sampled(series: npt.NDArray[np.floating[Any]], times: Array, instrument: Instrument) -> Float32:
    """The field at the instrument's samples, by a cubic through the four nearest steps; zero before the first."""
    wanted = instrument.interval_ns * np.arange(instrument.samples) - instrument.zero_ns
    place = (wanted - times[0]) / (times[1] - times[0])
    at, weights = cubic_weights(np.clip(place, 1.0, len(times) - 2.5))
    nearest = series[at + np.arange(-1, 3)[:, None]].astype(np.float64)
    return np.where(place < 1.0, 0.0, (weights * nearest).sum(axis=0)).astype(np.float32)
