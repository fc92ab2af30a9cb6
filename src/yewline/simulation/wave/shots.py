"""One shot: line currents in a section, and the field that is heard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from yewline._check import check_array, check_choice, check_in_range
from yewline.errors import InputError
from yewline.simulation.wave import kernels, plain
from yewline.simulation.wave.arrays import Points, points_by_row, quiet_fields
from yewline.simulation.wave.cubic import cubic_weights
from yewline.simulation.wave.grid import Grid, Window, window_of
from yewline.units import MU0_H_PER_M

__all__ = ["ENGINES", "Shot", "Tiling", "fire", "fire_in", "half_steps_ns", "nodes_of", "steps_ns"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tiling:
    """How many steps a row goes forward while in the cache, and how many rows a tile of one thread holds.

    A width below the depth is taken as the depth: narrower tiles would wait for one another.
    """

    depth: int = 16
    width: int = 64

    def __post_init__(self) -> None:
        check_in_range(self.depth, "depth", 1, 1 << 20)
        check_in_range(self.width, "width", 1, 1 << 20)


def _swept(start: int, stop: int, tiling: Tiling, *arrays: Any) -> None:
    kernels.advance(start, stop, 1, *arrays)


def _tiled(start: int, stop: int, tiling: Tiling, *arrays: Any) -> None:
    kernels.advance(start, stop, tiling.depth, *arrays)


def _parallel(start: int, stop: int, tiling: Tiling, *arrays: Any) -> None:
    kernels.advance_parallel(start, stop, tiling.depth, max(tiling.width, tiling.depth), *arrays)


def _plain(start: int, stop: int, tiling: Tiling, *arrays: Any) -> None:
    plain.advance(start, stop, *arrays)


ENGINES: Final[dict[str, Callable[..., None]]] = {
    "plain": _plain,
    "swept": _swept,
    "tiled": _tiled,
    "parallel": _parallel,
}
"""Engines by name: NumPy, one compiled sweep a step, tiles in time on one thread, and tiles over all threads."""


@dataclass(frozen=True, slots=True)
class Shot:
    """What was heard.

    Attributes
    ----------
    field_v_per_m : (R, S) electric field across the section at each receiver.
    time_ns : (S,) its times, from the start of the currents.
    frames : (F, X, Z) float32 field at every so many steps, edges left out; empty if none were asked for.
    frame_ns : (F,) their times.
    """

    field_v_per_m: npt.NDArray[Any]
    time_ns: Array
    frames: npt.NDArray[np.float32]
    frame_ns: Array


def steps_ns(grid: Grid, steps: int) -> Array:
    """(S,) times at which the field is heard, ns after the start."""
    return np.asarray(grid.step_ns * np.arange(1, steps + 1), np.float64)


def half_steps_ns(grid: Grid, steps: int) -> Array:
    """(S,) times at which currents act, ns after the start."""
    return np.asarray(grid.step_ns * (np.arange(steps) + 0.5), np.float64)


def fire(
    grid: Grid,
    sources_m: npt.ArrayLike,
    currents_a: npt.ArrayLike,
    receivers_m: npt.ArrayLike,
    *,
    engine: str = "tiled",
    tiling: Tiling | None = None,
    frame_every: int = 0,
) -> Shot:
    """The field of line currents over a whole section.

    Parameters
    ----------
    grid : from `make_grid`.
    sources_m : (P, 2) distance along the section and depth of each line current.
    currents_a : (P, S) current of each at the times `half_steps_ns`, A; positive across the section.
    receivers_m : (R, 2) distance and depth of each place at which the field is heard.
    engine : one of `ENGINES`.
    tiling : of the engines that have tiles.
    frame_every : steps between pictures of the whole field; 0 takes none.

    Returns
    -------
    Shot

    Raises
    ------
    InputError : a source or receiver outside the section, or no steps.

    Notes
    -----
    A current is added to what flows ("soft"): it does not hinder waves that pass. In an even medium its field is
    E(ω) = −(ωμ₀/4) I(ω) H₀⁽²⁾(kρ). Places between nodes are shared over the four nearest along each axis by a cubic,
    the same for sources and receivers, so that the two may be exchanged.

    References
    ----------
    Harrington 1961, Time-Harmonic Electromagnetic Fields, sec. 5-6 (field of a line current; from memory).

    Examples
    --------
    >>> from yewline.simulation.wave import Section, make_grid
    >>> grid = make_grid(Section(np.full((60, 60), 4.0), np.zeros((60, 60)), cell_m=0.02))
    >>> current = np.exp(-((half_steps_ns(grid, 200) - 3.0) ** 2))
    >>> heard = fire(grid, [[0.4, 0.6]], [current], [[0.8, 0.6]])
    >>> heard.field_v_per_m.shape, bool(abs(heard.time_ns[np.abs(heard.field_v_per_m[0]).argmax()] - 5.2) < 0.6)
    ((1, 200), True)
    """
    window = window_of(grid, 0, grid.section.columns)
    return fire_in(window, sources_m, currents_a, receivers_m, engine=engine, tiling=tiling, frame_every=frame_every)


def fire_in(
    window: Window,
    sources_m: npt.ArrayLike,
    currents_a: npt.ArrayLike,
    receivers_m: npt.ArrayLike,
    *,
    engine: str = "tiled",
    tiling: Tiling | None = None,
    frame_every: int = 0,
) -> Shot:
    """As `fire`, in one window."""
    check_choice(engine, "engine", tuple(ENGINES))
    grid = window.grid
    currents = check_array(currents_a, "currents_a", ndim=2)
    source_at = check_array(sources_m, "sources_m", ndim=2)
    receiver_at = check_array(receivers_m, "receivers_m", ndim=2)
    if len(currents) != len(source_at):
        raise InputError("each source needs a current", received=f"{len(source_at)} sources, {len(currents)} currents")
    steps = currents.shape[1]
    driven = np.ascontiguousarray(currents * (MU0_H_PER_M / (1e-9 * grid.step_ns)), dtype=grid.dtype)
    sources = nodes_of(window, source_at, driven, "source")
    receivers = nodes_of(window, receiver_at, np.zeros((len(receiver_at), steps), grid.dtype), "receiver")
    columns, depths = window.media.keep.shape
    edge, inner = grid.edges.cells, grid.section.depths
    fields = quiet_fields(columns, depths, edge, grid.dtype, relaxing=grid.relax.size > 0)
    run = ENGINES[engine]
    held = Tiling() if tiling is None else tiling
    stops = list(range(frame_every, steps, frame_every)) if frame_every > 0 else []
    frames = []
    start = 0
    for stop in (*stops, steps):
        run(start, stop, held, fields, window.media, grid.absorber, window.links, sources, receivers)
        start = stop
        if stop < steps:
            frames.append(fields.e[edge:-edge, edge : edge + inner].astype(np.float32))
    return Shot(
        receivers.series,
        steps_ns(grid, steps),
        np.array(frames, np.float32).reshape(len(stops), columns - 2 * edge, inner),
        grid.step_ns * np.array(stops, np.float64),
    )


def nodes_of(window: Window, places_m: Array, series: npt.NDArray[Any], name: str) -> Points:
    """Places (P, 2) shared over nodes of a window, with their series (P, S)."""
    if places_m.shape[1] != 2:
        raise InputError(f"{name}s must be (P, 2): distance and depth", received=f"shape {places_m.shape}")
    columns = len(window.media.keep)
    edge, inner = window.grid.edges.cells, window.grid.section.depths
    i, k = window.node(places_m[:, 0], places_m[:, 1])
    inside = (i > edge - 1e-6) & (i < columns - 1 - edge + 1e-6) & (k > edge - 1e-6) & (k < edge + inner - 1 + 1e-6)
    if not inside.all():
        distance, depth = places_m[int(np.argmin(inside))]
        raise InputError(
            f"a {name} lies outside the section",
            received=f"distance {distance:g} m, depth {depth:g} m",
            do="move it, or make the section longer, deeper or higher",
        )
    (first_i, along), (first_k, down) = cubic_weights(i), cubic_weights(k)
    beside = np.arange(-1, 3)
    weight = np.einsum("ip,kp->pik", along, down)
    return points_by_row(
        np.broadcast_to((first_i[:, None] + beside)[:, :, None], weight.shape).ravel(),
        np.broadcast_to((first_k[:, None] + beside)[:, None, :], weight.shape).ravel(),
        np.repeat(np.arange(len(places_m)), 16),
        weight.ravel(),
        series,
        columns,
    )
