"""Lines to volume: forty lines of a visit to one block at estimated depth, against SciPy's interpolators.

And many traces to small cells, held against the machine's copies: a fifth of each side here, all of it by
`python -m bench.bench_volume`, which tells the growth of the process's memory too.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import xarray as xr
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import LinearNDInterpolator

from bench.copy_speed import copy_bytes_a_second
from yewline.model import VelocityField, VolumeGrid, make_radargram
from yewline.volume import build_volume, line_nodes, volume_of_nodes

N_LINES, N_TRACES, N_SAMPLES, V = 40, 280, 300, 0.08
GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=60, ny=60, depth_step_m=0.025, nz=80)

SPACING_M, CELL_M, SLICES, SAMPLES = 0.5, 0.05, 24, 512
FULL, SMALL = (200, 2000), (40, 400)
"""Lines, and traces a line: one hectare with 400,000 traces, and a twenty-fifth of it."""


def _lines() -> list[xr.DataArray]:
    rng = np.random.default_rng(20_250)
    x = 0.05 * np.arange(N_TRACES)
    return [
        make_radargram(np.abs(rng.normal(size=(N_TRACES, N_SAMPLES))), interval_ns=0.2, x=x, y=np.full_like(x, 0.5 * i))
        for i in range(N_LINES)
    ]


def _with_scipy(lines: list[xr.DataArray]) -> np.ndarray:
    """Bin means from the running integral of each trace, then triangles over pieces of five traces."""
    edges = GRID.depth_step_m * np.arange(GRID.nz + 1)
    points, values = [], []
    for line in lines:
        depth = 0.5 * V * line["time"].values
        first = np.minimum(np.searchsorted(depth, edges, side="right") - 1, len(depth) - 2)
        share = np.clip((edges - depth[first]) / (depth[first + 1] - depth[first]), 0.0, 1.0).astype(np.float32)
        integral = cumulative_trapezoid(line.values, depth.astype(np.float32), axis=1, initial=0)
        at = integral[:, first] * (1 - share) + integral[:, first + 1] * share
        binned = np.diff(at, axis=1) / np.float32(GRID.depth_step_m)
        values.append(binned.reshape(-1, 5, GRID.nz).mean(axis=1))
        points.append(np.column_stack([line[c].values.reshape(-1, 5).mean(axis=1) for c in ("x", "y")]))
    xx, yy = np.meshgrid(GRID.x, GRID.y)
    grid = LinearNDInterpolator(np.concatenate(points), np.concatenate(values))(xx, yy)
    return np.ascontiguousarray(np.moveaxis(grid, -1, 0), dtype=np.float32)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def run() -> list[dict[str, object]]:
    lines = _lines()
    velocity = VelocityField.uniform(V, 0.1 * V)

    def ours() -> object:
        return build_volume(lines, velocity, GRID, line_spacing_m=0.5)

    def peer() -> object:
        return _with_scipy(lines)

    ours(), peer()
    taken = [(_seconds(ours), _seconds(peer)) for _ in range(5)]
    ours_s, peer_s = min(t[0] for t in taken), min(t[1] for t in taken)
    return [
        {
            "name": f"volume of {N_LINES} lines x {N_TRACES} traces x {N_SAMPLES} samples",
            "ours_s": ours_s,
            "unit": "s",
            "peer": "SciPy: cumulative_trapezoid and LinearNDInterpolator",
            "peer_s": peer_s,
            "ratio": peer_s / ours_s,
            "target": "< 0.3 s",
        },
        large(*SMALL)[0],
    ]


def large(n_lines: int, n_traces: int) -> tuple[dict[str, Any], str]:
    """Lines to volume at its finest, and what it took in words: a line is made, put to depth and let go of."""
    grid = VolumeGrid(
        x0=0,
        y0=0,
        cell_m=CELL_M,
        nx=n_traces,
        ny=round(n_lines * SPACING_M / CELL_M),
        depth_step_m=CELL_M,
        nz=SLICES,
    )
    velocity = VelocityField.uniform(V, 0.1 * V)
    _volume(_long_lines(2, 60), velocity, grid.model_copy(update={"nx": 60, "ny": 20}))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, worked = time.perf_counter(), time.process_time()
    volume = _volume(_long_lines(n_lines, n_traces), velocity, grid)
    seconds, worked = time.perf_counter() - start, time.process_time() - worked
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    moved = 4 * n_lines * n_traces * SAMPLES + volume.nbytes
    copy = copy_bytes_a_second(2)
    words = (
        f"{worked:.1f} s of processors' time; "
        f"{moved / 1e9:.2f} GB read and written at {moved / seconds / 1e9:.2f} GB/s, copies at {copy / 1e9:.1f}; "
        f"memory grown by {grown / 1e9:.2f} GB for a volume of {volume.nbytes / 1e9:.2f}"
    )
    row = {
        "name": f"{n_lines * n_traces:,} traces x {SAMPLES} to {grid.ny} x {grid.nx} x {SLICES} cells",
        "ours_s": seconds,
        "unit": "s",
        "peer": "a copy of what is read and written",
        "peer_s": moved / copy,
        "ratio": moved / copy / seconds,
        "target": "<= 30 s at 400,000 traces",
    }
    return row, words


def _long_lines(n_lines: int, n_traces: int) -> Iterator[xr.DataArray]:
    samples = np.abs(np.random.default_rng(3).normal(size=(n_traces, SAMPLES))).astype(np.float32)
    x = CELL_M * np.arange(n_traces)
    for n in range(n_lines):
        yield make_radargram(samples, interval_ns=0.1, x=x, y=np.full_like(x, SPACING_M * n))


def _volume(lines: Iterator[xr.DataArray], velocity: VelocityField, grid: VolumeGrid) -> xr.Dataset:
    parts = [line_nodes(line, velocity, grid, line_spacing_m=SPACING_M) for line in lines]
    return volume_of_nodes(parts, velocity, grid, line_spacing_m=SPACING_M)


if __name__ == "__main__":
    figures, told = large(*FULL)
    print(f"{figures['name']}: {figures['ours_s']:.1f} s ({figures['target']}); {told}")
