"""What a simulated survey costs, known before anything is computed: cells, updates, memory, and time here."""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as StillRunning
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np

from yewline.progress import Progress
from yewline.simulation.scenes import LineJob
from yewline.simulation.wave import Course, Section, check_memory, fire, make_grid, processors, run_course

__all__ = ["LineCost", "cost_of", "measure_speed", "prepare_solver", "total_seconds", "workers_of"]

_TRIAL_UPDATES: Final = 1.5e8
"""Cell updates of one trace of the trial: about a tenth of a second."""
_PATIENCE_S: Final = 2.0
_COMPILE: Final = "prepare the solver: compiled for this machine, once"


@dataclass(frozen=True, slots=True)
class LineCost:
    """What one line takes.

    Attributes
    ----------
    day, line : which.
    traces : of the stored line.
    computed : traces to compute, over all runs: bodies that end near the line are computed with and without them.
    cell_m : side of a cell.
    cell_updates : of all its traces together.
    bytes_needed : memory, with all workers busy.
    prepare_s : time that cutting and preparing its sections took.
    """

    day: str
    line: str
    traces: int
    computed: int
    cell_m: float
    cell_updates: int
    bytes_needed: int
    prepare_s: float

    @property
    def updates_a_trace(self) -> float:
        """Cell updates of one computed trace, on average."""
        return self.cell_updates / max(1, self.computed)

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for JSON."""
        return asdict(self)


def cost_of(job: LineJob, *, workers: int, prepare_s: float) -> LineCost:
    """The cost of a prepared line.

    Raises
    ------
    InputError : it would need more memory than is free.
    """
    courses = [run.course for run in job.runs]
    for run in job.runs:
        check_memory(run.course, max(1, min(workers, len(run.which))))
    held = sum(_bytes_of(course.grid.section) + course.bytes_needed(0) for course in courses)
    windows = max(course.bytes_needed(workers) - course.bytes_needed(0) for course in courses)
    return LineCost(
        job.day.name,
        job.line.name,
        len(job.places),
        job.traces,
        courses[0].grid.section.cell_m,
        job.cell_updates,
        held + windows,
        prepare_s,
    )


def _bytes_of(section: Section) -> int:
    held = section.permittivity.nbytes + section.conductivity_ms_per_m.nbytes
    return held if section.relaxation is None else held + section.relaxation.strength.nbytes


def prepare_solver(progress: Progress) -> None:
    """Have the solver compiled; `progress` hears of it only where that takes longer than loading it would.

    Whether a compiled solver lies in the cache cannot be asked of the compiler in a way that holds from one of its
    versions to the next, so it is told by the time.
    """
    with ThreadPoolExecutor(1) as pool:
        ready = pool.submit(_first_shot)
        try:
            ready.result(timeout=_PATIENCE_S)
        except StillRunning:
            progress.report(_COMPILE, 0, 1)
            ready.result()
            progress.report(_COMPILE, 1, 1)


def _first_shot() -> None:
    grid = make_grid(Section(np.ones((24, 24), np.float32), np.zeros((24, 24), np.float32), cell_m=0.1))
    fire(grid, [[1.0, 1.0]], [[1.0] * 4], [[1.2, 1.0]])


def measure_speed(course: Course, *, workers: int) -> float:
    """Cell updates a second on this machine, from a trial of some tenths of a second with all workers busy."""
    share = min(1.0, _TRIAL_UPDATES / course.cell_updates)
    trial = replace(course, steps=max(8, round(share * course.steps)))
    which = [number % len(course.at_m) for number in range(2 * workers)]
    # The first traces of a process load the kernels, and choose the tiles where none were chosen yet.
    for _ in run_course(replace(trial, steps=8), which[:1], workers=1):
        pass
    started = time.perf_counter()
    for _ in run_course(trial, which, workers=workers):
        pass
    return len(which) * trial.cell_updates / (time.perf_counter() - started)


def total_seconds(costs: Sequence[LineCost], updates_per_s: float) -> float:
    """Time that lines will take: their updates, and their sections made once more."""
    return sum(cost.cell_updates / updates_per_s + cost.prepare_s for cost in costs)


def workers_of(workers: int | None) -> int:
    """Traces side by side: as asked for, or one for each processor."""
    return processors() if workers is None else max(1, workers)
