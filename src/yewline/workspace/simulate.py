"""A scene simulated with the full wave: planned with its cost, computed line by line, and written as a site folder."""

from __future__ import annotations

import difflib
import json
import shutil
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError, SiteError
from yewline.formats import write_atomic
from yewline.progress import SILENT, Progress
from yewline.simulation.scenes import (
    LineJob,
    SceneFile,
    compute_line,
    finish_line,
    planned_lines,
    prepare_line,
    read_scene,
)
from yewline.workspace.simulate_cost import (
    LineCost,
    cost_of,
    measure_speed,
    prepare_solver,
    total_seconds,
    workers_of,
)
from yewline.workspace.simulate_folder import (
    Identity,
    State,
    begin_work,
    finish_work,
    identity_of,
    is_complete,
    state_of,
)
from yewline.workspace.simulate_pieces import piece_of
from yewline.workspace.simulate_site import write_simulated_site
from yewline.workspace.simulate_work import WORK, Piece, TraceLog, read_piece, write_piece

__all__ = ["SimulatedSite", "SimulationPlan", "plan_simulation", "run_simulation", "simulate_scene"]

Float32 = npt.NDArray[np.float32]

_COSTS: Final = "costs.json"
_LABEL: Final = "simulate: traces"


@dataclass(frozen=True, slots=True)
class SimulationPlan:
    """What is to be simulated, where, and what it costs; nothing is written yet.

    Attributes
    ----------
    scene : what is simulated.
    folder : of the site.
    days, lines : names of those that are simulated.
    workers : traces side by side.
    state : of the folder: "new", "begun" (a stopped simulation goes on), or "done".
    costs : of each line, day by day.
    kept : traces that a stopped simulation has left.
    updates_per_s : of this machine, from a short trial.
    """

    scene: SceneFile
    folder: Path
    days: tuple[str, ...]
    lines: tuple[str, ...]
    workers: int
    state: State
    costs: tuple[LineCost, ...] = ()
    kept: int = 0
    updates_per_s: float = 0.0

    @property
    def identity(self) -> Identity:
        """What the site is known by."""
        return identity_of(self.scene, self.days, self.lines)

    @property
    def computed(self) -> int:
        """Traces to compute, those that are kept included."""
        return sum(cost.computed for cost in self.costs)

    @property
    def cell_updates(self) -> int:
        """Cell updates of all of them."""
        return sum(cost.cell_updates for cost in self.costs)

    @property
    def bytes_needed(self) -> int:
        """Memory: lines are computed one after another."""
        return max((cost.bytes_needed for cost in self.costs), default=0)

    @property
    def seconds(self) -> float:
        """Time that is left, estimated."""
        left = 1.0 - self.kept / max(1, self.computed)
        return left * total_seconds(self.costs, self.updates_per_s) if self.costs else 0.0

    def as_dict(self) -> dict[str, Any]:
        """A plain dictionary for JSON."""
        return {
            "scene": self.scene.name,
            "folder": str(self.folder),
            "state": self.state,
            "lines": [cost.as_dict() for cost in self.costs],
            "computed": self.computed,
            "kept": self.kept,
            "cell_updates": self.cell_updates,
            "bytes_needed": self.bytes_needed,
            "workers": self.workers,
            "updates_per_s": self.updates_per_s,
            "seconds": self.seconds,
        }


@dataclass(frozen=True, slots=True)
class SimulatedSite:
    """A simulated site.

    Attributes
    ----------
    folder : of the site.
    visits : each day with the names of its lines, as planned.
    written : false where the same site was there already.
    computed, kept : traces that were computed now, and that a stopped simulation had left.
    """

    folder: Path
    visits: tuple[tuple[str, tuple[str, ...]], ...]
    written: bool
    computed: int = 0
    kept: int = 0


def simulate_scene(
    scene: str | Path | SceneFile,
    folder: str | Path,
    *,
    days: Sequence[str] | None = None,
    lines: Sequence[str] | None = None,
    workers: int | None = None,
    progress: Progress = SILENT,
) -> SimulatedSite:
    """Simulate a scene with the full wave and write it as a complete site folder, with its truth apart.

    The folder is one that `open_site` opens: recorded lines as SEG-Y, moisture readings, known burials. What no survey
    would know is in its `truth/`. Stopped at any moment, the same call goes on where it stopped, and the site is the
    same, byte for byte.

    Parameters
    ----------
    scene : name of a shipped scene, path of a TOML file, or a scene read before.
    folder : to write; new or empty, or one in which the same simulation was begun.
    days, lines : names of those to simulate; all by default.
    workers : traces side by side; by default one for each processor.
    progress : told of every trace.

    Raises
    ------
    SettingsError : the scene cannot be read.
    SiteError : the folder holds something else; nothing is overwritten.
    InputError : no such day or line, cells too coarse, antennas outside their section, or more memory than is free:
        before anything is written.
    Cancelled : `progress` asked to stop; what was computed is kept.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from yewline.simulation.scenes import scene_from_toml
    >>> scene = scene_from_toml('''
    ... bounds_m = [0.0, 0.0, 3.0, 2.0]
    ... days = [{ name = "dry", date = 2031-05-14, water = { profile = { kind = "even", vwc = 0.05 } } }]
    ... graves = [{ x = 1.5, y = 1.0 }]
    ... lines = { count = 1, length_m = 1.0, trace_interval_m = 0.5, origin = [1.0, 1.0] }
    ... antenna = { nominal_mhz = 200, window_ns = 30 }
    ... solver = { reach_m = 0.4 }
    ... ''')
    >>> site = simulate_scene(scene, pathlib.Path(tempfile.mkdtemp()) / "site")
    >>> site.written, site.visits, sorted(path.name for path in site.folder.glob("*.toml"))
    (True, (('dry', ('L1',)),), ['site.toml'])
    """
    plan = plan_simulation(scene, folder, days=days, lines=lines, workers=workers, progress=progress)
    return run_simulation(plan, progress=progress)


def plan_simulation(
    scene: str | Path | SceneFile,
    folder: str | Path,
    *,
    days: Sequence[str] | None = None,
    lines: Sequence[str] | None = None,
    workers: int | None = None,
    progress: Progress = SILENT,
) -> SimulationPlan:
    """Check a simulation and count its cost; nothing is written.

    Parameters and errors as for `simulate_scene`.
    """
    held = scene if isinstance(scene, SceneFile) else read_scene(scene)
    root = Path(folder)
    plan = SimulationPlan(
        held,
        root,
        _chosen(days, [day.name for day in held.days], "day"),
        _chosen(lines, [line.name for line in planned_lines(held.lines)], "line"),
        workers_of(workers),
        "new",
    )
    plan = replace(plan, state=state_of(root, plan.identity))
    if plan.state == "done" or is_complete(root):
        return plan
    prepare_solver(progress)
    costs = _known_costs(plan)
    first: LineJob | None = None
    if costs is None:
        counted = []
        for day, line in progress.over(_each(plan), "look at the lines"):
            cost, job = _looked_at(plan, day, line)
            first = first or job
            counted.append(cost)
        costs = tuple(counted)
    if first is None:
        first = prepare_line(held, plan.days[0], plan.lines[0])
    speed = measure_speed(first.runs[-1].course, workers=plan.workers)
    plan = replace(plan, costs=costs, updates_per_s=speed)
    return replace(plan, kept=_kept(plan))


def run_simulation(plan: SimulationPlan, *, progress: Progress = SILENT) -> SimulatedSite:
    """Compute what is not there yet, and write the site; errors as for `simulate_scene`."""
    visits = tuple((day, plan.lines) for day in plan.days)
    if plan.state == "done":
        return SimulatedSite(plan.folder, visits, written=False)
    work = begin_work(plan.folder, plan.identity)
    if not is_complete(plan.folder):
        if plan.costs:
            costs = json.dumps([cost.as_dict() for cost in plan.costs], indent=1)
            write_atomic(work / _COSTS, costs.encode())
        _compute(plan, work, progress)
        draft = work / "site"
        shutil.rmtree(draft, ignore_errors=True)
        write_simulated_site(draft, plan.scene, plan.identity, partial(_piece, work))
    finish_work(plan.folder)
    return SimulatedSite(plan.folder, visits, written=True, computed=plan.computed - plan.kept, kept=plan.kept)


def _compute(plan: SimulationPlan, work: Path, progress: Progress) -> None:
    done = plan.kept
    progress.report(_LABEL, done, plan.computed)
    for cost in plan.costs:
        if read_piece(_piece_path(work, cost.day, cost.line)) is None:
            for _ in _finish_line(plan, work, cost, progress):
                done += 1
                progress.report(_LABEL, min(done, plan.computed), plan.computed)


def _finish_line(plan: SimulationPlan, work: Path, cost: LineCost, progress: Progress) -> Iterator[None]:
    """Compute what a line lacks and put it together; yields after each trace."""
    job = prepare_line(plan.scene, cost.day, cost.line)
    log = _log(plan, work, cost)
    log.mend()
    fields = [np.zeros((len(job.places), job.instrument.samples), np.float32) for _ in job.runs]
    there = [np.zeros(len(job.places), bool) for _ in job.runs]
    for run, trace, samples in log.read():
        if run < len(fields) and trace < len(job.places):
            fields[run][trace], there[run][trace] = samples, True
    runs = [replace(run, which=run.which[~had[run.which]]) for run, had in zip(job.runs, there, strict=True)]
    # The lines' own bars would each begin anew: only the wish to stop is passed on.
    asked = Progress(lambda label, done, total: progress.check(label))
    for run, trace, samples in compute_line(replace(job, runs=tuple(runs)), workers=plan.workers, progress=asked):
        log.append(run, trace, samples)
        fields[run][trace] = samples
        yield
    write_piece(_piece_path(work, cost.day, cost.line), piece_of(job, finish_line(job, fields)))


def _piece(work: Path, day: str, line: str) -> Piece:
    piece = read_piece(_piece_path(work, day, line))
    if piece is None:
        raise SiteError("a finished line cannot be read again", where=str(work), do="run the same command again")
    return piece


def _piece_path(work: Path, day: str, line: str) -> Path:
    return work / f"{day}.{line}.npz"


def _looked_at(plan: SimulationPlan, day: str, line: str) -> tuple[LineCost, LineJob]:
    started = time.perf_counter()
    job = prepare_line(plan.scene, day, line)
    return cost_of(job, workers=plan.workers, prepare_s=time.perf_counter() - started), job


def _each(plan: SimulationPlan) -> list[tuple[str, str]]:
    return [(day, line) for day in plan.days for line in plan.lines]


def _known_costs(plan: SimulationPlan) -> tuple[LineCost, ...] | None:
    """Costs that a stopped simulation counted, if they are there and whole."""
    path = plan.folder / WORK / _COSTS
    try:
        costs = tuple(LineCost(**entry) for entry in json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None
    return costs if [(cost.day, cost.line) for cost in costs] == _each(plan) else None


def _kept(plan: SimulationPlan) -> int:
    """Traces that a stopped simulation has left."""
    if plan.state == "new":
        return 0
    work, kept = plan.folder / WORK, 0
    for cost in plan.costs:
        if read_piece(_piece_path(work, cost.day, cost.line)) is not None:
            kept += cost.computed
        else:
            kept += len({(run, trace) for run, trace, _ in _log(plan, work, cost).read()})
    return min(kept, plan.computed)


def _log(plan: SimulationPlan, work: Path, cost: LineCost) -> TraceLog:
    return TraceLog(work / f"{cost.day}.{cost.line}.traces", plan.scene.antenna.samples)


def _chosen(wanted: Iterable[str] | None, known: list[str], what: str) -> tuple[str, ...]:
    """Names that were asked for, in the scene's order."""
    if wanted is None:
        return tuple(known)
    asked = list(wanted)
    for name in asked:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            do = f"did you mean {near[0]}?" if near else f"it has {', '.join(known)}"
            raise InputError(f"the scene has no such {what}", received=repr(name), do=do)
    if not asked:
        raise InputError(f"no {what} was chosen", do=f"choose of {', '.join(known)}")
    return tuple(name for name in known if name in asked)
