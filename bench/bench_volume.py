"""Lines to volume: forty lines of a visit to one block at estimated depth, against SciPy's interpolators."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import xarray as xr
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import LinearNDInterpolator

from yewline.model import VelocityField, VolumeGrid, make_radargram
from yewline.volume import build_volume

N_LINES, N_TRACES, N_SAMPLES, V = 40, 280, 300, 0.08
GRID = VolumeGrid(x0=0, y0=0, cell_m=0.25, nx=60, ny=60, depth_step_m=0.025, nz=80)


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
        }
    ]
