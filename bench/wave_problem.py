"""One wave problem for all solvers: heterogeneous soil, a line current, and a place where the field is heard."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from yewline.simulation.wave import Section, Window, make_grid, window_of
from yewline.simulation.wave.arrays import Fields, Points, quiet_fields
from yewline.simulation.wave.kernels import advance, advance_parallel
from yewline.simulation.wave.shots import nodes_of
from yewline.units import C_M_PER_NS

Float32 = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

CELL_M = 0.01
FASTEST_PERMITTIVITY = 4.0
FASTEST = 0.75
"""Cells a step that no wave goes: the time step is made for permittivity 4, the lowest."""
HEARD_OFF = (20, 10)
"""Cells from the source to the place where the field is heard."""


@dataclass(frozen=True)
class Problem:
    """A window (X, Z) with its edges, a current at one node and a receiver at another."""

    window: Window
    steps: int
    source: tuple[int, int]
    receiver: tuple[int, int]
    drive: Float32

    @property
    def shape(self) -> tuple[int, int]:
        return self.window.media.keep.shape

    @property
    def courant(self) -> float:
        """Cells that a wave in the fastest material goes in a step."""
        grid = self.window.grid
        return C_M_PER_NS * grid.step_ns / (CELL_M * math.sqrt(FASTEST_PERMITTIVITY))

    @property
    def permittivity(self) -> Array:
        """(X, Z) that of the lossless problem, edges included."""
        gain = np.maximum(self.window.media.gain.astype(np.float64), 1e-9)
        return np.where(gain > 1e-9, self.courant**2 * FASTEST_PERMITTIVITY / gain, FASTEST_PERMITTIVITY)

    @property
    def updates(self) -> int:
        return math.prod(self.shape) * self.steps

    @property
    def steps_before_walls(self) -> int:
        """Steps in which nothing comes back from where the grid ends."""
        room = min(*self.source, *(n - 1 - s for n, s in zip(self.shape, self.source, strict=True)))
        return min(self.steps, int(2 * room / FASTEST) - max(HEARD_OFF))


def make_problem(columns: int, depths: int, steps: int, *, conductivity_ms_per_m: float = 2.0) -> Problem:
    """Soil of permittivity 4 to 9 that varies over some ten cells; the pulse is a Gaussian's derivative."""
    noise = ndimage.gaussian_filter(np.random.default_rng(1).standard_normal((columns, depths)), 6.0, mode="wrap")
    share = (noise - noise.min()) / np.ptp(noise)
    section = Section(FASTEST_PERMITTIVITY + 5.0 * share, np.full((columns, depths), conductivity_ms_per_m), CELL_M)
    grid = make_grid(section, fastest_permittivity=FASTEST_PERMITTIVITY)
    window = window_of(grid, 0, columns)
    edge = grid.edges.cells
    source = (edge + columns // 2, edge + depths // 2)
    receiver = (source[0] + HEARD_OFF[0], source[1] + HEARD_OFF[1])
    at = (np.arange(steps) - 60.0) / 12.0
    return Problem(window, steps, source, receiver, (-at * np.exp(-0.5 * at**2)).astype(np.float32))


@dataclass(frozen=True)
class State:
    """What one run changes, made before the clock starts and put to rest before each run."""

    fields: Fields
    sources: Points
    receivers: Points

    def heard(self) -> Float32:
        return self.receivers.series[0].copy()

    def rest(self) -> None:
        for part in (*self.fields, self.receivers.series):
            part[...] = 0.0


def make_state(problem: Problem) -> State:
    grid = problem.window.grid

    def at(node: tuple[int, int], series: Float32, name: str) -> Points:
        edge, section = grid.edges.cells, grid.section
        place = [(node[0] - edge) * section.cell_m, (node[1] - edge) * section.cell_m]
        return nodes_of(problem.window, np.array([place]), series, name)

    return State(
        quiet_fields(*problem.shape, grid.edges.cells, np.float32),
        at(problem.source, problem.drive[None, :].copy(), "source"),
        at(problem.receiver, np.zeros((1, problem.steps), np.float32), "receiver"),
    )


def step_ours(problem: Problem, state: State, depth: int, width: int | None = None) -> None:
    """All steps on this thread, or over all threads in tiles of `width` rows."""
    window = problem.window
    parts = (state.fields, window.media, window.grid.absorber, window.links, state.sources, state.receivers)
    if width is None:
        advance(0, problem.steps, depth, *parts)
    else:
        advance_parallel(0, problem.steps, depth, width, *parts)


def side_by_side(works: Sequence[Callable[[], Any]]) -> list[Any]:
    """Each on a thread of its own."""
    with ThreadPoolExecutor(len(works)) as pool:
        return [future.result() for future in [pool.submit(work) for work in works]]


def best_seconds(works: dict[str, Callable[[], Any]], repeats: int = 7) -> dict[str, float]:
    """The shortest time of each, one after the other in every round."""
    best = dict.fromkeys(works, math.inf)
    for _ in range(repeats):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def agree(ours: Float32, theirs: npt.ArrayLike, what: str, tolerance: float = 1e-4) -> None:
    """Stop where two solvers did not solve the same problem."""
    other = np.asarray(theirs, np.float32)
    off = float(np.abs(ours[: len(other)] - other).max() / np.abs(other).max())
    if not off < tolerance:
        raise RuntimeError(f"{what} gives another field: off by {off:.1e} of the peak")


def row(name: str, ours_s: float, target: str, peer: str | None = None, peer_s: float | None = None) -> dict[str, Any]:
    ratio = None if peer_s is None else peer_s / ours_s
    return {
        "name": name, "ours_s": ours_s, "unit": "s", "peer": peer, "peer_s": peer_s, "ratio": ratio, "target": target
    }  # fmt: skip
