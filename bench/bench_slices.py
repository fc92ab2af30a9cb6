"""A slice of 400 × 400 cells from disk, and twenty-four: the stored volume by Zarr alone and by xarray.

The peer is the same file as plain bytes, read by NumPy: what the machine does when nothing is in between. All files
are in the system's cache, as they are when a surveyor steps through the slices.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr
from scipy.ndimage import gaussian_filter

from yewline.model import VolumeGrid, make_volume
from yewline.workspace.store import save_volume

GRID = VolumeGrid(x0=0, y0=0, cell_m=0.05, nx=400, ny=400, depth_step_m=0.05, nz=24)
REPEATS = 25


def run() -> list[dict[str, Any]]:
    noise = np.random.default_rng(5).standard_normal((GRID.nz, GRID.ny, GRID.nx))
    strength = np.abs(gaussian_filter(noise, 1.0)).astype(np.float32)
    volume = make_volume(GRID, strength=strength, coverage=strength >= 0, depth_error=0 * strength)
    with tempfile.TemporaryDirectory() as folder:
        stored, plain = Path(folder) / "volume.zarr", Path(folder) / "plain.bin"
        save_volume(stored, volume)
        strength.tofile(plain)
        array: Any = zarr.open_group(stored, mode="r")["strength"]
        with xr.open_dataset(stored, engine="zarr", consolidated=False, chunks=None) as opened:

            def bytes_of(k: int) -> object:
                return np.fromfile(plain, np.float32, GRID.ny * GRID.nx, offset=4 * k * GRID.ny * GRID.nx)

            def afresh(k: int) -> object:
                with xr.open_dataset(stored, engine="zarr", consolidated=False, chunks=None) as again:
                    return again["strength"][k].values

            readers: dict[str, Callable[[int], object]] = {
                "Zarr": lambda k: array[k],
                "xarray": lambda k: opened["strength"][k].values,
                "xarray, opened each time": afresh,
                "bytes": bytes_of,
            }
            one = _best(readers, range(11, 12))
            all_ = _best(readers, range(GRID.nz))
    return [
        {
            "name": f"{many} of 400 x 400 from disk, {name}",
            "ours_s": best[name],
            "unit": "s",
            "peer": "the same bytes by NumPy",
            "peer_s": best["bytes"],
            "ratio": best["bytes"] / best[name],
            "target": target if name != "xarray, opened each time" else None,
        }
        for many, best, target in (("a slice", one, "<= 0.002 s"), ("24 slices", all_, "<= 0.025 s"))
        for name in readers
        if name != "bytes"
    ]


def _best(readers: dict[str, Callable[[int], object]], slices: range) -> dict[str, float]:
    best = dict.fromkeys(readers, float("inf"))
    for _ in range(REPEATS):
        for name, read in readers.items():
            start = time.perf_counter()
            for k in slices:
                read(k)
            best[name] = min(best[name], time.perf_counter() - start)
    return best
